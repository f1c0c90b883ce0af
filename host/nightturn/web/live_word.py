"""What a page is sent once a second of the fixture that it shows: a sentence, its age, and torque of the last minute at 50 Hz."""

import math
from collections.abc import Iterator, Sequence
from datetime import UTC

import msgspec

from nightturn.estimation.figures import FIGURES
from nightturn.model.quantities import interval, number, quantity
from nightturn.model.rows import LiveRow
from nightturn.model.traces import Trace
from nightturn.pictures.night import moment_text
from nightturn.sentences.now import now_sentence
from nightturn.storage.zones import zone_of
from nightturn.web.heard import Heard

NS_PER_S = 1_000_000_000
OTHER = "No run is open; its sensors are not read."


class LiveWord(msgspec.Struct, frozen=True):
    """What is shown of now.

    Attributes:
        said: the sentence. silent: whether nothing is known of now; then there is nothing else.
        age_s: since the last word of the fixture.
        ago_s: of each window of 20 ms before the newest, oldest first; low_nm, high_nm: its extremes.
        rows: the newest cycle, progress, expected end, temperatures and inputs, name and words. text: the extremes of the last second in words, for whoever sees no line.
    """

    said: str
    silent: bool
    age_s: float
    ago_s: tuple[float, ...] = ()
    low_nm: tuple[float, ...] = ()
    high_nm: tuple[float, ...] = ()
    text: str = ""
    rows: tuple[tuple[str, str], ...] = ()


def live_word(heard: Heard, traces: Sequence[Trace], timezone: str) -> LiveWord:
    """The word of a fixture.

    Args:
        heard: what its daemon says of it.
        traces: torque of the last minute, oldest first.
        timezone: whose clocks are shown.
    """
    age_s = round(min(heard.age_s, 1e6), 1)
    if heard.silent:
        return LiveWord("No word from it; what it does now is not known.", silent=True, age_s=age_s)
    live = heard.live
    if live is None:
        return LiveWord(
            heard.standing.reason if heard.standing is not None else OTHER, silent=False, age_s=age_s
        )
    newest = traces[-1].ts if traces else 0
    ago = [round((newest - each.ts) / NS_PER_S + age, 2) for each in traces for age in each.age_s]
    low, high = live.torque_min_nm, live.torque_max_nm
    ends = (
        f"torque of the last second from {quantity(low, 'N·m', digits=3)} to {quantity(high, 'N·m', digits=3)}"
        if low is not None and high is not None
        else "no torque is shown now"
    )
    return LiveWord(
        now_sentence(live),
        silent=False,
        age_s=age_s,
        ago_s=tuple(ago),
        low_nm=tuple(value for each in traces for value in each.low_nm),
        high_nm=tuple(value for each in traces for value in each.high_nm),
        text=ends,
        rows=(*_figures(heard), *_rows(live, heard.expected_end_ns, timezone)),
    )


def _figures(heard: Heard) -> Iterator[tuple[str, str]]:
    """The newest cycle's figures that have a limit, as soon as it has ended."""
    verdict = heard.state.night_verdict if heard.state is not None else None
    limits = {each.figure: each.limit for each in (verdict.limits if verdict is not None else ())}
    if heard.cycle is None:
        return
    for name, value, half in heard.cycle.figures:
        if name in limits:
            spec, wide = FIGURES[name], half if half is not None else math.inf
            said = (
                interval(value, wide, spec.unit, beside=limits[name]) if value is not None else "not judged"
            )
            yield f"{spec.spoken}, cycle {number(heard.cycle.cycle_no)}", said


def _rows(live: LiveRow, end_ns: int | None, timezone: str) -> Iterator[tuple[str, str]]:
    if live.cycles_planned:
        yield "cycles", f"{number(live.cycles_done)} of {number(live.cycles_planned)} done"
    yield "expected end", moment_text(end_ns, zone_of(timezone) or UTC) if end_ns is not None else "not known"
    for role, degc in sorted(live.temperatures_degc.items()):
        yield role, quantity(degc, "°C", digits=3)
    if live.inputs is None:
        yield "inputs", "not known"
        return
    yield from ((name.replace("_", " "), said) for name, said in sorted(live.inputs.items()))
