"""The rig's record of a run: in order where it is there as the run was opened with it, else named with its file."""

from pathlib import Path

import msgspec
import pytest
from tests.calibration.test_rig_records import GOOD, line

from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest
from nightturn.storage.verify_beside import Found, rig_records

OTHER = msgspec.structs.replace(GOOD, speed_rpm=GOOD.speed_rpm * 2)


def found(root: Path, text: str | None, *, opened_with: str) -> list[Found]:
    folder = root / "rigs"
    folder.mkdir()
    if text is not None:
        (folder / f"{GOOD.fixture}.jsonl").write_text(text)
    manifest = Manifest(
        fixture=GOOD.fixture, run="20261125T213000Z-4f1c", started_utc_ns=0, rig_record=opened_with
    )
    return list(rig_records(RealFiles(root), manifest))


@pytest.mark.parametrize("opened_with", ["", line(GOOD)])
def test_a_record_that_is_there_is_in_order(tmp_path: Path, opened_with: str) -> None:
    assert found(tmp_path, line(GOOD) + "\n", opened_with=opened_with) == []


def test_a_run_without_one_needs_none(tmp_path: Path) -> None:
    assert found(tmp_path, None, opened_with="") == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, f"is absent; the run was opened with its record {GOOD.id!r}"),
        (line(OTHER) + "\n", f"does not hold record {GOOD.id!r} as the run was opened with it"),
        ("{}\n", "line 1"),
    ],
)
def test_one_that_is_absent_changed_or_no_record_is_named(
    tmp_path: Path, text: str | None, said: str
) -> None:
    (problem,) = found(tmp_path, text, opened_with=line(GOOD))
    assert (problem.kind, problem.path, problem.wrong) == ("rig_record", f"rigs/{GOOD.fixture}.jsonl", True)
    assert said in problem.detail
