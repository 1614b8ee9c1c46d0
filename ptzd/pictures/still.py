"""A still: a picture as it is kept with a position, small enough that hundreds of them do not weigh on a show."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from PIL.Image import Image

WIDTH = 640  # pixels at most; half a degree of a long lens is still a dozen of them
QUALITY = 80
MOST_PIXELS = 40_000_000  # of a picture that is looked at: more than any camera's
LARGEST_STILL_BYTES = 400_000  # of one that comes from a text


def still_of(jpeg: bytes) -> bytes:
    """Return a picture as it is kept: a JPEG of our own, `WIDTH` wide at most. Raises ValueError with a sentence."""
    picture = opened(jpeg).convert("RGB")
    picture.thumbnail((WIDTH, WIDTH))
    out = BytesIO()
    picture.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def opened(jpeg: bytes) -> Image:
    """Return a JPEG with about the pixels that a still needs. Raises ValueError with a sentence."""
    from PIL import Image  # where no camera has a picture, nothing waits for what reads them

    try:
        picture = Image.open(BytesIO(jpeg), formats=("JPEG",))
        if picture.width * picture.height > MOST_PIXELS:
            raise ValueError(f"the picture has more than {MOST_PIXELS // 1_000_000} million pixels")
        picture.draft("RGB", (WIDTH, WIDTH))
        picture.load()
    except (OSError, SyntaxError, Image.DecompressionBombError):
        raise ValueError("the picture is no JPEG that can be read") from None
    return picture
