"""The picture of a study's figure: there, readable, and placed on the stage."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

from ..errors import Fault, ReadError, did_you_mean
from ..io.image_file import open_picture
from ..validator import Place

_AFFINE = "image_affine"


def picture_faults(
    folder: Path, figure: Mapping[str, Any], mockups: Collection[str], place: Place
) -> Iterator[Fault]:
    """Say what is wrong with `image`, `image_affine` and `image_mockup` of [figure] in a place."""
    place = place.inside("figure")
    image, affine, mockup = (figure.get(key) for key in ("image", _AFFINE, "image_mockup"))
    if image is None:
        for key in (_AFFINE, "image_mockup"):
            if key in figure:
                yield place.fault(f"{key} without image", "the picture that it places",
                                  'image = "data/photo.png"', key)  # fmt: skip
        return
    if not isinstance(image, str):
        return
    yield from _file_faults(folder, image, place)
    if isinstance(affine, list) or affine is None:
        yield from _affine_faults(affine, place)
    if isinstance(mockup, str) and mockups and mockup not in mockups:
        yield place.fault(f"image_mockup = {mockup!r}, which is no mock-up of the study",
                          "the mock-up that the picture shows", did_you_mean(mockup, mockups),
                          "image_mockup")  # fmt: skip


def _file_faults(folder: Path, image: str, place: Place) -> Iterator[Fault]:
    try:
        path = (folder / image).resolve()
        inside = path.is_relative_to(folder.resolve())
        there = inside and path.is_file()
    except (OSError, ValueError, RuntimeError):
        inside = there = False
    if not there:
        state = "is not there" if inside else "is not below the study folder"
        yield place.fault(f"image = {image!r}, which {state}", "a picture below the study folder",
                          'image = "data/photo.png"', "image")  # fmt: skip
        return
    try:
        open_picture(path)
    except ReadError as problem:
        yield from (place.fault(f.found, f.needed, f.fix, "image") for f in problem.faults)


def _affine_faults(affine: list[Any] | None, place: Place) -> Iterator[Fault]:
    needed = (
        "six numbers a, b, c, d, e, f that take µm of the stage (x, y upward) to pixels of the "
        "picture: column = a x + b y + c, row = d x + e y + f, counted from the middle of its "
        "upper left pixel"
    )
    fix = "image_affine = [0.1, 0, 0, 0, -0.1, 599] for 10 µm a pixel, 600 rows, origin lower left"
    if affine is None:
        yield place.fault("an image without image_affine", needed, fix, "image")
        return
    numbers = [v for v in affine if isinstance(v, (int, float)) and not isinstance(v, bool)]
    if len(affine) != 6 or len(numbers) != 6 or not all(map(math.isfinite, numbers)):
        yield place.fault(f"image_affine = {affine}", needed, fix, _AFFINE)
        return
    a, b, _, d, e, _ = numbers
    if abs(a * e - b * d) <= 1e-9 * math.hypot(a, d) * math.hypot(b, e):
        yield place.fault(f"image_affine = {affine}, which folds the stage onto a line",
                          "a map that can be turned round: a e - b d not zero", fix,
                          _AFFINE)  # fmt: skip
