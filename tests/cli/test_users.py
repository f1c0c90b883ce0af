"""`nightturn users`: people are added before the first night, listed and revoked; a wrong name or folder changes nothing."""

import json
import re
from pathlib import Path

import pytest
from tests.cli.terminal import typed

BENCH = 'schema = 1\n[bench]\nlab = "quillfen"\ndata = "nights"\n'


@pytest.fixture(autouse=True)
def _at_a_bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bench.toml").write_text(BENCH, "utf-8")
    monkeypatch.chdir(tmp_path)


def test_the_first_person_is_added_before_the_first_night_and_gets_a_code(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, err = typed(["users", "add", "R. Vale", "--role", "operator"], capsys)
    assert (code, err) == (0, "")
    assert re.search(
        r"R\. Vale, operator: set-up code [0-9a-f-]{20,}, good once and for 24 h", " ".join(out.split())
    )

    code, out, _ = typed(["users", "list", "--json"], capsys)
    (listed,) = json.loads(out)
    assert (listed["name"], listed["role"], listed["set_up"], listed["sessions"]) == (
        "R. Vale",
        "operator",
        False,
        0,
    )


def test_who_is_revoked_is_not_listed_any_more(capsys: pytest.CaptureFixture[str]) -> None:
    typed(["users", "add", "A. Roe"], capsys)

    code, out, _ = typed(["users", "revoke", "A. Roe"], capsys)
    assert (code, out) == (0, "A. Roe: revoked, with every session\n")
    assert typed(["users", "list"], capsys).out.startswith("nobody may sign in;")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["revoke", "Nobody"], "'Nobody' is not known"),
        (["add"], "NAME"),
        (["add", "a\nb"], "NAME"),
        (["list", "--data", "typo"], "typo is not a folder"),
        (["add", "R. Vale", "--data", "typo"], "typo is not a folder"),
        (["add", "R. Vale", "--bench", "absent.toml"], "absent.toml"),
    ],
)
def test_what_cannot_be_done_is_said_and_changes_nothing(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "nights").mkdir()
    before = {each.name for each in tmp_path.rglob("*")}

    code, out, err = typed(["users", *words], capsys)

    assert (code, out) == (4 if "typo" in words else 2, "")  # 4: nothing lies there
    assert said in " ".join(err.split())
    assert {each.name for each in tmp_path.rglob("*")} == before
