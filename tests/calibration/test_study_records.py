"""What a study found, as lines of a file that is only added to."""

from datetime import UTC, datetime

import msgspec
import pytest

from nightturn.calibration.study_records import (
    Spread,
    StudiedFigure,
    StudyRecord,
    appended_study,
    file_of,
    parse_study_records,
    study_line,
)
from nightturn.errors import CalibrationError

PLAN = "slow turn at 3 rpm, hold 5 N·m at 3 rpm"
FRICTION = StudiedFigure("friction_nm", 2, Spread(0.5e-3, 12.0), Spread(1.6e-3, 2.4))
STUDY = StudyRecord(
    id="pan15/1",
    variant="pan15",
    plan=PLAN,
    rigs=("pan-a1", "pan-a2"),
    operators=("R. Vale",),
    units=("Q-0121", "Q-0203"),
    rounds=2,
    runs=("one", "two"),
    figures=(FRICTION,),
    kept_by="R. Vale",
    valid_from=datetime(2026, 11, 28, tzinfo=UTC),
)


def test_a_line_reads_back_and_a_changed_digit_fails_its_checksum() -> None:
    line = study_line(STUDY).decode()
    assert parse_study_records(line, where=file_of("pan15")) == (STUDY,)
    with pytest.raises(CalibrationError, match=r"studies/pan15\.jsonl, line 1: the line fails its checksum"):
        parse_study_records(line.replace("0.0005", "0.0004"), where=file_of("pan15"))


def test_a_record_speaks_of_its_own_speeds_and_method_only() -> None:
    assert STUDY.figure("friction_nm", 2, PLAN) == FRICTION
    assert STUDY.figure("friction_nm", 3, PLAN) is None
    assert STUDY.figure("friction_nm", 2, "slow turn at 9 rpm") is None
    assert STUDY.figure("ripple_pp_nm", 2, PLAN) is None
    assert STUDY.source == "study pan15/1 of 2026-11-28"


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"id": "pan15/1"}, "has an id that is used already"),
        ({"supersedes": "pan15/9"}, "supersedes 'pan15/9', which is not in the file (known: pan15/1)"),
        ({"variant": "pan20"}, "is of variant 'pan20', the file of 'pan15'"),
        ({"valid_from": datetime(2026, 1, 1, tzinfo=UTC)}, "sort the records by valid_from"),
        ({"figures": (FRICTION, FRICTION)}, "gives a figure twice; give each once"),
        ({"rigs": ("pan-a1",)}, "with one rig; leave it out, one rig says nothing of another"),
        (
            {"figures": (StudiedFigure("friction_nm", 2, Spread(float("inf"), 1.0)),)},
            "write finite numbers",
        ),
        (
            {"figures": (StudiedFigure("friction_nm", 2, Spread(2e-3, 3.0), Spread(1e-3, 3.0)),)},
            "elsewhere below its remounting, which is in it",
        ),
    ],
)
def test_what_does_not_fit_is_refused_with_its_remedy(changed: dict[str, object], said: str) -> None:
    new = msgspec.structs.replace(STUDY, **{"id": "pan15/2", **changed})
    with pytest.raises(CalibrationError) as refused:
        appended_study((STUDY,), new, "here")
    assert said in str(refused.value)
