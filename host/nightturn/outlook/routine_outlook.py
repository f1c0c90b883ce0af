"""What a plan has beside its cycles: how long warm-up and soak turn, where they and the park reach, how often each comes."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from nightturn.errors import ConfigError
from nightturn.model.phases import PARK, SOAK
from nightturn.model.quantities import fixed, number, typed
from nightturn.motion.moves import conditioning_moves, cycle_moves, move_seconds, positions
from nightturn.outlook.stroke_outlook import StrokeOutlook, short_strokes, strokes_of
from nightturn.settings.mistakes import Place
from nightturn.settings.rig import Conditioning, FixtureSettings, Soak


@dataclass(frozen=True, slots=True)
class ConditioningOutlook:
    """A warm-up or soak.

    Attributes:
        phase: which. times: how often in the plan.
        asked: as planned. strokes: how many in its whole time, or at most, and each of them.
        peak_deg: lowest and highest angle that its strokes reach, wherever a cycle has ended.
    """

    phase: str
    times: int
    asked: Conditioning
    strokes: StrokeOutlook
    peak_deg: tuple[float, float]

    @property
    def seconds(self) -> float:
        """One of them, or the longest."""
        return self.asked.hours * 3600.0


@dataclass(frozen=True, slots=True)
class RoutineOutlook:
    """Everything beside the cycles; `parks` is how often a person is waited for, `park_deg` at which angle, None without."""

    conditioning: tuple[ConditioningOutlook, ...]
    parks: int
    parks_every: int | None
    park_deg: float | None

    @property
    def seconds(self) -> float:
        """All warm-up and soak, without what a person takes."""
        return sum(each.seconds * each.times for each in self.conditioning)

    def peaks_deg(self) -> Iterator[float]:
        """Every angle that is reached beside the cycles."""
        for each in self.conditioning:
            yield from each.peak_deg
        if self.park_deg is not None:
            yield self.park_deg

    def cycles_within(self, seconds: float, cycle_s: float) -> int:
        """Whole cycles in so much time from the plan's beginning, nobody there to end a park; soaks between them take theirs."""
        left, done = seconds, 0
        soak = next((each for each in self.conditioning if each.phase == SOAK), None)
        every = soak.asked.every_cycles if soak is not None and isinstance(soak.asked, Soak) else None
        left -= sum(each.seconds for each in self.conditioning)
        if left <= 0:
            return 0
        if soak is None or every is None:
            done = int(left / cycle_s)
        else:
            rounds, rest_s = divmod(left, every * cycle_s + soak.seconds)
            done = int(rounds) * every + min(every, int(rest_s / cycle_s))
        return done if self.parks_every is None or not self.parks else min(done, self.parks_every)


def routine_outlook(settings: FixtureSettings) -> RoutineOutlook:
    """What the settings promise beside the cycles."""
    plan = settings.plan
    park = plan.park
    return RoutineOutlook(
        tuple(_conditioning(settings, phase, asked) for phase, asked in plan.conditioning.items()),
        0 if park is None else (plan.cycles - 1) // park.every_cycles,
        None if park is None else park.every_cycles,
        None if park is None else park.angle_deg,
    )


def _conditioning(settings: FixtureSettings, phase: str, asked: Conditioning) -> ConditioningOutlook:
    encoder, every = settings.encoder, asked.every_cycles if isinstance(asked, Soak) else None
    begins = (0, positions(cycle_moves(settings, 0), 0)[-1])  # behind an even and an odd number of cycles
    reached = [
        encoder.sense * place / encoder.counts_per_rev * 360
        for begin in begins
        for place in positions(conditioning_moves(settings, phase, begin, begin), begin)
    ]
    pair_s = sum(
        move_seconds(move, encoder.counts_per_rev) for move in conditioning_moves(settings, phase, 0, 0)
    )
    pairs = math.ceil(asked.hours * 3600.0 / pair_s)
    strokes = strokes_of(2 * pairs, asked.angle_deg, asked.speed_rpm, settings.ramp_rad_per_s2)
    times = 1 if every is None else 1 + (settings.plan.cycles - 1) // every
    return ConditioningOutlook(phase, times, asked, strokes, (min(reached), max(reached)))


def routine_errors(settings: FixtureSettings, found: RoutineOutlook, place: Place) -> Iterator[ConfigError]:
    """Strokes that leave the travel or are not seen at their speed, and an angle that no cable allows."""
    low, high = settings.travel.range_deg
    range_text = f"range_deg = [{typed(low)}, {typed(high)}]"
    plan = place.inside("plan")
    for each in found.conditioning:
        at = plan.inside(each.phase)
        yield from short_strokes(each.strokes, settings.ramp_rad_per_s2, at)
        beyond = max(low - each.peak_deg[0], each.peak_deg[1] - high)
        if beyond > 0:
            what = (
                f"{typed(each.asked.angle_deg)} would turn from {fixed(each.peak_deg[0], 1)}° to "
                f"{fixed(each.peak_deg[1], 1)}°, outside {range_text}"
            )
            most = each.asked.angle_deg - beyond
            yield at.mistake(
                "angle_deg", what, f"at most {math.floor(most)}" if most >= 1 else "a wider travel"
            )
    if found.park_deg is not None and not low <= found.park_deg <= high:
        what = f"{typed(found.park_deg)} lies outside {range_text}"
        yield plan.inside(PARK).mistake("angle_deg", what, f"{typed(low)} to {typed(high)}")


def routine_warnings(settings: FixtureSettings) -> Iterator[str]:
    """What is worse than it need be."""
    park = settings.plan.park
    if park is not None and park.every_cycles % 2 and settings.plan.cycles > park.every_cycles:
        yield (
            f"park: every_cycles = {number(park.every_cycles)} is odd, and behind a park a cycle begins in the positive sense: "
            "more cycles begin in one sense than in the other; an even number measures both alike"
        )
