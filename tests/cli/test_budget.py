"""`runs RUN --budget`, and the one ± that demo, serve, runs, MQTT, Parquet and API print."""

import json
import math
from pathlib import Path

import msgspec
import pytest
from tests.acquisition.fake_device import SHEET_BYTES
from tests.calibrate.test_refused import READABLE
from tests.cli.terminal import too_wide, typed
from tests.estimation.synthetic import Bench, cycles_of, record
from tests.protocol.test_sheet import changed
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS
from tests.storage.store import Night, manifest

from nightturn.cli.budget_text import budget_of
from nightturn.cli.orders_text import none_text
from nightturn.daemon.wording import cycle_text, figures_text, night_text
from nightturn.demo.scenario import calibration
from nightturn.demo.summary import FixtureLine, heading, rows
from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.intervals import band_text, bands_text, half_width
from nightturn.model.certificates import Certificate
from nightturn.model.figures import BUDGET, INTERVAL_IS, OK, REPEATABILITY, CycleRecord, Figure
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.quantities import interval
from nightturn.model.records import Emit
from nightturn.model.rows import CYCLES, RunEnded
from nightturn.model.verdicts import DECISION_RULE, NOT_JUDGED
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import SheetSince, manifests, write_manifest
from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs, open_run
from nightturn.telemetry import payloads
from nightturn.telemetry.payloads import Stamp

BENCH = Bench(rate_hz=1000, slow_rpm=4.0, hold_rpm=6.0)
SERIAL = "TR-204"
OF_MORE_STROKES = ("coulomb_nm", "viscous_nm_s_per_rad", "breakaway_nm")
"""Figures that a cycle without strokes cannot give."""


def cycle(number: int, *, certified: bool) -> CycleRecord:
    """A measured cycle of a warm rig, with the demo's certificate or without any."""
    known = calibration(SERIAL)
    assert isinstance(known.uncertainty, Certificate)
    conditions = BENCH.conditions(
        run=RUN,
        accept=(AcceptLimit("friction_nm", 0.15),),
        certificate=known.uncertainty if certified else None,
        certificate_source=f"certificate {known.certificate}",
    )
    (sums,) = cycles_of(record(BENCH, number))
    warm = msgspec.structs.replace(
        sums,
        cycle_no=number,
        temperatures={"bridge": (2, 62_000)},
        temperature_ends={"bridge": (30_950, 31_050)},
    )
    return finish_cycle(warm, conditions, 0, 1, STARTED_NS + number, STARTED_NS + number + 1)


@pytest.fixture(scope="module", params=[True, False], ids=["certificate", "bare"])
def kept(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, CycleRecord]:
    """A root with a run of two cycles, and the last of them."""
    root = tmp_path_factory.mktemp("nights")
    cycles = [cycle(number, certified=request.param) for number in (1, 2)]
    Night(root).add_chunk(10_000, rows=[Emit(CYCLES, each) for each in cycles])
    return root, cycles[-1]


BAND = "orders 1 to 1638"  # 0.4 of 4096 bins


def demo_line(last: CycleRecord) -> FixtureLine:
    """What the demo's table has of a cycle."""
    shown = {
        figure.name: None if figure.value is None else (figure.value, half_width(figure))
        for figure in last.figures
    }
    statuses = {figure.name: figure.status for figure in last.figures if figure.status != OK}
    return FixtureLine(
        "pan-a1", "Q-0117", RUN, 2, 2, shown, None, {}, None, "", last.kind, statuses=statuses, bands=BAND
    )


def test_interval_band_and_verdict_read_the_same_wherever_they_are_printed(
    kept: tuple[Path, CycleRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    root, last = kept
    stored = open_run(root).cycles().iloc[-1]
    message = json.loads(payloads.cycle(last, Stamp(1, "b7")))
    served = figures_text(last)
    demo = demo_line(last)
    printed = " ".join(typed(["runs", str(root), RUN, "--budget"], capsys).out.split())
    assert message["verdict"] == stored["verdict"] == last.verdict == "accept"
    assert f"; {last.verdict} (" in cycle_text(last, 2)
    for spec in FIGURES.values():
        figure = last.figure(spec.name)
        wide = half_width(figure)
        if spec.name in OF_MORE_STROKES:
            assert figure.value is wide is None
            assert f"{spec.name}: no value (refused)" in printed
            assert message[spec.name] is message[f"{spec.name}_u95"] is None
            assert math.isnan(stored[spec.name])
            continue
        assert figure.value is not None
        assert wide is not None
        text = interval(figure.value, wide, spec.unit)
        assert f"{spec.name}: {text}; {INTERVAL_IS[last.kind]}" in printed
        if spec.heading and not spec.of_rated:
            assert f"{spec.heading} {text}" in served
        if spec.heading:
            assert dict(rows(demo))[spec.heading] == text
        assert message[f"{spec.name}_u95"] == pytest.approx(wide, rel=5e-3)
        assert message[f"{spec.name}_kind"] == stored[f"{spec.name}_kind"] == last.kind
        assert (stored[spec.name], stored[f"{spec.name}_u"], stored[f"{spec.name}_nu"]) == (
            figure.value,
            figure.u,
            figure.nu,
        )
        if spec.waveform:
            assert band_text(figure) == BAND
            assert f"{spec.name}: {text}; {INTERVAL_IS[last.kind]}; {BAND}" in printed
            assert message[f"{spec.name}_band"] == [1, 1638]
            assert (stored[f"{spec.name}_band_low"], stored[f"{spec.name}_band_high"]) == (1, 1638)
    assert served.endswith(f"({INTERVAL_IS[last.kind]}; {BAND})")
    assert heading(demo) == f"pan-a1 with Q-0117; {INTERVAL_IS[last.kind]}; {BAND}"


def test_a_figure_that_is_not_judged_says_so_wherever_it_is_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = cycle(1, certified=True)
    doubted = tuple(
        msgspec.structs.replace(each, status=NOT_JUDGED, unseen=(2016, 4032) if each.band else ())
        if each.status == OK
        else each
        for each in good.figures
    )
    last = msgspec.structs.replace(good, figures=doubted)
    Night(tmp_path).add_chunk(10_000, rows=[Emit(CYCLES, last)])
    printed = " ".join(typed(["runs", str(tmp_path), RUN, "--budget"], capsys).out.split())
    demo, served = dict(rows(demo_line(last))), figures_text(last)
    for spec in FIGURES.values():
        figure = last.figure(spec.name)
        if figure.value is None:
            continue
        text = f"{interval(figure.value, half_width(figure) or math.nan, spec.unit)} (not judged)"
        band = f"; {BAND} without 2016, 4032" if spec.waveform else ""
        assert f"{spec.name}: {text}; {INTERVAL_IS[last.kind]}{band}" in printed
        if spec.heading:
            assert demo[spec.heading] == text
        if spec.heading and not spec.of_rated:
            assert f"{spec.heading} {text}" in served
    assert served.endswith(f"; {BAND} without 2016, 4032)")


def test_bands_that_differ_are_said_by_figure() -> None:
    ripple, cogging, friction = (
        Figure(name, 1.0, band=band) for name, band in (("r", (1, 819)), ("c", (1, 1638)), ("f", None))
    )
    named = [("ripple", ripple), ("cogging", cogging), ("friction", friction)]
    assert bands_text(named) == "ripple of orders 1 to 819; cogging of orders 1 to 1638"
    assert bands_text([*named[1:], ("rms", cogging)]) == BAND
    assert bands_text([("friction", friction), ("none", Figure("n", None, band=(1, 819)))]) == ""


def test_the_nights_verdict_reads_the_same_wherever_it_is_printed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Word, reasons, what would decide and the decision rule in demo, serve, runs, MQTT and API."""
    limit = LimitVerdict(
        "friction_nm", "max", "at 3 rpm", 0.118, 0.002, 3.0, 0.15, "undecided", 4, kind=REPEATABILITY
    )
    night = NightVerdict(
        "undecided", ("one reason", "another"), (limit,), ("3 more judged cycles",), 4, 8, rule=DECISION_RULE
    )
    Night(tmp_path).add_chunk(10_000, rows=[Emit(CYCLES, cycle(1, certified=False))])
    files = RealFiles(tmp_path)
    (manifest,) = manifests(files)
    write_manifest(files, msgspec.structs.replace(manifest, night_verdict=night))
    printed = " ".join(typed(["runs", str(tmp_path), RUN], capsys).out.split())
    demo = rows(msgspec.structs.replace(demo_line(cycle(1, certified=False)), night_verdict=night))
    served = night_text(night)
    (listed,) = list_runs(tmp_path)
    message = json.loads(payloads.run_ended(RunEnded(1, RUN, "plan done", "plan", night), Stamp(1, "b7")))
    assert listed.night_verdict == night
    assert message["night_verdict"] == json.loads(msgspec.json.encode(night))
    for text in (*night.reasons, *night.would_decide, night.word, DECISION_RULE):
        assert text in printed
        assert text in served
        assert text in " ".join(value for _, value in demo)


def test_each_figure_has_a_table_with_every_line_and_its_share(
    kept: tuple[Path, CycleRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    root, last = kept
    code, out, err = typed(["runs", str(root), "latest", "--budget"], capsys)
    assert (code, err) == (0, "")
    assert too_wide(out) == []
    assert out.splitlines()[0] == f"pan-a1  {RUN}  cycle 2"
    for figure in last.figures:
        assert f"{figure.name}: " in out
        for line in figure.budget:
            assert f"  {line.name}  " in out
    assert out.count("  whole ") == len(last.figures) - len(OF_MORE_STROKES)


def test_machines_get_the_same_lines(
    kept: tuple[Path, CycleRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    root, last = kept
    (found,) = json.loads(typed(["runs", str(root), "latest", "--budget", "--json"], capsys).out)
    assert (found["run"], found["cycle_no"]) == (RUN, 2)
    for figure, wanted in zip(found["figures"], last.figures, strict=True):
        assert (figure["figure"], figure["kind"], figure["u"]) == (wanted.name, last.kind, wanted.u)
        whole = 0.0 if wanted.name in OF_MORE_STROKES else 100.0
        assert sum(figure["shares_pct"]) == pytest.approx(whole)
        assert [line["name"] for line in figure["lines"]] == [line.name for line in wanted.budget]


def test_an_earlier_cycle_can_be_asked_for(
    kept: tuple[Path, CycleRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    root, _ = kept
    assert (
        typed(["runs", str(root), RUN, "--budget", "--cycle", "1"], capsys)
        .out.splitlines()[0]
        .endswith("cycle 1")
    )
    code, _, err = typed(["runs", str(root), RUN, "--budget", "--cycle", "7"], capsys)
    assert code == 2
    assert f"run {RUN} has no budget of cycle 7; allowed: a cycle from 1 to 2" in err


def test_each_order_of_a_cycle_is_shown_with_where_it_comes_from(
    kept: tuple[Path, CycleRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    root, last = kept
    code, out, err = typed(["runs", str(root), "latest", "--orders"], capsys)
    assert (code, err) == (0, "")
    assert too_wide(out) == []
    assert out.splitlines()[0] == f"pan-a1  {RUN}  cycle 2"
    spoken = " ".join(out.split())
    for row, origin in zip(last.cogging_orders, last.cogging_origins, strict=True):
        assert f" {row[0]} " in spoken
        assert origin in spoken
    (found,) = json.loads(typed(["runs", str(root), RUN, "--orders", "--json"], capsys).out)
    assert [row["order"] for row in found["ripple"]] == [row[0] for row in last.orders]
    assert [row["origin"] for row in found["ripple"]] == list(last.origins)
    assert [row["u_nm"] for row in found["cogging"]] == [row[3] for row in last.cogging_orders]
    assert (found["ripple_status"], found["cogging_status"]) == ("ok", "ok")
    earlier = typed(["runs", str(root), RUN, "--orders", "--cycle", "1"], capsys)
    assert earlier.out.splitlines()[0].endswith("cycle 1")
    code, _, err = typed(["runs", str(root), RUN, "--orders", "--cycle", "7"], capsys)
    assert code == 2
    assert f"run {RUN} has no cycle 7; allowed: a cycle from 1 to 2" in err


@pytest.mark.parametrize(
    ("status", "said"),
    [("ok", "no order above the noise"), ("incomplete", "no orders, because the figure is incomplete")],
)
def test_an_empty_table_of_orders_says_why(status: str, said: str) -> None:
    assert none_text(status) == said


def test_a_run_from_before_there_were_budgets_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Night(tmp_path).add_chunk(10_000)
    code, _, err = typed(["runs", str(tmp_path), RUN, "--budget"], capsys)
    assert code == 2
    assert f"run {RUN} has no budget; allowed: a run that was recorded with budgets" in err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--budget"], "--budget: is of one run; allowed: a RUN by its id, or latest"),
        (
            ["latest", "--cycle", "3"],
            "--cycle: chooses the cycle of a budget or of orders; allowed: only with --budget or --orders",
        ),
        (["--orders"], "--orders: is of one run; allowed: a RUN by its id, or latest"),
        (
            ["latest", "--orders", "--budget"],
            "--orders: is given together with --budget; allowed: one of the two",
        ),
    ],
)
def test_options_that_do_not_fit_are_refused(
    options: list[str], says: str, kept: tuple[Path, CycleRecord], capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = typed(["runs", str(kept[0]), *options], capsys)
    assert code == 2
    assert says in err


def test_the_word_repeatability_is_said_where_no_certificate_is() -> None:
    assert (cycle(1, certified=True).kind, cycle(1, certified=False).kind) == (BUDGET, REPEATABILITY)
    assert INTERVAL_IS[REPEATABILITY] == "± is repeatability"
    assert INTERVAL_IS[BUDGET] == "± is of the whole budget"


def test_a_budget_says_which_filter_nobody_stated_would_matter(kept: tuple[Path, CycleRecord]) -> None:
    root, _ = kept
    files = RealFiles(root)
    assert budget_of(Run(root, FIXTURE, RUN), None).filter == ""  # no device of the run was met
    for sheet, said in ((SHEET_BYTES, True), (changed("torque.filter_hz", 400), False)):
        met = SheetSince(chunk_no=1, epoch=1, sheet=sheet.decode())
        write_manifest(files, msgspec.structs.replace(READABLE, sheets=(met,)))
        found = budget_of(Run(root, FIXTURE, RUN), None).filter
        assert (
            found.startswith("Neither the rig file nor the device's sheet states a filter: a low-pass of ")
            == said
        )
        assert found.endswith("and no sample shows it.") == said
    write_manifest(files, manifest())
