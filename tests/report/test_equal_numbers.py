"""A figure is one number wherever it is read: on the tape, in Parquet and the API, on the first page, as JSON in the PDF, over MQTT."""

import json

import msgspec
import pytest
from replay_logs.make import Recorded
from scipy import stats

import nightturn
from nightturn.estimation.figures import FIGURES
from nightturn.model.quantities import interval
from nightturn.replay.full import replay
from nightturn.replay.tapes import tape_of_run
from nightturn.report.attached import figures_json
from nightturn.report.first_page import LIMIT_HEAD, first_page
from nightturn.report.night import ReportNight
from nightturn.report.reference import Reference
from nightturn.telemetry.payloads import Stamp, cycle

NUMBERS = ("value", "u", "nu")


def test_numbers_on_tape_in_parquet_api_json_mqtt_and_on_the_page_are_equal(
    recorded: Recorded, one: ReportNight
) -> None:
    api = nightturn.open_run(recorded.root).cycles().sort_values("ts_start", kind="stable")
    attached = json.loads(figures_json(one))
    again = sorted(
        replay(tape_of_run(recorded.root, recorded.fixture, recorded.run)).rows.cycles,
        key=lambda each: each.ts_start,
    )
    assert [each.cycle_no for each in again] == api["cycle_no"].tolist() == attached["cycle_no"]
    seen = 0
    for at, record in enumerate(again):
        sent = msgspec.json.decode(cycle(record, Stamp(seq=at, daemon_boot="b", run=recorded.run, host="h")))
        for figure in record.figures:
            if figure.name not in FIGURES or figure.value is None or figure.u is None:
                continue
            row = [api[f"{figure.name}{part}"].iloc[at] for part in ("", "_u", "_nu")]
            assert row == [figure.value, figure.u, figure.nu], figure.name
            assert [attached["figures"][figure.name][key][at] for key in NUMBERS] == row
            if figure.name in sent:  # rounded to what its uncertainty is worth
                assert sent[figure.name] == pytest.approx(figure.value, abs=0.05 * figure.u)
            seen += 1
    assert seen > 10
    page = first_page(one, (), Reference({}))
    assert one.verdict is not None
    for limit, words in zip(one.verdict.limits, page.limits, strict=True):
        good = api[(api[f"{limit.figure}_status"] == "ok") & api[limit.figure].notna()]
        value, u, nu = (float(good[f"{limit.figure}{part}"].iloc[-1]) for part in ("", "_u", "_nu"))
        said = interval(value, float(stats.t.ppf(0.975, nu)) * u, FIGURES[limit.figure].unit)
        assert words[LIMIT_HEAD.index("newest cycle")] == said
