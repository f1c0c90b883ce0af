"""Earlier nights from files: what the process for it reads, and a damaged or foreign store is left out, counted and said."""

from pathlib import Path

import msgspec
import pytest
from tests.storage.scenario import FIXTURE, STARTED_NS, cycle_record
from tests.storage.store import Night
from tests.storage.store import opened as plain
from tests.unit_history.nights import usual_settings

from nightturn.estimation.figures import FIGURES, FRICTION
from nightturn.model.facts import RunOpened
from nightturn.model.records import Emit
from nightturn.model.rows import CYCLES
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import of_opened, write_manifest
from nightturn.storage.unit_runs import runs_of_unit
from nightturn.trend.earlier import EARLIER, Earlier, first_night
from nightturn.unit_history import nights
from nightturn.unit_history.asked import with_earlier
from nightturn.unit_history.earlier import earlier_of

RUN, NEXT = "20261125T213000Z-4f1c", "20261126T213000Z-77aa"
SAMPLES = 3000


def opened(run: str, unit: str = "Q-0121") -> RunOpened:
    usual = usual_settings()
    calibration = msgspec.structs.replace(usual.calibration, id="TR-204/3")
    card = msgspec.structs.replace(usual.card, unit=unit)
    return msgspec.structs.replace(
        plain(run),
        rig=msgspec.json.encode(usual.fixture).decode(),
        variant=msgspec.json.encode(usual.variant).decode(),
        calibration=msgspec.json.encode(calibration).decode(),
        card=msgspec.json.encode(card).decode(),
        started_utc_ns=STARTED_NS,
        watch_threshold=8.0,
    )


def stored(root: Path, *, run: str = RUN, cycles: int = 6, method: int = FIGURES[FRICTION].method) -> None:
    """A run with so many cycles that have friction."""
    night, rows = Night(root, run), []
    write_manifest(RealFiles(root), of_opened(FIXTURE, opened(run), "1.0"))
    for number in range(1, cycles + 1):
        record = cycle_record(number)
        made = msgspec.structs.replace(record.figures[0], method=method)
        turned = 1 if number % 2 else -1
        row = msgspec.structs.replace(record, run=run, direction=turned, figures=(made,))
        rows.append(Emit(CYCLES, row))
    night.add_chunk(SAMPLES, rows=rows)


def read(root: Path) -> Earlier:
    return earlier_of(root, opened(NEXT))


def test_the_process_that_reads_earlier_nights_gives_the_cycles_of_the_unit_and_what_it_used(
    tmp_path: Path,
) -> None:
    stored(tmp_path)
    found = EARLIER.decode(with_earlier(tmp_path, opened(NEXT)).earlier)
    assert found == read(tmp_path)
    assert found.said == (
        f"Q-0121 on {FIXTURE}: the watch goes on behind 6 cycles of 1 earlier night on this mounting"
    )
    assert {way: [each.cycle_no for each in part] for way, part in found.points.items()} == {
        1: [1, 3, 5],
        -1: [2, 4, 6],
    }
    place = [name for name, spec in FIGURES.items() if spec.followed].index(FRICTION)
    assert {point.values[place] for part in found.points.values() for point in part} == {0.110}


def test_another_unit_of_the_store_is_no_earlier_night(tmp_path: Path) -> None:
    stored(tmp_path)
    found = earlier_of(tmp_path, opened(NEXT, unit="Q-0999"))
    assert (found.points, found.said.partition(":")[0]) == ({}, "no earlier night of Q-0999 is stored")


def test_a_manifest_that_names_another_unit_than_the_catalogue_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stored(tmp_path)
    assert read(tmp_path).points
    found = runs_of_unit(tmp_path, "Q-0121")
    monkeypatch.setattr(nights, "runs_of_unit", lambda _root, _unit: found)
    write_manifest(RealFiles(tmp_path), of_opened(FIXTURE, opened(RUN, unit="Q-0999"), "1.0"))
    other = read(tmp_path)
    assert other.points == {}
    assert f"{RUN}: its card says unit Q-0999" in other.said
    assert not other.whole


def test_figures_by_an_older_method_are_not_used(tmp_path: Path) -> None:
    stored(tmp_path, method=FIGURES[FRICTION].method - 1)
    found = read(tmp_path)
    assert found.points == {}
    assert "not used: friction, made by an older or newer method" in found.said


def test_damaged_cycles_are_left_out_with_why_and_the_other_nights_are_used(tmp_path: Path) -> None:
    stored(tmp_path)
    stored(tmp_path, run="20261124T213000Z-1111", cycles=4)
    (path,) = (tmp_path / "cycles").rglob(f"run={RUN}/*.parquet")
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes(content)
    found = read(tmp_path)
    assert sum(len(part) for part in found.points.values()) == 4
    assert f"; left out: {RUN}: " in found.said
    assert not found.whole


def test_runs_of_other_units_start_no_process(tmp_path: Path) -> None:
    usual, nobody = opened(NEXT), ("/bin/false",)
    for each in (opened(RUN, "Q-0999"), usual):
        write_manifest(RealFiles(tmp_path), of_opened(FIXTURE, each))
    assert EARLIER.decode(with_earlier(tmp_path, usual, nobody).earlier) == first_night("Q-0121")
    lost = msgspec.structs.replace(usual, resumed=True, lost="the run's tape cannot be read")
    assert not EARLIER.decode(
        with_earlier(tmp_path, lost, nobody).earlier
    ).whole  # its own cycles would count
