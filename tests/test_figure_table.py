"""One row more in the table of figures reaches everything that names figures, without another edit."""

import json
from pathlib import Path

import pytest
from tests.cli.terminal import typed
from tests.estimation.synthetic import Bench, cycles_of, record
from tests.settings.bench_folder import RIG, VARIANT, spoilt, write_bench

from nightturn.bench.sinks import Tally
from nightturn.demo.night import Night
from nightturn.demo.scenario import CARDS, write_scene
from nightturn.demo.summary import lines, rows
from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.draft import Draft
from nightturn.estimation.figure_drafts import Basis
from nightturn.estimation.figures import FIGURES, FigureSpec
from nightturn.estimation.finish import finish_cycle
from nightturn.fixture.stream import accept_limits
from nightturn.model.figures import CycleRecord
from nightturn.model.phases import HOLD, SLOW_TURN
from nightturn.model.records import Emit
from nightturn.model.rows import CYCLES
from nightturn.settings.load import load_rig, load_variant
from nightturn.storage.datasets import cycles_table, schema_of
from nightturn.telemetry import payloads
from nightturn.telemetry.payloads import Stamp

BENCH = Bench(rate_hz=1000, slow_rpm=4.0, hold_rpm=6.0)
DRAG = "drag_nm"


def drag(basis: Basis) -> Draft:
    """What a figure of tomorrow may make of a cycle: a fiftieth of the torque held."""
    return Draft(basis.conditions.hold_torque_nm / 50, 0.001, 4.0, 3)


@pytest.fixture(autouse=True)
def _one_row_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(FIGURES, DRAG, FigureSpec(DRAG, "N·m", "Drag of tomorrow", HOLD, drag, "drag"))


def cycle(*accept: AcceptLimit) -> CycleRecord:
    return finish_cycle(cycles_of(record(BENCH))[0], BENCH.conditions(accept=accept), 0, 1, 2, 3)


def test_a_record_carries_it_with_its_uncertainty() -> None:
    found = cycle().figures[-1]
    assert (found.name, found.value, found.u, found.status, found.n, found.method) == (
        DRAG,
        0.1,
        0.001,
        "ok",
        3,
        1,
    )
    assert found.nu == pytest.approx(4.0, rel=1e-12)


@pytest.mark.parametrize(("phase", "word"), [(HOLD, "accept"), (SLOW_TURN, "not judged")])
def test_a_limit_on_it_holds_at_the_speed_of_its_phase(
    phase: str, word: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(FIGURES, DRAG, FigureSpec(DRAG, "N·m", "Drag of tomorrow", phase, drag))
    assert cycle(AcceptLimit(DRAG, 0.15, at_rpm=6.0)).verdict == word


def test_it_is_a_column_with_its_unit_and_title() -> None:
    table = cycles_table([cycle()])
    assert table[DRAG].to_pylist() == [0.1]
    assert table[f"{DRAG}_nu"].to_pylist() == [4.0]
    metadata = schema_of(CYCLES).field(DRAG).metadata
    assert metadata is not None
    assert {"N·m".encode(), b"Drag of tomorrow"} <= set(metadata.values())


def test_it_is_published() -> None:
    told = json.loads(payloads.cycle(cycle(), Stamp(1, "b7")))
    assert (told[DRAG], told[f"{DRAG}_u"], told[f"{DRAG}_status"]) == (0.1, 0.001, "ok")


def test_rig_and_variant_may_limit_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    protect = "friction_nm = { max = 0.40"
    rig = spoilt(RIG, protect, f'{DRAG} = {{ max = 0.5, on_exceed = "warn" }}\n{protect}')
    variant = spoilt(VARIANT, "[accept]", f"[accept]\n{DRAG} = {{ max = 0.2, at_rpm = 12.0 }}")
    bench = write_bench(tmp_path, rig, variant)
    code, out, err = typed(["check", str(bench)], capsys)
    assert (code, err) == (0, "")
    assert f"{DRAG} is accepted at 12 rpm, but its phase hold turns at 3 rpm" in " ".join(out.split())
    monkeypatch.delitem(FIGURES, DRAG)
    code, _, err = typed(["check", str(bench)], capsys)
    assert code != 0
    assert f'unknown limit "{DRAG}"' in err


def test_the_demo_shows_it_in_a_row_of_its_own(tmp_path: Path) -> None:
    bench = write_scene(tmp_path, 1.0, 1)
    rig, tally = load_rig(bench), Tally()
    fixture = rig.fixture[0].id
    accept = accept_limits(load_variant(bench.parent, CARDS[fixture].variant))
    tally.offer(fixture, Emit(CYCLES, cycle(*accept)))
    runs = {settings.id: "20261125T213000Z-4f1c" for settings in rig.fixture}
    first, second, _ = lines(Night(rig, bench, tmp_path, tally, runs, "no broker", 0, 1.0, 5))
    assert dict(rows(first))["drag"] == "100.0 ± 2.8 mN·m"  # Student's t with 4 degrees of freedom: 2.776
    assert dict(rows(second))["drag"] == "none"
