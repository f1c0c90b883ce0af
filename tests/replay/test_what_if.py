"""The same tape under other limits: judged again, and honest about where the tape stops showing what would have happened."""

from pathlib import Path

import msgspec
import pytest
from replay_logs.make import FOLDER
from tests.cli.terminal import typed

from nightturn.cli.replay_text import what_if_lines
from nightturn.errors import ConfigError
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.jobs import CycleJob, worked_out
from nightturn.model.facts import CycleFinished
from nightturn.model.verdicts import REJECT
from nightturn.replay import what_if as room
from nightturn.replay.tapes import tape_of_file
from nightturn.replay.what_if import WhatIf, what_if
from nightturn.settings.limits import load_limits
from nightturn.settings.validate import RAW_LIMIT

TAPE = FOLDER / "healthy.ntj"


def asked(text: str, tmp_path: Path) -> WhatIf:
    file = tmp_path / "limits.toml"
    file.write_text(text, "utf-8")
    return what_if(tape_of_file(TAPE), load_limits(file, FIGURES, (RAW_LIMIT,)))


def test_a_tighter_acceptance_and_a_limit_that_only_warns_judge_otherwise_and_move_nothing(
    tmp_path: Path,
) -> None:
    warns = '[fixture.protect]\nfriction_nm = { max = 0.001, on_exceed = "warn" }\n'
    found = asked(f"[accept]\nfriction_nm = {{ max = 0.001 }}\n{warns}", tmp_path)
    assert found.cycles > 0
    assert {each.now for each in found.otherwise} == {REJECT}
    assert len(found.otherwise) == found.cycles
    assert found.now is not None
    assert [limit.figure for limit in found.now.limits] == ["friction_nm"]
    assert found.differs_ts is None
    assert found.missing == ()
    assert found.methods == ()


def test_a_protective_limit_that_would_have_stopped_says_when_and_that_the_tape_ends_there(
    tmp_path: Path,
) -> None:
    found = asked('[fixture.protect]\nfriction_nm = { max = 0.001, on_exceed = "stop" }\n', tmp_path)
    assert found.differs_ts is not None
    assert "was: nothing; would have been: friction_nm is" in found.differs
    assert "motion stops and the run ends" in found.differs
    assert "DRIVE" in found.differs
    assert found.otherwise == ()  # acceptance is as recorded


def test_raw_torque_beyond_its_limit_stops_in_the_middle_of_a_cycle(tmp_path: Path) -> None:
    found = asked('[fixture.protect]\ntorque_nm = { max = 2.0, on_exceed = "stop" }\n', tmp_path)
    assert found.differs_ts is not None
    assert "torque_nm is" in found.differs


def test_a_newer_method_is_named_and_its_figures_judge(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def newer(job: CycleJob) -> CycleFinished:
        made = worked_out(job)
        assert made.record is not None
        figures = tuple(
            msgspec.structs.replace(each, method=each.method + 1) if each.name == "friction_nm" else each
            for each in made.record.figures
        )
        return msgspec.structs.replace(made, record=msgspec.structs.replace(made.record, figures=figures))

    monkeypatch.setattr(room, "worked_out", newer)
    found = asked("[accept]\nfriction_nm = { max = 0.2 }\n", tmp_path)
    now = FIGURES["friction_nm"].method
    assert found.methods == (f"friction_nm: method {now} -> {now + 1}",)
    assert what_if_lines(found, "UTC")[0] == f"made by the methods of this version; {found.methods[0]}"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[accept]\nfrction_nm = { max = 1 }\n", 'unknown figure "frction_nm"; did you mean "friction_nm"'),
        ("[fixture.protect]\ntorque = { max = 1 }\n", 'unknown figure "torque"'),
        ("", "no limit is given"),
        ("[acept]\n", "acept"),
        ("[accept]\nfriction_nm = { maximum = 1 }\n", "maximum"),
    ],
)
def test_a_file_that_means_nothing_is_refused_with_where_and_what(
    text: str, said: str, tmp_path: Path
) -> None:
    with pytest.raises(ConfigError, match=r"limits\.toml") as refused:
        asked(text, tmp_path)
    assert said in str(refused.value)


def test_the_command_says_it_in_sentences(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "limits.toml"
    file.write_text(
        "[accept]\nfriction_nm = { max = 0.001 }\n[fixture.protect]\nfriction_nm = { max = 0.001 }\n", "utf-8"
    )
    outcome = typed(["replay", str(TAPE), "--what-if", str(file)], capsys)
    assert outcome.code == 0
    said = " ".join(outcome.out.split())
    assert "would be judged otherwise" in said
    assert "motion would first have been commanded otherwise at" in said
    assert "the tape does not show what would have happened" in said
