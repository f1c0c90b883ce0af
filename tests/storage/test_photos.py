"""A photo is stored as a picture and nothing else: no place, no name of a camera, no text, whatever kind of file it was."""

import io
import sys
from typing import Any

import pytest
from PIL import Image, ImageFile, PngImagePlugin

from nightturn.errors import ConfigError
from nightturn.storage import photos
from nightturn.storage.photos import PHOTO_BYTES_MAX, stripped

SECRETS = (b"48.2N", b"quillfen camera", b"Exif", b"GPS", b"http")


def picture(mode: str = "RGB", size: tuple[int, int] = (40, 20)) -> Image.Image:
    """Left half dark, right half bright."""
    drawn = Image.new("L", size, 20)
    drawn.paste(230, (size[0] // 2, 0, *size))
    return drawn.convert(mode)


def exif(orientation: int = 1) -> Image.Exif:
    """A place, a maker and how the camera was held."""
    made = Image.Exif()
    made[0x0112] = orientation
    made[0x010F] = "quillfen camera"
    made.get_ifd(0x8825).update({1: "N", 2: (48.0, 12.0, 30.5), 3: "E", 4: (16.0, 22.0, 1.25)})
    return made


def saved(kind: str, drawn: Image.Image | None = None, **more: Any) -> bytes:
    out = io.BytesIO()
    (drawn or picture()).save(out, kind, **more)
    return out.getvalue()


def texts() -> PngImagePlugin.PngInfo:
    made = PngImagePlugin.PngInfo()
    made.add_text("Location", "48.2N")
    made.add_itxt("XML:com.adobe.xmp", "48.2N http://place")
    return made


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("JPEG", {"comment": b"48.2N", "icc_profile": b"quillfen camera"}),
        ("PNG", {"pnginfo": texts()}),
        ("WEBP", {"xmp": b"48.2N http://place", "lossless": True}),
    ],
)
def test_the_place_and_everything_beside_the_picture_is_left_out(kind: str, more: dict[str, Any]) -> None:
    content = saved(kind, exif=exif(), **more)
    assert any(secret in content for secret in SECRETS)
    found = stripped(content, "race.img")
    assert [secret for secret in SECRETS if secret in found.content] == []
    again = Image.open(io.BytesIO(found.content))
    assert (again.format, len(again.getexif())) == (kind, 0)
    assert not {"exif", "xmp", "icc_profile", "comment"} & set(again.info)
    assert {"location", "EXIF"} <= set(found.removed)
    assert len(found.removed) > 2


def test_bytes_behind_the_end_of_a_picture_are_left_out() -> None:
    found = stripped(saved("JPEG") + b"video with 48.2N in it", "a.jpg")
    assert b"48.2N" not in found.content


def test_a_photo_taken_sideways_is_upright_in_its_pixels() -> None:
    found = stripped(saved("PNG", exif=exif(orientation=6)), "a.png")
    again = Image.open(io.BytesIO(found.content)).convert("L")
    assert (found.width, found.height, again.size) == (20, 40, (20, 40))
    assert again.getpixel((10, 2)) == 20
    assert again.getpixel((10, 38)) == 230


@pytest.mark.parametrize("mode", ["L", "RGB", "RGBA", "P", "1", "I;16"])
def test_pixels_of_a_png_stay_as_they_are(mode: str) -> None:
    drawn = picture("L").convert("I").convert(mode) if mode == "I;16" else picture(mode)
    found = Image.open(io.BytesIO(stripped(saved("PNG", drawn), "a.png").content))
    assert found.convert("RGBA").tobytes() == drawn.convert("RGBA").tobytes()


@pytest.mark.parametrize(("kind", "suffix"), [("JPEG", "jpg"), ("PNG", "png"), ("WEBP", "webp")])
def test_the_kind_is_that_of_the_content_whatever_the_name_says(kind: str, suffix: str) -> None:
    assert stripped(saved(kind), "picture.txt").suffix == suffix


@pytest.mark.parametrize(
    "content",
    [b"", b"not a picture", saved("GIF", picture("L")), saved("TIFF"), saved("JPEG")[:200], saved("PNG")[:60],
     b"<svg xmlns='http://www.w3.org/2000/svg'/>"],
)  # fmt: skip
def test_anything_else_is_refused_with_what_is_taken(content: bytes) -> None:
    with pytest.raises(
        ConfigError, match=r"is no picture that can be read.*allowed: a PNG, JPEG or WebP picture"
    ):
        stripped(content, "race.jpg")


def test_a_picture_that_was_cut_off_is_refused_where_a_pdf_was_made_before(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)  # as WeasyPrint leaves it
    with pytest.raises(ConfigError, match="is no picture that can be read"):
        stripped(saved("PNG")[:60], "race.png")
    assert ImageFile.LOAD_TRUNCATED_IMAGES


def test_too_many_bytes_or_pixels_are_refused_before_they_are_decoded(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with pytest.raises(ConfigError, match="30 MB"):
        stripped(b"\0" * (PHOTO_BYTES_MAX + 1), "a.jpg")
    monkeypatch.setattr(photos, "PIXELS_MAX", 799)
    with pytest.raises(ConfigError, match="40 x 20"):
        stripped(saved("PNG"), "a.png")


def test_of_several_pictures_the_first_is_stored_and_that_is_said() -> None:
    moving = saved("WEBP", save_all=True, append_images=[picture("RGB").rotate(180)], lossless=True)
    found = stripped(moving, "a.webp")
    assert "further pictures" in found.removed
    assert getattr(Image.open(io.BytesIO(found.content)), "n_frames", 1) == 1


def test_a_phone_s_jpeg_with_a_second_picture_is_stored_as_its_first_alone() -> None:
    content = saved("MPO", save_all=True, append_images=[picture().rotate(180)], exif=exif())
    found = stripped(content, "phone.jpg")
    assert Image.open(io.BytesIO(found.content)).format == "JPEG"
    assert [secret for secret in SECRETS if secret in found.content] == []
    assert {"location", "further pictures"} <= set(found.removed)


def test_a_name_that_a_terminal_would_obey_is_made_harmless() -> None:
    found = stripped(saved("PNG"), "\x1b[31m\u202egnp.exe" + "x" * 300 + ".png")
    assert found.named.isprintable()
    assert len(found.named) <= 128
    assert found.named.endswith(".png")


def test_without_the_library_it_is_one_sentence_with_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    content = saved("PNG")
    monkeypatch.setitem(sys.modules, "PIL", None)
    with pytest.raises(ConfigError, match=r"needs Pillow.*nightturn\[photo\]"):
        stripped(content, "a.png")
