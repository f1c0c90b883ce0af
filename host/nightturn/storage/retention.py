"""What goes by age and bytes, and why; kept runs never, nor one that is not over, nor a fixture's newest.

Age is the time in which something was recorded. A stretch of more than `CLOCK_STEP_MAX_NS` without any record may be an
idle bench or a clock that jumped; nothing ages by it until a person says that the clock is right.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from nightturn.model.quantities import bytes_text, number
from nightturn.settings.retained import Keep, KeepTape, Retention
from nightturn.storage.holdings import Holding, Holdings
from nightturn.storage.marks import KINDS

DAY_NS = 86_400 * 1_000_000_000
CLOCK_STEP_MAX_NS = (
    3 * DAY_NS
)  # a long weekend; what is younger than `days` less this cannot go by one unseen jump
GB = 1_000_000_000


class Going(NamedTuple):
    """What goes, and why as a sentence."""

    holding: Holding
    why: str


class Step(NamedTuple):
    """A stretch without a record that nobody has vouched for, UTC ns."""

    start: int
    stop: int


def going(
    found: Holdings, rule: Retention, now_utc_ns: int, clock_right_utc_ns: int = 0
) -> tuple[list[Going], list[Step]]:
    """What retention clears now, the oldest of each kind first, and the stretches by which nothing ages.

    Of each kind the oldest go until the rest is within its bytes, and what is past its days. Figures go only when the
    raw samples of their run have gone, or go as well.

    Args:
        found: what there is.
        rule: `[retention]` of the rig file.
        now_utc_ns: the wall clock.
        clock_right_utc_ns: a person has vouched for the wall clock at this time.
    """
    steps = steps_not_believed(found.evidence, now_utc_ns, clock_right_utc_ns)
    gone: list[Going] = []
    raw = {(each.fixture, each.run) for each in found.held if each.kind == "raw"}
    for kind in KINDS:
        held = in_order([each for each in found.held if each.kind == kind])
        spared = found.spared | raw if kind == "figures" else found.spared
        picked = list(_of_kind(held, spared, _newest(held), rule.of(kind), now_utc_ns, steps))
        if kind == "raw":
            raw -= {(each.holding.fixture, each.holding.run) for each in picked}
        gone += picked
    return gone, steps


def steps_not_believed(evidence: Sequence[int], now_utc_ns: int, clock_right_utc_ns: int = 0) -> list[Step]:
    """Stretches without a record up to now that are too long, and end behind what a person has vouched for."""
    if clock_right_utc_ns > now_utc_ns:  # vouched for by a clock that was ahead: it says nothing
        clock_right_utc_ns = 0
    times = [*sorted(each for each in evidence if each < now_utc_ns), now_utc_ns]
    return [
        Step(before, after)
        for before, after in pairwise(times)
        if after - before > CLOCK_STEP_MAX_NS and after > clock_right_utc_ns
    ]


def in_order(held: Sequence[Holding]) -> list[Holding]:
    """Oldest first; of one fixture in the order of its records, so that a clock put back makes nothing older."""
    newest_so_far: dict[str, int] = {}
    keyed: list[tuple[int, str, int, Holding]] = []
    for each in sorted(held, key=lambda each: (each.fixture, each.record_first)):
        since = max(newest_so_far.get(each.fixture, each.since_utc_ns), each.since_utc_ns)
        newest_so_far[each.fixture] = since
        keyed.append((since, each.fixture, each.record_first, each._replace(since_utc_ns=since)))
    return [each for _, _, _, each in sorted(keyed, key=lambda key: key[:3])]


def _newest(held: Sequence[Holding]) -> frozenset[Holding]:
    """What holds a fixture's highest record number: the next one follows from it."""
    newest: dict[str, Holding] = {}
    for each in held:
        if each.fixture not in newest or newest[each.fixture].record_first < each.record_first:
            newest[each.fixture] = each
    return frozenset(newest.values())


def _of_kind(
    held: Sequence[Holding],
    spared: frozenset[tuple[str, str]],
    stays: frozenset[Holding],
    rule: Keep | KeepTape,
    now_utc_ns: int,
    steps: Sequence[Step],
) -> Iterator[Going]:
    total = sum(each.bytes for each in held)
    for each in held:
        if (each.fixture, each.run) in spared or each in stays:
            continue
        age = now_utc_ns - each.since_utc_ns
        age -= sum(step.stop - step.start for step in steps if step.start >= each.since_utc_ns)
        if rule.days != "ever" and age > rule.days * DAY_NS:
            why = f"older than {number(rule.days)} days"
        elif rule.gb != "ever" and total > rule.gb * GB:
            why = f"{each.kind} takes {bytes_text(total)} of {bytes_text(round(rule.gb * GB))}"
        else:
            continue
        total -= each.bytes
        yield Going(each, why)
