"""What a tile of the wall says of a figure."""

from dataclasses import replace

import msgspec
from replay_logs.make import Recorded

import nightturn
from nightturn.model.figures import BUDGET, REPEATABILITY
from nightturn.storage.runs import list_runs
from nightturn.web.glance import glance_of


def test_a_tile_says_in_words_where_a_plus_minus_is_repeatability_only(recorded: Recorded) -> None:
    summary = list_runs(recorded.root)[0]
    run, verdict = nightturn.open_run(recorded.root, summary.fixture, summary.run), summary.night_verdict
    assert verdict is not None

    def value(kind: str) -> str:
        limits = tuple(msgspec.structs.replace(each, kind=kind) for each in verdict.limits)
        judged = msgspec.structs.replace(verdict, limits=limits)
        return glance_of(run, replace(summary, state="ended", night_verdict=judged)).value

    bare = value(REPEATABILITY)
    assert " (repeatability), " in bare
    assert value(BUDGET) == bare.replace(" (repeatability)", "")
