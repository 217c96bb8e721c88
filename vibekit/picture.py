"""A picture to stand in a report."""

import base64
import io
from dataclasses import dataclass
from pathlib import Path

from vibekit.errors import UsageError

LONGEST = 1200  # pixels


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG picture and what it shows. data: the file's bytes in base64."""

    caption: str
    data: str


def read_picture(path: str | Path, caption: str) -> Picture:
    """Read a picture, turn it upright and make it small; what the camera noted in it (place, time, owner) is left out.

    Raises UsageError when the file is no picture.
    """
    from PIL import Image, ImageOps

    try:
        with Image.open(path) as taken:
            picture = ImageOps.exif_transpose(taken).convert("RGB")
    except FileNotFoundError:
        raise UsageError(f"photo {str(path)!r}: there is no such file; check its name") from None
    except (OSError, ValueError, Image.DecompressionBombError) as error:
        raise UsageError(f"photo {str(path)!r} cannot be read as a picture; give a JPEG or PNG file") from error
    picture.thumbnail((LONGEST, LONGEST))
    handle = io.BytesIO()
    picture.save(handle, "JPEG", quality=82)
    return Picture(caption, base64.b64encode(handle.getvalue()).decode("ascii"))
