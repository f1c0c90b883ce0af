"""A night whose core state is lost: the verdict is made again from the run's cycles, or says what it does not know."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.bench.test_damaged_tape import open_tape
from tests.bench.test_side_files import of_another_state
from tests.simulation.night_scene import manifest_of, night, quick, verdict_of
from tests.simulation.scene import FAST, settings_of

from nightturn.fixture.night import TAPE_LOST
from nightturn.model.nights import NightVerdict
from nightturn.model.verdicts import REJECT, UNDECIDED
from nightturn.storage.runs import list_runs

PLANNED = 12
BRIEF = settings_of(plan=quick(PLANNED), after_restart="resume", chunk_s=40.0)
BAD = range(3, 6)


@pytest.fixture(scope="module")
def left(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, NightVerdict]:
    """Three rejects between three good cycles before and two after; the host has closed, for an update."""
    root = tmp_path_factory.mktemp("left")
    scene = night(root, PLANNED, BAD, until=8, settings=BRIEF)
    found = verdict_of(scene)
    assert found.word == REJECT
    assert found.reasons[0].endswith("; cycles 4 to 6 each reject")
    return root, found


def without_state(root: Path, tmp_path: Path, *, sealed: bool) -> Path:
    """What the next version finds: a state that it does not know; the older tape may be there or gone to retention."""
    copy = tmp_path / "nights"
    shutil.copytree(root, copy)
    of_another_state(open_tape(copy))
    for path in (copy / "journal" / FAST.id / "sealed").glob("*.ntj"):
        if not sealed:
            path.unlink()
    return copy


def begun_again(root: Path) -> NightVerdict:
    """The verdict with which the next daemon goes on; its run is the same."""
    (before,) = list_runs(root)
    found = verdict_of(night(root, PLANNED, until=0, later_s=60.0, settings=BRIEF))
    (after,) = list_runs(root)
    assert (after.run, after.night_verdict) == (before.run, found)
    return found


@pytest.mark.parametrize("sealed", [True, False], ids=["sealed tape", "chunks alone"])
def test_a_state_of_another_version_changes_nothing_about_the_nights_verdict(
    left: tuple[Path, NightVerdict], tmp_path: Path, sealed: bool
) -> None:
    root, before = left
    assert manifest_of(root).night_verdict == before
    assert begun_again(without_state(root, tmp_path, sealed=sealed)) == before


def damaged(path: Path) -> None:
    content = bytearray(path.read_bytes())
    place = (
        60 if path.suffix == ".parquet" else len(content) // 3
    )  # in the first page, whatever the footer's size
    content[place] ^= 1
    path.write_bytes(content)


def gone(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize("harm", [damaged, gone])
def test_a_chunk_of_cycles_that_cannot_be_read_is_said_with_its_cycles(
    left: tuple[Path, NightVerdict], tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    copy = without_state(left[0], tmp_path, sealed=False)
    chunks = sorted((copy / "cycles").rglob("*.parquet"))
    assert len(chunks) >= 3
    harm(chunks[-1])
    found, before = begun_again(copy), left[1]
    missing = before.cycles - found.cycles
    assert missing > 0
    (said,) = [reason for reason in found.reasons if "not counted" in reason]
    which = (
        f"cycles {found.cycles + 1} to {before.cycles} are" if missing > 1 else f"cycle {before.cycles} is"
    )
    assert said.startswith(f"{which} not counted: ")
    assert ("is damaged" in said) == (harm is damaged)
    assert found.word in {REJECT, UNDECIDED}


@pytest.mark.parametrize("harm", [damaged, gone], ids=["damaged snapshot", "no tape"])
def test_rejects_stay_although_records_behind_them_may_be_lost(
    left: tuple[Path, NightVerdict], tmp_path: Path, harm: Callable[[Path], None]
) -> None:
    copy = without_state(left[0], tmp_path, sealed=False)
    harm(open_tape(copy))
    found, before = begun_again(copy), left[1]
    assert (found.word, found.limits) == (REJECT, before.limits)
    assert set(found.reasons) - set(before.reasons) == {
        f"cycles after cycle {before.cycles} may be missing from the count: {TAPE_LOST}"
    }
