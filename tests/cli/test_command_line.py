"""The command line as a whole: exit codes, help, and what it does not load."""

import subprocess
import sys
from pathlib import Path

import pytest
from tests.cli.terminal import typed
from tests.settings.bench_folder import RIG, spoilt, write_bench

from nightturn import errors
from nightturn.cli import VERBS, exit_code

HEAVY = ("numpy", "scipy", "pandas", "pyarrow", "serial", "aiomqtt", "msgspec", "rich")


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.ConfigError("x"), 2),
        (errors.CalibrationError("x"), 2),
        (errors.DeviceError("x"), 3),
        (errors.PortError("x"), 3),
        (errors.LinkLostError("x"), 3),
        (errors.DeviceMismatchError("x"), 3),
        (errors.TelemetryError("x"), 3),
        (errors.StorageError("x"), 4),
        (errors.RunNotFoundError("x"), 4),
        (errors.CorruptFileError("a", "x"), 4),
        (errors.SchemaVersionError("x"), 4),
        (errors.InsufficientSamplesError("x"), 1),
        (errors.NightturnError("x"), 1),
    ],
)
def test_every_kind_of_error_has_its_exit_code(error: errors.NightturnError, code: int) -> None:
    assert exit_code(error) == code


def test_an_error_is_one_line_on_stderr_without_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = typed(["check", str(tmp_path / "none.toml")], capsys)
    assert code == 2
    assert out == ""
    assert (
        err == f"nightturn: {tmp_path}/none.toml: no such file; allowed: the path of an existing TOML file\n"
    )


def test_several_mistakes_are_one_line_each(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = spoilt(spoilt(RIG, "strokes = 50", "strokes = 51"), '"quillfen"', '"Quillfen"')
    code, _, err = typed(["check", str(write_bench(tmp_path, text))], capsys)
    assert code == 2
    assert [line.startswith("nightturn: ") for line in err.splitlines()] == [True, True]


def test_help_states_the_purpose_the_safety_sentence_every_verb_and_the_exit_codes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, _ = typed(["--help"], capsys)
    words = " ".join(out.split())
    assert code == 0
    assert (
        "the motion lease is not a safety function; emergency stop, guards and safe torque off belong in certified "
        "hardware; follow local codes and qualified people" in words
    )
    assert all(f" {verb} " in words for verb in VERBS)
    assert "2 usage or configuration, 3 device, link or object store, 4 storage" in words


@pytest.mark.parametrize("verb", VERBS)
def test_the_help_of_every_verb_shows_an_example_of_itself(
    verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = typed([verb, "--help"], capsys)
    assert code == 0
    assert f"Example: nightturn {verb}" in " ".join(out.split())
    assert "--json" in out


def test_no_verb_at_all_is_answered_with_the_help_and_ends_with_0(capsys: pytest.CaptureFixture[str]) -> None:
    assert typed([], capsys) == typed(["--help"], capsys)
    assert typed([], capsys).code == 0


def test_an_example_with_a_question_mark_is_quoted_for_the_shell(capsys: pytest.CaptureFixture[str]) -> None:
    words = " ".join(typed(["virtual", "--help"], capsys).out.split())
    assert "Example: nightturn virtual 'pan15?seed=7' --link pan-a1.line" in words
    assert words.count("pan15?") == words.count("'pan15?")


def test_a_misspelt_verb_is_a_usage_error_with_a_suggestion(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = typed(["verfy"], capsys)
    assert code == 2
    assert "verfy" in err
    assert "Did you mean 'verify'?" in err


def test_a_missing_argument_is_a_usage_error(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = typed(["check"], capsys)
    assert code == 2
    assert "BENCH" in err


def test_the_version_is_the_package_s(capsys: pytest.CaptureFixture[str]) -> None:
    from importlib.metadata import version

    assert typed(["--version"], capsys) == (0, f"nightturn {version('nightturn')}\n", "")


def test_help_loads_nothing_heavy() -> None:
    program = (
        "import sys\nfrom nightturn.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        f"print('LOADED', sorted(set({HEAVY!r}) & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "LOADED []"
