"""A fixture at a glance as its daemon tells of it now, laid over what is on the disk."""

import dataclasses
import math

from nightturn.model.quantities import number
from nightturn.model.rows import FAILED, STARTING, UNRECORDED, StandingRow, StateRow
from nightturn.pictures.night import moment_text
from nightturn.sentences.first_words import NO_FIGURES, sentence_of, standing_words
from nightturn.sentences.morning import BY_WORD, Severity
from nightturn.sentences.wall import silent_sentence
from nightturn.storage.zones import zone_of
from nightturn.web.feed import Newest
from nightturn.web.glance import OUTSIDE, Glance, nearest_of, value_text
from nightturn.web.heard import Heard

STAND = {STARTING: "starting", UNRECORDED: "not recorded", FAILED: "failed"}


def idle(fixture: str) -> Glance:
    """A fixture of which nothing is on the disk and nothing has been heard."""
    return Glance(
        fixture=fixture,
        run="",
        unit="",
        variant="",
        need=Severity.NOTE,
        quiet=False,
        silent=False,
        turning=False,
        word="starting",
        sentence="Nothing has been heard of it yet.",
    )


def told(glance: Glance, heard: Heard, timezone: str) -> Glance:
    """The same, as it is now.

    Args:
        glance: from the disk, or `idle`.
        heard: what its daemon says.
        timezone: whose clocks are shown.
    """
    if heard.silent:
        return _silent(glance, heard, timezone)
    if heard.standing is not None:
        return _standing(glance, heard.standing)
    if heard.state is None:
        return glance
    return _newest(_state(glance, heard.state), heard.state, heard.cycle, timezone)


def _silent(glance: Glance, heard: Heard, timezone: str) -> Glance:
    """What it did is said to be past; what it measured last stands in no foot any more."""
    row = heard.state or heard.standing
    newest = max((each.ts for each in (heard.live, row) if each is not None), default=0)
    when = _when(newest, timezone)
    was: tuple[str, ...] = ()
    if heard.state is not None:
        was = (OUTSIDE.get(heard.state.state, heard.state.state), f"cycle {heard.state.cycle_no}")
    return dataclasses.replace(
        glance,
        need=glance.need if glance.need is Severity.ACT_NOW else Severity.NOTE,
        quiet=False,
        silent=True,
        turning=False,
        word="no word",
        sentence=silent_sentence(when, was),
        more="",
        value="",
        foot=f"last word {when}" if when else "",
    )


def _when(ts: int, timezone: str) -> str:
    zone = zone_of(timezone)
    return moment_text(ts, zone) if ts and zone is not None else ""


def _standing(glance: Glance, row: StandingRow) -> Glance:
    words = standing_words(row.state, row.reason, row.waits_for)
    if words.need > Severity.NOTE:
        return dataclasses.replace(
            glance,
            need=words.need,
            quiet=False,
            turning=False,
            silent=False,
            word=STAND[row.state],
            sentence=words.sentence,
            more="",
        )
    if row.state == STARTING or not glance.run:
        return dataclasses.replace(
            glance,
            quiet=False,
            silent=False,
            turning=False,
            word=STAND.get(row.state, "idle"),
            sentence=words.sentence,
        )
    found = dataclasses.replace(glance, silent=False, turning=False, word="ended")
    if glance.word == found.word:
        return found
    return dataclasses.replace(found, sentence=words.sentence, more="")  # the disk is behind


def _newest(glance: Glance, row: StateRow, cycle: Newest | None, timezone: str) -> Glance:
    """With the figures of the cycle that has just ended: its file is sealed later; the older value stays where it has none."""
    if cycle is None:
        return glance
    found = {name: (value, half) for name, value, half in cycle.figures if value is not None}
    limit = nearest_of(row.night_verdict, {name: value for name, (value, _) in found.items()})
    foot = f"cycle {number(cycle.cycle_no)} of {number(row.cycles_planned)}"
    when = _when(cycle.ts, timezone)
    foot += f", {when.split(' ')[2]}" if when else ""
    if limit is None:
        return dataclasses.replace(glance, foot=foot)
    value, half = found[limit.figure]
    said = value_text(limit, value, half if half is not None else math.inf)
    return dataclasses.replace(glance, value=said, foot=foot)


def _state(glance: Glance, row: StateRow) -> Glance:
    """A core speaks: its state, and what it waits for, weigh more than what the disk says of the same run."""
    word = OUTSIDE.get(row.state, row.state)
    found = dataclasses.replace(
        glance, silent=False, word=word, turning=glance.turning and row.state == "turning"
    )
    if glance.run != row.run:
        found = dataclasses.replace(
            idle(glance.fixture),
            run=row.run,
            unit=row.unit,
            variant=row.variant,
            word=word,
            sentence=sentence_of("ended", row.reason) if row.state == "ended" else NO_FIGURES,
        )
    found = dataclasses.replace(found, foot=found.foot or f"cycle {row.cycle_no} of {row.cycles_planned}")
    if row.state == "locked":
        why = "; ".join(each.text for each in row.locks) or row.reason
        if found.need is Severity.ACT_NOW:  # what it does not pass is not hidden by why it stands
            return dataclasses.replace(
                found,
                quiet=False,
                more=sentence_of(f"standing still: {why}", row.waits_for),
                waits=sentence_of(row.waits_for),
            )
        return dataclasses.replace(
            found,
            need=max(found.need, Severity.TODAY),
            quiet=False,
            sentence=sentence_of(f"standing still: {why}"),
            more=sentence_of(row.waits_for),
            waits=sentence_of(row.waits_for),
        )
    if row.trends and BY_WORD[row.trends[0].urgency] > Severity.NOTE:
        first = row.trends[0]
        need = max(found.need, BY_WORD[first.urgency])
        return dataclasses.replace(found, need=need, quiet=False, turning=False, more=sentence_of(first.said))
    return found
