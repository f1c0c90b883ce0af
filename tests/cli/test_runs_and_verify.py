"""`runs` and `verify`: what lies under a data root, and whether it is whole."""

import json
import re
import shutil
from pathlib import Path

import msgspec
import pytest
from replay_logs.make import Recorded
from tests.cli.terminal import too_wide, typed
from tests.recorded import recorded as recording
from tests.replay.scenes import MEASURED

from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import manifests, write_manifest


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return recording(tmp_path_factory, MEASURED)


@pytest.fixture
def root(recorded: Recorded, tmp_path: Path) -> Path:
    """A copy to be spoilt."""
    shutil.copytree(recorded.root, tmp_path / "nights")
    return tmp_path / "nights"


def test_runs_are_listed_with_what_stood_there_and_how_much(
    recorded: Recorded, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = typed(["runs", str(recorded.root)], capsys)
    assert code == 0
    first, second, third, fourth = out.splitlines()
    assert first.split() == ["pan-a1", recorded.run, "interrupted"]
    assert second == "  unit Q-0117, variant pan15, started 2026-11-25 21:00:00 +00:00"
    motion, cycles, samples, gaps = third.strip().split(", ")
    assert motion == "motion was announced"  # nothing is known of now
    assert (cycles, gaps) == ("3 cycles", "1 gaps")
    assert int(samples.removesuffix(" samples")) > 160_000
    assert fourth == "  night so far: undecided, engineering"


def test_the_longest_names_leave_the_run_id_whole_in_eighty_columns(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = RealFiles(root)
    (manifest,) = manifests(files)
    card = msgspec.json.decode(manifest.card)
    longest = msgspec.json.encode({**card, "unit": "Q" * 32, "variant": "v" * 32}).decode()
    write_manifest(files, msgspec.structs.replace(manifest, card=longest))
    out = typed(["runs", str(root)], capsys).out
    assert too_wide(out) == []
    assert f"pan-a1  {manifest.run}  " in out
    assert "Q" * 32 in out


def test_people_read_the_clocks_of_the_bench_and_machines_utc(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = RealFiles(root)
    (manifest,) = manifests(files)
    write_manifest(files, msgspec.structs.replace(manifest, timezone="Asia/Kathmandu"))
    assert "2026-11-26 02:45:00 +05:45" in typed(["runs", str(root)], capsys).out
    assert "  from 2026-11-26 02:45:0" in typed(["verify", str(root)], capsys).out
    (told,) = json.loads(typed(["runs", str(root), "--json"], capsys).out)
    assert (told["started_utc"], told["timezone"]) == ("2026-11-25T21:00:00Z", "Asia/Kathmandu")


def test_runs_as_json(recorded: Recorded, capsys: pytest.CaptureFixture[str]) -> None:
    (told,) = json.loads(typed(["runs", str(recorded.root), "--json"], capsys).out)
    assert (told["fixture"], told["run"], told["unit"], told["cycles"], told["gaps"]) == (
        "pan-a1",
        recorded.run,
        "Q-0117",
        3,
        1,
    )


def test_a_folder_without_runs_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert typed(["runs", str(tmp_path)], capsys) == (0, f"{tmp_path} contains no runs\n", "")
    assert typed(["runs", str(tmp_path), "--json"], capsys).out == "[]\n"
    code, _, err = typed(["runs", str(tmp_path / "none")], capsys)
    assert code == 4
    assert "is not a folder; give the data root" in err


def test_a_whole_run_is_ok_and_its_gap_explained(
    recorded: Recorded, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = typed(["verify", str(recorded.root)], capsys)
    assert code == 0
    first, *_, last = out.splitlines()
    assert first == f"pan-a1 {recorded.run}, interrupted: ok"
    assert too_wide(out) == []
    assert re.search(r"missing and explained: 1 gap: 1 link; \d+ samples\n", out)
    assert last == "everything is there or explained"


@pytest.mark.parametrize("run", ["latest", "all"])
def test_verify_as_json(recorded: Recorded, run: str, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["verify", str(recorded.root), "--fixture", "pan-a1", "--run", run, "--json"]
    code, out, _ = typed(arguments, capsys)
    told = json.loads(out)
    assert (code, told["ok"]) == (0, True)
    (report,) = told["runs"]
    assert report["produced"] == report["stored"] + report["missing"]
    assert report["problems"] == []


def test_a_flipped_bit_is_named_and_ends_with_one(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chunk = next((root / "raw").rglob("*.parquet"))
    content = bytearray(chunk.read_bytes())
    content[len(content) // 2] ^= 4
    chunk.write_bytes(content)
    code, out, err = typed(["verify", str(root)], capsys)
    assert (code, err) == (1, "")
    assert chunk.name in out
    assert "".join(out.split()).count(f"corrupt:{chunk.relative_to(root)}CRC-32C") == 1
    assert too_wide(out) == []
    assert out.splitlines()[-1] == "1 of 1 runs are not in order"
    told = json.loads(typed(["verify", str(root), "--json"], capsys).out)
    assert not told["ok"]
    assert "corrupt" in {problem["kind"] for problem in told["runs"][0]["problems"]}


def test_a_gap_without_its_row_is_not_explained(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.rmtree(root / "gaps")
    code, out, _ = typed(["verify", str(root)], capsys)
    assert code == 1
    assert "samples missing without a gap row" in out


def test_a_run_or_root_that_is_none_is_one_line(
    recorded: Recorded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for arguments, message in (
        ([str(tmp_path)], "contains no runs; is it the data root"),
        ([str(recorded.root), "--run", "../x"], "is not a run id"),
        ([str(recorded.root), "--fixture", "pan-z9"], "contains no runs of pan-z9; it has pan-a1"),
    ):
        code, out, err = typed(["verify", *arguments], capsys)
        assert (code, out) == (4, "")
        assert message in err
        assert len(err.splitlines()) == 1


def test_the_runs_of_one_unit_are_listed(recorded: Recorded, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = typed(["runs", str(recorded.root), "--unit", "Q-0117", "--json"], capsys)
    assert (code, [each["run"] for each in json.loads(out)]) == (0, [recorded.run])
    none = typed(["runs", str(recorded.root), "--unit", "Q-1"], capsys)
    assert (none.code, none.out) == (0, f"{recorded.root} contains no runs of unit Q-1\n")
    assert typed(["runs", str(recorded.root), "latest", "--unit", "Q-0117"], capsys).code == 2
