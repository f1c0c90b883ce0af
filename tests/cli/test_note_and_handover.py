"""`note` and `handover` as a person types them, and what `history`, `report`, `verify` and `push` say of the logbook."""

import json
from pathlib import Path
from typing import cast

import msgspec
import pytest
from tests.cli.terminal import pairs, sentences, too_wide, typed
from tests.logbook.writing import entry, named
from tests.reanalysis.conftest import SHORT
from tests.recorded import recorded
from tests.storage.test_photos import exif, saved
from tests.storage.test_stored import InMemory

import nightturn
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import LOG, PHOTOS, add_entry, photo_path, read_logbook
from nightturn.storage.manifest import ENDED, manifests, write_manifest
from nightturn.storage.object_store import ObjectStore
from nightturn.storage.photos import stripped
from nightturn.storage.push import push
from nightturn.storage.stored import ObjectFiles
from nightturn.storage.verify import verify

UNIT, PERSON = "Q-0117", ("--operator", "R. Vale")


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recorded night; each test adds lines behind those of the ones before."""
    return recorded(tmp_path_factory, SHORT).root


def test_a_note_is_shown_as_it_was_written_and_listed(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = tmp_path / "race.jpg"
    photo.write_bytes(saved("JPEG", exif=exif()))
    line = [
        "note",
        "a knock",
        "--unit",
        UNIT,
        "--at",
        "21:02",
        "--angle",
        "124",
        "--photo",
        str(photo),
        "--open",
    ]
    code, out, err = typed([*line, *PERSON, "--data", str(root)], capsys)
    assert (code, err, too_wide(out)) == (0, "", [])
    said = " ".join(out.split())
    assert "R. Vale: note, to be answered of Q-0117, pan-a1" in said
    assert "2026-11-25 21:02:00 +00:00, at 124° a knock photo race.jpg, 40 x 20 pixels" in said
    assert "not stored: location, EXIF waits for an answer" in said
    code, out, _ = typed(["note", "--list", "--data", str(root), "--json"], capsys)
    (written,) = json.loads(out)["entries"]
    assert (written["angle_deg"], written["photos"][0]["named"]) == (124.0, "race.jpg")
    code, out, _ = typed(["note", "looked at it", "--close", "1", *PERSON, "--data", str(root)], capsys)
    assert (code, "answers 1" in out) == (0, True)
    assert "answered by R. Vale in line 2" in typed(["note", "--list", "--data", str(root)], capsys).out


def test_a_refused_note_ends_with_2_and_a_run_that_is_not_there_with_4(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = typed(["note", "x", "--data", str(root)], capsys)
    assert (code, "--operator: is empty" in err) == (2, True)
    code, _, err = typed(["note", "x", "--unit", "Q-9", *PERSON, "--data", str(root)], capsys)
    assert (code, "has no run of unit" in err) == (4, True)


def test_the_handover_lists_what_is_open_in_eighty_columns(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(
        ["note", "listen at the index mark", "--unit", UNIT, "--open", *PERSON, "--data", str(root)], capsys
    )
    code, out, _ = typed(["handover", "--data", str(root)], capsys)
    assert (code, too_wide(out)) == (0, [])
    assert "no daemon answers: what a fixture does now is not known" in " ".join(sentences(out))
    assert "listen at the index mark" in " ".join(value for _, value in pairs(out))
    code, out, _ = typed(["handover", "--data", str(root), "--json"], capsys)
    assert "note" in [each["kind"] for each in json.loads(out)["items"]]


def test_history_counts_hits_misses_and_what_nobody_predicted(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = entry(
        0,
        "finding",
        unit=UNIT,
        cause="bearing",
        text="pitted at 2 o'clock",
        predicted=named("bearing", "wear"),
    )
    add_entry(root, line)
    add_entry(
        root, entry(0, "intervention", unit=UNIT, cause="bearing", predicted=named("bearing"), text="new one")
    )
    other = entry(0, "finding", unit="Q-0118", cause="wear", predicted=())
    add_entry(root, other)
    code, out, _ = typed(["history", str(root), "--unit", UNIT], capsys)
    rows = [value for _, value in pairs(out)]
    assert (code, too_wide(out)) == (0, [])
    assert "predicted and found: damage in a bearing: pitted at 2 o'clock (R. Vale)" in rows
    assert "intervention, for damage in a bearing (predicted): new one (R. Vale)" in rows
    counts = dict(pairs(out))
    assert counts["this unit"].startswith(
        "hits 1 (predicted and found), misses 1 (predicted, not found), not pred"
    )
    assert "not predicted 1 (found all the same); torn down: 2" in counts["all units"]
    told = json.loads(typed(["history", str(root), "--unit", UNIT, "--json"], capsys).out)["findings"]
    assert (told["tally"]["hits"], told["of_all"]["not_predicted"], told["units"]) == (1, 1, 2)
    frame = nightturn.history(root, unit=UNIT, findings=True)
    assert list(zip(frame["cause"], frame["predicted"], frame["found"], strict=True)) == [
        ("bearing", True, True),
        ("wear", True, False),
    ]


def test_the_report_shows_the_lines_of_its_run_with_hostile_names_as_text(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hostile = '<script>alert(1)</script> & "O\'Neil"'
    typed(["note", hostile, "--unit", UNIT, "--operator", hostile, "--data", str(root)], capsys)
    typed(
        ["note", "here", "--unit", UNIT, "--at", "21:02", "--angle", "12", *PERSON, "--data", str(root)],
        capsys,
    )
    assert typed(["report", str(root), "--out", str(tmp_path)], capsys).code in {0, 1}
    (page,) = tmp_path.glob("*.html")
    text = page.read_text("utf-8")
    assert "<h2>Logbook</h2>" in text
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &#34;O&#39;Neil&#34;, note" in text
    assert "<script" not in text
    assert "<td>R. Vale, note: here; 2026-11-25 21:02:00 +00:00, at 12°</td>" in text


def test_push_copies_logbook_and_photos_once(root: Path) -> None:
    files = RealFiles(root)
    (run,) = manifests(files)
    write_manifest(files, msgspec.structs.replace(run, state=ENDED))
    store = InMemory()
    line = add_entry(root, entry(0), [stripped(saved("PNG"), "a.png")])
    assert [each.problem for each in push(root, store)] == [""]
    path = photo_path(line.photos[0])
    assert store.objects[LOG] == (root / LOG).read_bytes()
    assert store.objects[path] == (root / path).read_bytes()
    place = ObjectFiles(cast("ObjectStore", store))
    assert verify(place).ok
    store.objects[path] = bytes(len(store.objects[path]))  # of the same size: a push compares no more
    assert [each.problem for each in push(root, store)] == [""]
    assert [(each.kind, each.path) for each in verify(place).problems] == [("logbook", path)]
    assert [each.problem for each in push(root, store, check=True)] == [""]
    assert verify(place).ok


def test_verify_names_a_changed_line_and_a_changed_photo_and_ends_with_1(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "everything is there or explained" in typed(["verify", str(root)], capsys).out
    photo = next((root / PHOTOS).iterdir())
    photo.write_bytes(b"another picture")
    log = root / LOG
    log.write_bytes(log.read_bytes().replace(b"a knock", b"no knock", 1))
    code, out, _ = typed(["verify", str(root)], capsys)
    assert (code, too_wide(out)) == (1, [])
    assert any(each.startswith(f"logbook: {LOG} line 1 cannot be read") for each in sentences(out))
    assert "every run is in order, the logbook is not" in sentences(out)
    problems = [(each.kind, each.path) for each in verify(root).problems]
    assert ("logbook", LOG) in problems
    assert len(read_logbook(RealFiles(root)).damages) == 1
