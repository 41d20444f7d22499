"""Pictures in visible light, as people see them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..errors import Fault, ReadError
from .opening import opened

_MOST_PIXELS = 60_000_000


def open_picture(path: Path) -> Any:
    """Open a picture as people see it: turned as its camera says, three channels of 8 bits.

    Raises
    ------
    ReadError : a file that is no picture of 8 bits a channel.
    """
    from PIL import Image, ImageOps

    try:
        with opened(path) as file, Image.open(file) as picture:
            if picture.mode.startswith(("I", "F")):
                raise ValueError(f"{picture.mode} pixels")
            if picture.width * picture.height > _MOST_PIXELS:
                raise ValueError(f"more than {_MOST_PIXELS} pixels")
            return ImageOps.exif_transpose(picture).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as problem:
        raise ReadError(
            Fault(f"{path.name!r}, which is no picture ({problem})",
                  "a PNG, JPEG or TIFF with 8 bits a channel", "save it as PNG", file=path.name)
        ) from problem  # fmt: skip
