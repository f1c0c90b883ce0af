"""The quality of the line while it streams: silence and noise."""

import msgspec

from nightturn.acquisition.control import NS_PER_MS
from nightturn.model.quantities import fixed, quantity

SILENT_NS_MAX = 1_000 * NS_PER_MS
# a late tick proves no longer silence than this: frames may wait behind it
STEP_NS_MAX = 500 * NS_PER_MS
WINDOW_NS = 1_000 * NS_PER_MS
WINDOW_FRAMES_MIN = 10
BAD_SHARE_MAX = 0.2


class LineWatch(msgspec.Struct):
    """Counts frames between ticks; judges once per window."""

    bad: int = 0
    frames_seen: int = 0
    tick_ns: int = 0
    silent_ns: int = 0
    window_from_ns: int = 0
    window_frames: int = 0
    window_bad: int = 0

    def restart(self, at_ns: int, frames: int) -> None:
        """Begin anew: the line has just been opened."""
        self.frames_seen = self.window_frames = frames
        self.window_bad = self.bad
        self.tick_ns = self.window_from_ns = at_ns
        self.silent_ns = 0

    def judge(self, at_ns: int, frames: int) -> tuple[str, str] | None:
        """Kind and text of what is wrong with the line, or None."""
        step_ns = min(at_ns - self.tick_ns, STEP_NS_MAX)
        self.silent_ns = 0 if frames != self.frames_seen else self.silent_ns + step_ns
        self.tick_ns = at_ns
        self.frames_seen = frames
        if self.silent_ns >= SILENT_NS_MAX:
            return "silent", f"no valid frame for {fixed(self.silent_ns / 1e9, 1)} s while streaming"
        if at_ns - self.window_from_ns < WINDOW_NS:
            return None
        bad = self.bad - self.window_bad
        total = bad + frames - self.window_frames
        self.window_from_ns = at_ns
        self.window_frames = frames
        self.window_bad = self.bad
        if total >= WINDOW_FRAMES_MIN and bad > BAD_SHARE_MAX * total:
            return "noise", f"{bad} of {total} frames were bad within {quantity(WINDOW_NS / 1e9, 's')}"
        return None
