"""`serve` on a terminal: a table of the fixtures that is drawn anew every second, and the log's lines above it."""

import asyncio
import contextlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from zoneinfo import ZoneInfo

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from nightturn.bench.worlds import RealClock
from nightturn.daemon.picture import NS_PER_S, Picture
from nightturn.daemon.wording import figures_text
from nightturn.model.phases import STAND
from nightturn.motion.permission import MotionState
from nightturn.sentences.purpose import purpose_text
from nightturn.world import Clock

DRAW_S = 1.0
STYLES = {"warning": "yellow", "error": "bold red", "critical": "bold red"}
WORDS = {
    MotionState.LOCKED: "locked: nothing turns until a person says go",
    MotionState.ALLOWED: "allowed: about to turn when nothing is against it",
    MotionState.ANNOUNCED: "announced: it is about to turn",
    MotionState.TURNING: "turning",
    MotionState.STOPPING: "stopping: it comes to rest",
    MotionState.PAUSED: "paused: a person said so",
    MotionState.ENDED: "ended: the run is over",
}
BLOCK_LINES = 7
NOT_SAFE = "no state isolates anything. Ctrl-C: drives off, then the end"


def on_terminal(timezone: str) -> "Terminal | None":
    """The terminal that stderr is; None when it is none. Colours stay away with NO_COLOR, which the console obeys."""
    console = Console(stderr=True, highlight=False)
    return Terminal(console, RealClock(), timezone) if console.is_terminal else None


class Terminal:
    """Draws and prints on one console."""

    def __init__(self, console: Console, clock: Clock, timezone: str) -> None:
        self._console = console
        self._clock = clock
        self._zone = ZoneInfo(timezone)

    def show(self, text: str, level: str) -> None:
        """A line of the log, above the table."""
        self._console.print(Text(text, STYLES.get(level, "")))
        if level == "critical":  # nothing may follow, and the table hides the cursor
            self._console.show_cursor()

    @contextmanager
    def drawn(self, pictures: Mapping[str, Picture]) -> Iterator[None]:
        """The table is there until this ends; it needs the loop that is running."""
        if self._console.is_dumb_terminal:
            yield
            return
        live = Live(console=self._console, auto_refresh=False, transient=True)
        with live:
            drawing = asyncio.get_running_loop().create_task(self._draw(live, pictures))
            try:
                yield
            finally:
                drawing.cancel()

    async def _draw(self, live: Live, pictures: Mapping[str, Picture]) -> None:
        while True:
            now = datetime.fromtimestamp(self._clock.utc_ns() / NS_PER_S, self._zone)
            height = self._console.size.height
            live.update(table(list(pictures.values()), now, height), refresh=True)
            await asyncio.sleep(DRAW_S)


def table(pictures: list[Picture], now: datetime, height: int) -> RenderableType:
    """A block for each fixture, or a line where the blocks would be higher than the terminal.

    Args:
        pictures: of the fixtures.
        now: with the bench's zone, in which its times are given.
        height: of the terminal, lines.
    """
    head = Text(f"{_clock(now)}  {NOT_SAFE}", "dim")
    if len(pictures) * BLOCK_LINES + 2 > height:
        return Group(head, _lines(pictures))
    return Group(head, *(part for picture in pictures for part in _block(picture, now)))


def _block(picture: Picture, now: datetime) -> tuple[RenderableType, RenderableType]:
    unit = f" with {picture.state.unit}" if picture.state is not None and picture.state.unit else ""
    rows = Table.grid(padding=(0, 2, 0, 0))
    rows.add_column(no_wrap=True)
    rows.add_column(no_wrap=True)
    rows.add_column(overflow="fold")
    for name, value in block_rows(picture, now):
        rows.add_row("", name, Text(value))
    return Text(f"{picture.fixture}{unit}", "bold"), rows


def block_rows(picture: Picture, now: datetime) -> list[tuple[str, str]]:
    """What a fixture's block says, as names and sentences."""
    state = picture.state
    if state is None:
        return [("state", picture.no_run or "the run is being opened")]
    turns = state.state == MotionState.TURNING and state.phase not in {"", STAND}
    phase = f", {state.phase.replace('_', ' ')}" if turns else ""
    rows = [
        ("state", f"{_in_words(state.state)}{phase}"),
        ("cycle", f"{state.cycle_no} of {state.cycles_planned}"),
    ]
    if picture.last is not None:
        last = picture.last
        rows.append(("last cycle", f"{last.cycle_no}, {last.verdict}: {figures_text(last)}"))
    if state.waits_for:
        rows.append(("wait", state.waits_for))
    night = state.night_verdict
    if night is not None:
        so_far = "" if state.state == MotionState.ENDED else " so far"
        rows.append(("night", f"{night.word}{so_far}"))
        rows.append(("purpose", purpose_text(night)))
    ends_ns = picture.expected_end_ns
    if ends_ns is not None:
        end = datetime.fromtimestamp(ends_ns / NS_PER_S, now.tzinfo).isoformat(" ", "minutes")
        rows.append(("ends about", f"{end[:16]} {end[16:]}, without a pause"))
    return rows


def _lines(pictures: list[Picture]) -> Table:
    lines = [_line(picture) for picture in pictures]
    rows = Table.grid(padding=(0, 2, 0, 0))
    for column in list(zip(*lines, strict=True))[:-1]:
        rows.add_column(no_wrap=True, min_width=max(len(cell) for cell in column))
    rows.add_column(no_wrap=True, overflow="ellipsis")
    for line in lines:
        rows.add_row(*(Text(cell) for cell in line))
    return rows


def _line(picture: Picture) -> tuple[str, str, str, str]:
    state = picture.state
    if state is None:
        return picture.fixture, "no run", "", picture.no_run
    return picture.fixture, state.state, f"{state.cycle_no}/{state.cycles_planned}", state.waits_for


def _in_words(state: str) -> str:
    with contextlib.suppress(ValueError):
        return WORDS[MotionState(state)]
    return state


def _clock(now: datetime) -> str:
    text = now.isoformat(" ", "seconds")
    return f"{text[11:19]} {text[19:]}"
