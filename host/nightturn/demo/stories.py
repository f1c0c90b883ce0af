"""What befalls the demo's fixtures: the usual night, or a night with one fault in which a unit is warmed up and soaked as well."""

from dataclasses import dataclass
from enum import StrEnum

CONDITIONED = "pan-b1"
"""In every story but the night it is healthy, is warmed up, soaks, and holds a torque during its strokes."""
SHARE, LEAST_H = 1 / 16, 0.025
"""Of the night, for the warm-up at most, and for the soak; in a short night so many hours."""
OVER_MIN_MOST, OVER_SHARE = 20.0, 0.4
"""Over so long an equilibrium is judged; in a short night over a share of the warm-up, a minute at least."""
PARK_EVERY = 40
"""Cycles behind which somebody looks at it, some two hours."""


class Story(StrEnum):
    """What happens; every one but the night is a fault of pan-a2 from five eighths of the night on."""

    NIGHT = "night"
    SPALL = "spall"
    CHIP = "chip"
    COUPLING = "coupling"
    ZERO = "zero"
    CABLE = "cable"
    COOLING = "cooling"


@dataclass(frozen=True, slots=True)
class Course:
    """Of one story: faults with the share of the night at which each begins, so that a short demo shows them too; whether a plan has more than cycles."""

    faults: dict[str, tuple[tuple[str, float], ...]]
    conditioned: bool


USUAL = Course(
    {
        "pan-a1": (),
        "pan-a2": (("spall", 5 / 8),),
        "pan-b1": (("cable", 2 / 8), ("outage", 3 / 8), ("outage", 6 / 8)),
    },
    conditioned=False,
)


def course_of(story: Story) -> Course:
    """What a story is."""
    if story is Story.NIGHT:
        return USUAL
    return Course({"pan-a1": (), "pan-a2": ((story.value, 5 / 8),), "pan-b1": ()}, conditioned=True)


BESIDE = """
[fixture.channels]                     # an equilibrium is judged by a role that has its channel here
bearing = "bearing"

[fixture.plan.warm_up]                 # before the first cycle, until the bearing's temperature is level
hours = {hours}                        # at most
speed_rpm = 20
until = "equilibrium"
channel = "bearing"
k_per_h = 1.0
over_min = {over_min}
else = "go_on"

[fixture.plan.soak]                    # behind it, unpowered
hours = {hours}
speed_rpm = 10
"""
PARK = """
[fixture.plan.park]                    # waits for a person; the demo's says `go` after a look
every_cycles = {every}
"""


def conditioning_h(hours: float) -> float:
    """The warm-up at most, and the soak, of a night of so many hours."""
    return max(hours * SHARE, LEAST_H)


def beside(hours: float, cycles: int) -> str:
    """The tables of a plan with warm-up, soak and, where the night is long enough, stops for a person."""
    each = conditioning_h(hours)
    over_min = min(OVER_MIN_MOST, max(each * 60 * OVER_SHARE, 1.0))
    text = BESIDE.format(hours=round(each, 4), over_min=round(over_min, 2))
    return text + PARK.format(every=PARK_EVERY) if cycles > PARK_EVERY else text
