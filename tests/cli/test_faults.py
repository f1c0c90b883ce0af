"""No error of Python reaches a person: a sentence, an exit code, and where it happened for who asks."""

import json
from pathlib import Path

import pytest
from tests.cli.terminal import typed

from nightturn.errors import DEBUG, StorageError, fault
from nightturn.storage import runs


def breaks(error: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    """Have `nightturn runs` meet an error that nobody expects."""

    def list_runs(_root: Path, _unit: str | None = None) -> None:
        raise error

    monkeypatch.setattr(runs, "list_runs", list_runs)


@pytest.fixture(autouse=True)
def quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(DEBUG, "")


def test_a_fault_of_ours_is_one_line_that_says_what_to_send(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    breaks(KeyError("friction_nm"), monkeypatch)
    code, out, err = typed(["runs", "nights"], capsys)
    assert (code, out) == (1, "")
    (line,) = err.splitlines()
    assert line.startswith("nightturn: a fault of nightturn itself, not of yours: KeyError at cli/runs.py:")
    assert line.endswith("please report this line with the command; --debug shows more")


def test_an_error_of_the_system_is_its_sentence_and_ends_with_4(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    breaks(OSError(28, "No space left on device", "nights/x"), monkeypatch)
    assert typed(["runs", "nights"], capsys) == (4, "", "nightturn: No space left on device: 'nights/x'\n")


@pytest.mark.parametrize("arguments", [["--debug", "runs", "nights"], ["runs", "nights", "--debug"]])
def test_debug_shows_where_it_happened_wherever_it_is_typed(
    arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    breaks(KeyError("friction_nm"), monkeypatch)
    _, _, err = typed(arguments, capsys)
    assert "Traceback" in err
    assert "KeyError: 'friction_nm'" in err


def test_an_error_of_ours_never_carries_the_number_of_the_systems_error() -> None:
    with pytest.raises(OSError) as caught:  # noqa: PT011 - which one is what the line below is about
        Path("no/such/place").read_bytes()
    assert (
        str(StorageError(f"cannot be read: {caught.value}"))
        == "cannot be read: No such file or directory: 'no/such/place'"
    )


def test_a_fault_names_the_last_place_in_nightturn() -> None:
    with pytest.raises(TypeError) as caught:
        runs.open_run(None)  # type: ignore[arg-type]  # a fault, on purpose
    assert fault(caught.value).startswith("TypeError at storage/stored.py:")
    assert fault(json.JSONDecodeError("x", "y", 0)) == "JSONDecodeError"
