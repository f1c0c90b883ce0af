"""Photos as they may be stored: the picture itself and nothing that stood beside it in the file, such as where it was taken."""

import io
import struct
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from nightturn.errors import ConfigError
from nightturn.model.quantities import bytes_text

if TYPE_CHECKING:
    from PIL import Image

PHOTO_BYTES_MAX = 30_000_000
PIXELS_MAX = 60_000_000
NAMED_MAX = 128
QUALITY, SMALL_QUALITY = 92, 75
EXTRA = "pip install 'nightturn[photo]'"
ALLOWED = "a PNG, JPEG or WebP picture"
KINDS = {"JPEG": "jpg", "MPO": "jpg", "PNG": "png", "WEBP": "webp"}
"""What Pillow calls the kinds that are taken, and the endings of what is stored; MPO: a JPEG with further pictures behind it."""
BESIDE = {
    "exif": "EXIF",
    "xmp": "XMP",
    "icc_profile": "colour profile",
    "photoshop": "editor's data",
    "comment": "comment",
    "mp": "further pictures",
}
"""What may stand beside a picture, as Pillow names it and as people do."""
GPS, ORIENTATION = 0x8825, 0x0112  # tags of Exif 2.3
FAULTS = (
    OSError,
    ValueError,
    SyntaxError,
    EOFError,
    struct.error,
    zlib.error,
    KeyError,
    IndexError,
    TypeError,
)
"""What Pillow raises on a file that is not what it says."""


class Stripped(NamedTuple):
    """A photo as it is stored: its bytes, its kind as the ending of a name, pixels, the name it came with, and what was left out."""

    content: bytes
    suffix: str
    width: int
    height: int
    named: str
    removed: tuple[str, ...]


def stripped(content: bytes, named: str) -> Stripped:
    """The picture of a file, made anew from its pixels, upright; the first where a file has several.

    What is stored cannot hold anything else, whatever the file held: it is written from the pixels. A JPEG loses a little by that.

    Args:
        content: of the file.
        named: its name; control signs are left out of it.

    Raises:
        ConfigError: no picture of these kinds by its content, larger than the limits, damaged, or Pillow is not installed.
    """
    name = "".join(each if each.isprintable() else "_" for each in named)[-NAMED_MAX:]
    if len(content) > PHOTO_BYTES_MAX:
        most = bytes_text(PHOTO_BYTES_MAX)
        raise ConfigError(f"{name} has {bytes_text(len(content))}", where="--photo", allowed=f"up to {most}")
    try:
        from PIL import Image
    except ModuleNotFoundError as error:
        raise ConfigError("needs Pillow, which is not installed", where="--photo", allowed=EXTRA) from error
    with warnings.catch_warnings(), _whole_only():
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        try:
            with Image.open(io.BytesIO(content), formats=("JPEG", "PNG", "WEBP")) as opened:
                return _redrawn(opened, name)
        except (*FAULTS, Image.DecompressionBombError, Image.DecompressionBombWarning) as problem:
            raise ConfigError(
                f"{name} is no picture that can be read: {_why(problem)}", where="--photo", allowed=ALLOWED
            ) from problem


def small(content: bytes, edge_px: int) -> tuple[bytes, int, int]:
    """A stored photo as a JPEG whose longer edge is no longer than that, with its width and height; nothing else is in it.

    Raises:
        ConfigError: Pillow is not installed, or what is stored is no picture.
    """
    try:
        from PIL import Image
    except ModuleNotFoundError as error:
        raise ConfigError("needs Pillow, which is not installed", where="photos", allowed=EXTRA) from error
    try:
        with Image.open(io.BytesIO(content), formats=("JPEG", "PNG", "WEBP")) as opened:
            few = opened.convert("RGBA") if opened.mode in {"P", "1"} else opened
            few.thumbnail(
                (edge_px, edge_px)
            )  # before the other modes: of a large JPEG only what is needed is decoded
            picture = few.convert("RGBA")
    except (*FAULTS, Image.DecompressionBombError) as problem:
        raise ConfigError(_why(problem), where="photos", allowed=ALLOWED) from problem
    paper = Image.new("RGB", picture.size, "white")
    paper.paste(picture, mask=picture)
    out = io.BytesIO()
    paper.save(out, "JPEG", quality=SMALL_QUALITY)
    return out.getvalue(), picture.width, picture.height


@contextmanager
def _whole_only() -> Iterator[None]:
    """A picture that was cut off is refused, although whoever makes a PDF in this process has told Pillow to take it."""
    from PIL import ImageFile

    before, ImageFile.LOAD_TRUNCATED_IMAGES = ImageFile.LOAD_TRUNCATED_IMAGES, False
    try:
        yield
    finally:
        ImageFile.LOAD_TRUNCATED_IMAGES = before


def _why(problem: BaseException) -> str:
    """Of what Pillow says only the first line, without the address of an object."""
    first = str(problem).splitlines()[0] if str(problem) else type(problem).__name__
    return "its content is none of these" if "cannot identify" in first else first


def _redrawn(opened: "Image.Image", name: str) -> Stripped:
    from PIL import ImageOps

    kind = opened.format or ""
    if kind not in KINDS:
        raise ValueError("its content is none of these")
    if opened.width * opened.height > PIXELS_MAX:
        most = f"up to {PIXELS_MAX // 1_000_000} million pixels"
        raise ConfigError(f"{name} has {opened.width} x {opened.height}", where="--photo", allowed=most)
    removed = _beside(opened)
    picture = ImageOps.exif_transpose(opened)
    picture.load()
    picture.info = {key: value for key, value in picture.info.items() if key == "transparency"}
    out = io.BytesIO()
    if KINDS[kind] == "jpg":
        picture.convert("L" if picture.mode == "L" else "RGB").save(
            out, "JPEG", quality=QUALITY, subsampling=0
        )
    elif KINDS[kind] == "webp":
        picture.save(out, "WEBP", lossless=True)
    else:
        picture.save(out, "PNG")
    return Stripped(out.getvalue(), KINDS[kind], picture.width, picture.height, name, removed)


def _beside(opened: "Image.Image") -> tuple[str, ...]:
    """What the file holds beside its first picture."""
    exif = opened.getexif()
    found = ["location"] if exif.get_ifd(GPS) else []
    found += [words for key, words in BESIDE.items() if opened.info.get(key)]
    found += ["texts"] if getattr(opened, "text", None) else []
    found += (
        ["further pictures"] if getattr(opened, "n_frames", 1) > 1 and "further pictures" not in found else []
    )
    found += ["EXIF"] if len(exif) and "EXIF" not in found else []
    return tuple(found)
