"""`push`, and `runs` of what it copied: a line a run, JSON for machines, 3 for the store and 4 for the data root."""

import json
import socket
from pathlib import Path

import pytest
from tests.cli.terminal import sentences, typed
from tests.storage.s3_server import BUCKET, s3_server
from tests.storage.scenario import RUN
from tests.storage.test_tidying import two_nights

from nightturn.storage.object_store import ObjectStore

RUN_OPTION = "--run"
TO = f"s3://{BUCKET}/basement"


@pytest.fixture(autouse=True)
def _credentials(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "invented")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "invented")


def test_lines_json_and_exit_codes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    root = tmp_path / "nights"
    two_nights(root)
    with s3_server() as endpoint:
        code, out, _ = typed(["push", str(root), TO, "--endpoint", endpoint], capsys)
        said = sentences(out)
        assert code == 0
        assert any(line.startswith(f"pan-a1 {RUN}: ") and "of them sent now" in line for line in said)
        assert any(line.endswith("has not ended; it is pushed when it has") for line in said)
        code, out, _ = typed(["push", str(root), TO, "--endpoint", endpoint, "--json"], capsys)
        again = json.loads(out)
        assert (code, again["ok"], {each["sent"] for each in again["runs"]}) == (0, True, {0})
        chunk = next(path for path in root.rglob("c*.parquet") if RUN in path.as_posix())
        chunk.write_bytes(b"PAR1")
        code, out, _ = typed(["push", str(root), TO, "--endpoint", endpoint], capsys)
        assert (code, chunk.name in "".join(sentences(out))) == (4, True)
        code, _, err = typed(["push", str(root), "s3://nowhere", "--endpoint", endpoint], capsys)
        assert (code, "has no bucket nowhere" in err) == (3, True)


def test_a_server_that_does_not_answer_ends_with_3_and_no_place_with_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        nowhere = f"http://127.0.0.1:{free.getsockname()[1]}"
    code, _, err = typed(["push", str(tmp_path), TO, "--endpoint", nowhere], capsys)
    assert (code, "cannot be reached" in err) == (3, True)
    code, _, err = typed(["push", str(tmp_path), "nights"], capsys)
    assert (code, "s3://BUCKET/PREFIX" in err) == (2, True)


def test_runs_lists_what_was_pushed_as_on_the_disk_and_names_a_half(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root, to = tmp_path / "nights", f"{TO}/{tmp_path.name}"
    two_nights(root)
    with s3_server() as endpoint:
        at = ["--endpoint", endpoint]
        assert typed(["push", str(root), to, *at], capsys)[0] == 0
        code, out, _ = typed(["runs", to, *at, "--json"], capsys)
        pushed = json.loads(out)
        code_here, out, _ = typed(["runs", str(root), "--json"], capsys)
        here = [each for each in json.loads(out) if each["state"] == "ended"]
        assert (code, code_here, pushed) == (0, 0, here)
        for words in (["runs", to, *at], ["runs", to, "latest", *at], ["runs", to, RUN, "--budget", *at]):
            code, out, _ = typed(words, capsys)
            assert (code, "pan-a1" in out and RUN in out) == (0, True)
        code, out, _ = typed(["verify", to, RUN_OPTION, RUN, *at], capsys)
        assert "not checked: whether the samples are those of the tape" in " ".join(sentences(out))
        code_here, _, _ = typed(["verify", str(root), RUN_OPTION, RUN], capsys)
        assert code == code_here
        code, _, err = typed(["verify", to, "--rebuild", *at], capsys)
        assert (code, "--rebuild" in err) == (2, True)
        store = ObjectStore(to, endpoint)
        store.remove(f"runs/pan-a1/{RUN}.json")
        code, out, _ = typed(["verify", to, RUN_OPTION, "all", *at], capsys)
        assert (code, f"run {RUN} of pan-a1 is not whole" in " ".join(sentences(out))) == (3, True)
        code, out, _ = typed(["runs", to, *at], capsys)
        said = " ".join(sentences(out))
        assert (code, f"run {RUN} of pan-a1 is not whole in {to}" in said, "verify" in said) == (
            0,
            True,
            False,
        )
        code, _, err = typed(["runs", to, RUN, *at], capsys)
        assert (code, "sends last, is not there as a whole; push it again" in " ".join(sentences(err))) == (
            3,
            True,
        )
        code, _, err = typed(["runs", "s3://nowhere", *at], capsys)
        assert (code, "has no bucket nowhere" in err) == (3, True)
    code, _, err = typed(["runs", to, *at], capsys)
    assert (code, "cannot be reached" in err) == (3, True)
    code, _, err = typed(["runs", str(root), *at], capsys)
    assert (code, "s3://BUCKET/PREFIX" in err) == (2, True)
