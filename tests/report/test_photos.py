"""Photos of the logbook stand in the report, small and by what was stored; one that cannot is named with why."""

import io
from base64 import b64decode
from pathlib import Path

import pytest
from PIL import Image
from tests.logbook.writing import entry
from tests.report.test_document import Page, night

from nightturn.report import photos as room
from nightturn.report.document import document
from nightturn.report.notes import notes
from nightturn.report.photos import EDGE_PX
from nightturn.storage.logbook import PHOTOS, add_entry
from nightturn.storage.photos import stripped


def picture(shade: int, kind: str = "JPEG", mode: str = "RGB") -> bytes:
    """A picture of 1200 x 800 pixels, lighter to the right."""
    made = Image.linear_gradient("L").resize((1200, 800)).point(lambda each: (each + shade) % 256)
    out = io.BytesIO()
    made.convert(mode).save(out, kind)
    return out.getvalue()


def note(root: Path, *contents: bytes, text: str = "a mark on the race") -> None:
    usual = night(root)
    line = entry(0, unit=usual.unit, fixture=usual.run.fixture, run=usual.run.run, text=text)
    add_entry(root, line, [stripped(each, f"race-{at}.jpg") for at, each in enumerate(contents)])


def test_a_photo_is_in_the_page_small_and_named_by_what_is_stored(root: Path) -> None:
    note(root, picture(0), picture(40, "PNG", "P"))
    one = night(root)
    first, second = notes(one).photos
    for each in (first, second):
        shown = Image.open(io.BytesIO(b64decode(each.data)))
        assert (shown.format, shown.width, shown.height) == ("JPEG", EDGE_PX, 280)
        assert not shown.getexif()
    stored = {path.name[:12] for path in (root / PHOTOS).iterdir()}
    assert {each.caption.rstrip(".")[-12:] for each in (first, second)} == stored
    text = document(one).html
    assert text == document(night(root)).html
    images = [dict(found) for tag, found in Page(text).tags if tag == "img"]
    assert [each["alt"] for each in images] == [first.caption, second.caption]


def test_what_was_changed_or_lost_is_named_and_not_shown(root: Path) -> None:
    note(root, picture(0), picture(1))
    changed, lost = sorted((root / PHOTOS).iterdir())
    changed.write_bytes(picture(90))
    lost.unlink()
    found = notes(night(root))
    assert found.photos == ()
    said = " ".join(words for _, words in found.rows)
    assert "it is not the photo that was noted" in said
    assert "its file cannot be read" in said
    assert str(root) not in said


def test_of_more_than_fit_the_newest_are_shown_and_the_rest_counted(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    note(root, picture(0), text="the older line")
    note(root, picture(1))
    monkeypatch.setattr(room, "BYTES_MAX", 1 + len(notes(night(root)).photos[1].data))
    found = notes(night(root))
    assert [each.caption.partition(",")[0] for each in found.photos] == ["Line 2"]
    assert dict(found.rows)["photos"].startswith("1 older one is not shown")
