"""The picture in visible light under a score map, small enough for a page."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from ..errors import ContractError, Fault
from ..io.image_file import open_picture

#: Pixels along the longer side of what a page carries.
_MOST_PIXELS = 1600


@dataclass(frozen=True)
class Photo:
    """A picture as a data URL, its size in its own pixels, and how it lies on the stage.

    `affine` is a, b, c, d, e, f of ``image_affine``: column = a x + b y + c, row = d x + e y + f.
    """

    url: str
    columns: int
    rows: int
    affine: tuple[float, ...] | None


def photo_of(path: str | Path, affine: Sequence[float] | None) -> Photo:
    """Read a picture and make it small.

    Raises
    ------
    ReadError : no picture.
    ContractError : an affine map of other than six numbers.
    """
    if affine is not None and len(affine) != 6:
        raise ContractError(
            Fault(f"image_affine of {len(affine)} numbers", "six, or none to place the map by eye",
                  "image_affine=[0.1, 0, 0, 0, -0.1, 599]")
        )  # fmt: skip
    picture = open_picture(Path(path))
    columns, rows = picture.size
    picture.thumbnail((_MOST_PIXELS, _MOST_PIXELS))
    target = BytesIO()
    picture.save(target, "JPEG", quality=85)
    url = f"data:image/jpeg;base64,{base64.b64encode(target.getvalue()).decode('ascii')}"
    return Photo(url, columns, rows, None if affine is None else tuple(map(float, affine)))
