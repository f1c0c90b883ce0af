"""What a page is sent once a second of the fixture that it shows: a sentence, its age, and torque of the last minute at 50 Hz."""

from collections.abc import Sequence

import msgspec

from nightturn.model.quantities import quantity
from nightturn.model.traces import Trace
from nightturn.sentences.now import now_sentence
from nightturn.web.heard import Heard

NS_PER_S = 1_000_000_000
OTHER = "No run is open; its sensors are not read."


class LiveWord(msgspec.Struct, frozen=True):
    """What is shown of now.

    Attributes:
        said: the sentence. silent: whether nothing is known of now; then there is nothing else.
        age_s: since the last word of the fixture.
        ago_s: of each window of 20 ms before the newest, oldest first; low_nm, high_nm: its extremes.
        text: the extremes of the last second in words, for whoever sees no line.
    """

    said: str
    silent: bool
    age_s: float
    ago_s: tuple[float, ...] = ()
    low_nm: tuple[float, ...] = ()
    high_nm: tuple[float, ...] = ()
    text: str = ""


def live_word(heard: Heard, traces: Sequence[Trace]) -> LiveWord:
    """The word of a fixture.

    Args:
        heard: what its daemon says of it.
        traces: torque of the last minute, oldest first.
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
    )
