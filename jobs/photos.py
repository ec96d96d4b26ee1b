"""Photographs from a phone: looked at, put upright, made smaller, and rid of all that they say besides."""

from __future__ import annotations

import io
import struct
from typing import Any

from PIL import ExifTags, Image, UnidentifiedImageError

from shop.errors import BadInput

MOST_BYTES = 10 * 1024 * 1024
FORMATS = ("JPEG", "PNG", "WEBP")
MOST_PIXELS = {"JPEG": 80_000_000, "MPO": 80_000_000, "PNG": 24_000_000, "WEBP": 24_000_000}
"""By format. A JPEG is read at a half or a quarter of its size; the others unfold whole, four bytes for each pixel,
however few bytes they came in. MPO is a JPEG with further pictures behind it (CIPA DC-007), as many phones write: of
those only the first is read."""
LONGEST_PX = 2000
QUALITY = 85  # of 100, JPEG

# What to do with a picture by its EXIF orientation; 1 is upright (Exif 2.3, tag 274).
_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


def photo_clean(file: Any, size: int) -> bytes:
    """The photograph as a JPEG: turned as its EXIF says, at most 2000 px on its longer side, no metadata.

    size: bytes of the file as sent. Raises BadInput (field `photo`) for what is no photograph or too large.
    """
    if size > MOST_BYTES:
        raise BadInput(
            f"The photo is {size / 1024 / 1024:.1f} MB; the most is {MOST_BYTES // 1024 // 1024} MB. "
            "Take it at a lower resolution, or send it without one.",
            field="photo",
        )
    try:
        with Image.open(file, formats=FORMATS) as sent:
            if sent.width * sent.height > MOST_PIXELS[sent.format or "PNG"]:
                raise BadInput(
                    f"The photo is {sent.width:,} × {sent.height:,} px, which is too large. "
                    "Take it at a lower resolution.",
                    field="photo",
                )
            sent.draft("RGB", (LONGEST_PX, LONGEST_PX))
            sent.load()
            turn = _turn(sent)
            small = _small(sent)
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise BadInput(
            "The photo cannot be read as a JPEG, PNG or WebP picture. Take it again, or send it without one.",
            field="photo",
        ) from error
    return _jpeg(small if turn is None else small.transpose(turn))


def _turn(picture: Image.Image) -> Image.Transpose | None:
    """How to put a picture upright; None where it is, or where its EXIF cannot be read."""
    try:
        return _TURNS.get(picture.getexif().get(ExifTags.Base.Orientation, 1))
    except (OSError, SyntaxError, ValueError, TypeError, AttributeError, struct.error):
        return None


def _small(picture: Image.Image) -> Image.Image:
    """The picture at the size in which it is kept, before anything else is done to all of its pixels."""
    if picture.mode in ("P", "PA", "LA"):
        picture = picture.convert("RGBA")
    elif picture.mode not in ("RGB", "RGBA"):
        picture = picture.convert("RGB")
    picture.thumbnail((LONGEST_PX, LONGEST_PX), Image.Resampling.LANCZOS)
    return picture


def _jpeg(picture: Image.Image) -> bytes:
    """What can be seen through gets white behind it."""
    flat = Image.new("RGB", picture.size, "white")
    flat.paste(picture, mask=picture.getchannel("A") if picture.mode == "RGBA" else None)
    out = io.BytesIO()
    flat.save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()
