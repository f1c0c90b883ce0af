"""A pack is whole or says what is not: checked by sha256sum without us, by `verify` with more."""

import hashlib
import json
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from tests.cli.terminal import sentences, too_wide, typed
from tests.reanalysis.conftest import SHORT
from tests.recorded import recorded

from nightturn.errors import StorageError
from nightturn.export import unpacked
from nightturn.export.packed import MANIFEST, SUMS
from nightturn.export.unpacked import checked_pack
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import ENDED, manifests, write_manifest

Files = dict[str, bytes]


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recorded night with a guard and a gap, which has ended."""
    made = recorded(tmp_path_factory, SHORT)
    files = RealFiles(made.root)
    (manifest,) = manifests(files)
    write_manifest(files, msgspec.structs.replace(manifest, state=ENDED))
    return made.root


@pytest.fixture(scope="module")
def made(nights: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its pack."""
    from nightturn.export.asked import exported_as

    folder = tmp_path_factory.mktemp("pack")
    told = exported_as(
        nights, "latest", kind="pack", unit="", fixture="", begin="", end="", calibration="current",
        folder=folder, overwrite=False,
    )  # fmt: skip
    (path,) = folder.iterdir()
    assert [path.name] == list(told.exported.files)
    assert told.sums_sha256 == checked_pack(path).sums_sha256
    return path


def inside(path: Path) -> Files:
    with zipfile.ZipFile(path) as opened:
        return {each: opened.read(each) for each in opened.namelist()}


def packed(files: Files, path: Path) -> Path:
    with zipfile.ZipFile(path, "w") as written:
        for name, content in files.items():
            written.writestr(name, content)
    return path


def named(files: Files, ending: str) -> str:
    return next(each for each in files if each.endswith(ending))


def test_plain_sha256sum_checks_the_unpacked_folder(made: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(made) as opened:
        opened.extractall(tmp_path)
    (folder,) = tmp_path.iterdir()
    call = ["sha256sum", "-c", "--strict", SUMS]
    done = subprocess.run(call, cwd=folder, capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")
    assert len(done.stdout.splitlines()) == len(list(folder.iterdir())) - 1
    (folder / MANIFEST).write_text("{}")
    done = subprocess.run(call, cwd=folder, capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, f"{MANIFEST}: FAILED" in done.stdout) == (1, True)


def test_it_holds_report_samples_gaps_guide_and_manifest_that_agree(made: Path) -> None:
    files = inside(made)
    assert {each.partition("/")[0] for each in files} == {made.stem}
    ends = (".html", ".parquet", ".gaps.csv", ".guide.md", "/README.txt", f"/{MANIFEST}", f"/{SUMS}")
    assert sorted(files) == sorted(named(files, each) for each in ends)
    manifest = json.loads(files[named(files, MANIFEST)])
    assert (manifest["samples"], manifest["gaps"], manifest["missing"]) == (118997, 1, 5900)
    assert b"<!DOCTYPE html>" in files[named(files, ".html")]
    assert b"sha256sum -c SHA256SUMS" in files[named(files, "README.txt")]


def test_a_whole_pack_is_said_to_be_so_and_by_what(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["verify", str(made)], capsys)
    assert (code, err, too_wide(out)) == (0, "", [])
    said = " ".join(out.split())
    assert "118997 samples, 5900 missing in 1 gap" in said
    assert "files that agree with their checksums: 6" in said
    sums = inside(made)[f"{made.stem}/{SUMS}"]
    assert f"SHA-256 of {SUMS}: {hashlib.sha256(sums).hexdigest()}" in said
    assert "that the list is the maker's, only its SHA-256 shows" in said
    assert json.loads(typed(["verify", str(made), "--json"], capsys).out)["ok"]


def _flip(ending: str) -> Callable[[Files], None]:
    def spoil(files: Files) -> None:
        name = named(files, ending)
        files[name] = files[name][:-9] + bytes([files[name][-9] ^ 1]) + files[name][-8:]

    return spoil


def _drop(ending: str) -> Callable[[Files], None]:
    return lambda files: files.__delitem__(named(files, ending))


def _add(name: str) -> Callable[[Files], None]:
    return lambda files: files.__setitem__(name, b"more")


def _fewer_gaps(files: Files) -> None:
    """Gaps and list changed together, as somebody would who hides one."""
    gaps, sums = named(files, ".gaps.csv"), named(files, SUMS)
    before = hashlib.sha256(files[gaps]).hexdigest()
    files[gaps] = b"\n".join(files[gaps].splitlines()[:1]) + b"\n"
    files[sums] = files[sums].replace(before.encode(), hashlib.sha256(files[gaps]).hexdigest().encode())


@pytest.mark.parametrize(
    ("spoil", "file", "said"),
    [
        (_flip(".html"), ".html", "its SHA-256 is another"),
        (_flip(".parquet"), ".parquet", "its SHA-256 is another"),
        (_flip(".guide.md"), ".guide.md", "its SHA-256 is another"),
        (_drop(".gaps.csv"), ".gaps.csv", f"is absent; {SUMS} lists it"),
        (_drop(SUMS), SUMS, "is absent"),
        (_drop(MANIFEST), MANIFEST, "is absent"),
        (_add("pack-more/x.txt"), "pack-more/x.txt", "lies outside the folder of the pack"),
        (_add("../x.txt"), "../x.txt", "lies outside the folder of the pack"),
        (_fewer_gaps, ".gaps.csv", f"has 0 rows of gaps, {MANIFEST} says 1"),
    ],
)
def test_a_tampered_pack_is_found_with_the_file_named(
    made: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    spoil: Callable[[Files], None],
    file: str,
    said: str,
) -> None:
    files = inside(made)
    spoil(files)
    path = packed(files, tmp_path / made.name)
    problems = checked_pack(path).problems
    assert any(each.path.endswith(file) and said in each.detail for each in problems), problems
    code, out, _ = typed(["verify", str(path)], capsys)
    assert code == 1
    assert "the pack is not as it was made" in out


def test_a_file_that_the_list_does_not_name_is_found(made: Path, tmp_path: Path) -> None:
    files = inside(made)
    files[f"{made.stem}/extra.txt"] = b"more"
    (problem,) = checked_pack(packed(files, tmp_path / "a.zip")).problems
    assert (problem.path, problem.detail) == ("extra.txt", f"is in no line of {SUMS}")


def test_a_line_of_the_list_that_is_none_and_a_newer_manifest_are_named(made: Path, tmp_path: Path) -> None:
    files = inside(made)
    files[named(files, SUMS)] += b"not a checksum\n"
    files[named(files, MANIFEST)] = files[named(files, MANIFEST)].replace(b'"schema": 1', b'"schema": 9')
    said = " ".join(each.detail for each in checked_pack(packed(files, tmp_path / "a.zip")).problems)
    assert "line 7 is no checksum of a file" in said
    assert "is of schema 9; this nightturn reads 1" in said


def test_what_is_no_zip_and_a_zip_larger_than_a_pack_are_refused(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    bad = tmp_path / "bad.zip"
    bad.write_bytes(made.read_bytes()[:1000])
    code, _, err = typed(["verify", str(bad)], capsys)
    assert (code, "is no pack that can be read" in err) == (4, True)
    monkeypatch.setattr(unpacked, "BYTES_MAX", 1000)
    with pytest.raises(StorageError, match="more files, or larger ones, than a pack"):
        checked_pack(made)


def test_the_same_run_gives_the_same_bytes_and_no_other_pack_is_written_over(
    nights: Path, made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["export", str(nights), "--as", "pack", "--out", str(tmp_path)]
    code, out, _ = typed(asked, capsys)
    assert (code, too_wide(out)) == (0, [])
    assert "SHA-256 of its SHA256SUMS, to be sent by another way:" in " ".join(sentences(out))
    assert (tmp_path / made.name).read_bytes() == made.read_bytes()
    assert [each.name for each in tmp_path.iterdir()] == [made.name]
    code, _, err = typed(asked, capsys)
    assert (code, "is there already" in err) == (2, True)


def test_a_run_that_has_not_ended_is_no_pack(
    nights: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = shutil.copytree(nights, tmp_path / "nights")
    files = RealFiles(root)
    (manifest,) = manifests(files)
    write_manifest(files, msgspec.structs.replace(manifest, state="running"))
    code, _, err = typed(["export", str(root), "--as", "pack", "--out", str(tmp_path / "out")], capsys)
    assert (code, "is interrupted; allowed: a run that has ended" in err) == (2, True)
