"""The visible image with the frames of the maps that are drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault
from ..io import sha256
from ..io.image_file import open_picture
from ..words import caption as words
from .map_panel import draw_scale_bar
from .stratum import Block, Map
from .style import INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..results import StudyResult

Floats = npt.NDArray[np.float64]
#: Pixels of the picture that are kept along its longer side: more is not printed.
_MOST_PIXELS = 2400


@dataclass(frozen=True)
class Frame:
    """The frame of a map: its tag, its name, its corners (4, column and row) in image pixels."""

    tag: str
    words: str
    mockup: str
    corners: Floats


@dataclass(frozen=True)
class Photo:
    """A picture (row, column, 3), its size in its own pixels, µm of the stage to a pixel along a
    row, the frames on it; whether it shows the maps mirrored."""

    name: str
    picture: npt.NDArray[np.uint8]
    shape: tuple[int, int]
    um_per_pixel: float
    frames: tuple[Frame, ...]
    mirrored: bool


def image_corners(affine: Sequence[float], extent: Sequence[float]) -> Floats:
    """Take the corners of a map to image pixels, (4, column and row).

    `affine` is a, b, c, d, e, f: column = a x + b y + c, row = d x + e y + f, with x and y of the
    stage in µm (y upward) and pixel (0, 0) the middle of the picture's upper left one, rows
    counted downward.

    >>> image_corners([0.5, 0, 0, 0, -0.5, 99], (0, 20, 0, 10)).tolist()
    [[0.0, 99.0], [10.0, 99.0], [10.0, 94.0], [0.0, 94.0]]
    """
    left, right, lower, upper = extent
    stage = np.array([[left, lower], [right, lower], [right, upper], [left, upper]], float)
    matrix = np.reshape(np.asarray(affine, float), (2, 3))
    corners: Floats = stage @ matrix[:, :2].T + matrix[:, 2]
    return corners


def read_photo(
    result: StudyResult, blocks: Sequence[tuple[str, Block]]
) -> tuple[Photo | None, list[str]]:
    """Read the study's picture and frame the maps that are drawn; say what cannot be framed.

    Raises
    ------
    ContractError : the picture is not there any more, or is another than the run saw.
    """
    settings = result.provenance["study"]["figure"]
    if "image" not in settings:
        return None, []
    own = settings.get("image_mockup")
    named = [
        (f"{letter}{k}", panel)
        for letter, block in blocks
        for k, panel in enumerate(block.maps, start=1)
        if own is None or panel.mockup == own
    ]
    why = _no_frames(named, own)
    if why:
        return None, [words.photo_not_drawn(*why)]
    picture, shape = _read(result, settings["image"])
    affine = [float(value) for value in settings["image_affine"]]
    frames = [
        Frame(tag, panel.words, panel.mockup, image_corners(affine, panel.extent))
        for tag, panel in named
    ]
    inside = [f for f in frames if _touches(f.corners, shape)]
    if not inside:
        return None, [words.photo_not_drawn("outside")]
    outside = [frame.tag for frame in frames if frame not in inside]
    said = [words.frames_outside(outside)] if outside else []
    (a, b), (d, e) = np.reshape(affine, (2, 3))[:, :2]
    determinant = a * e - b * d
    um_per_pixel = float(np.hypot(e, d) / abs(determinant))
    photo = Photo(settings["image"], picture, shape, um_per_pixel, tuple(inside), determinant > 0)
    if photo.mirrored:
        said.append(words.PHOTO_MIRRORED)
    return photo, said


def _no_frames(
    named: Sequence[tuple[str, Map]], own: str | None
) -> tuple[str, Sequence[str]] | None:
    """Why no map can be framed, a code with the mock-ups it is about."""
    panels = [panel for _, panel in named]
    if not panels:
        return "no map", () if own is None else (own,)
    if any(panel.position_unit != "um" for panel in panels):
        return "pixel positions", ()
    for one, other in combinations(panels, 2):
        if one.mockup != other.mockup and _overlap(one, other):
            return "overlap", (one.mockup, other.mockup)
    return None


def _overlap(one: Map, other: Map) -> bool:
    a, b = one.extent, other.extent
    across = min(a[1], b[1]) - max(a[0], b[0])
    up = min(a[3], b[3]) - max(a[2], b[2])
    return across > 0 and up > 0


def _touches(corners: Floats, shape: tuple[int, int]) -> bool:
    low, high = corners.min(axis=0), corners.max(axis=0)
    return bool((high > -0.5).all() and (low < np.array(shape[::-1]) - 0.5).all())


def _read(result: StudyResult, name: str) -> tuple[npt.NDArray[np.uint8], tuple[int, int]]:
    """The picture, as small as print needs it, and its full size (rows, columns)."""
    path = result.folder.parents[1] / name
    known = result.provenance["inputs"].get(name)
    if not path.is_file() or sha256(path) != known:
        state = "changed" if path.is_file() else "is not there"
        raise ContractError(
            Fault(f"the visible image {name!r}, which {state}", "the picture that the run saw",
                  "put it back, or residuekit run DIR again", file=name)
        )  # fmt: skip
    image = open_picture(path)
    shape = (image.height, image.width)
    image.thumbnail((_MOST_PIXELS, _MOST_PIXELS))
    return np.asarray(image), shape


def draw_photo(ax: Axes, photo: Photo, room_mm: float) -> Axes:
    """Draw the picture, the frames on it and a scale bar below, which holds along its rows."""
    from matplotlib.patches import Polygon

    rows, columns = photo.shape
    extent = (-0.5, columns - 0.5, rows - 0.5, -0.5)
    ax.imshow(photo.picture, origin="upper", extent=extent, interpolation="antialiased")
    for frame in photo.frames:
        for colour, width in (("white", 1.8), (INK, 0.8)):
            ax.add_patch(
                Polygon(frame.corners, fill=False, edgecolor=colour, linewidth=width,
                        joinstyle="miter")
            )  # fmt: skip
    ax.set_xlim(extent[:2])
    ax.set_ylim(extent[2:])
    ax.set_xticks([])
    ax.set_yticks([])
    ax.spines[:].set_visible(True)
    draw_scale_bar(ax, columns * photo.um_per_pixel, "um", room_mm)
    return ax
