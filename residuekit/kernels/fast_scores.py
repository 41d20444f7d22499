"""Scores and noise of many spectra by compiled kernels; None where these do not work.

`residuekit.kernels.bands` and `netsignal` say what they mean and hold the slow way.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from .compiled import contiguous_rows, over_blocks, run

__all__ = ["robust_deviations", "weighted_sums"]

Floats = npt.NDArray[np.float64]
ROWS_AT_ONCE = 4096
PIECE = 16
#: Bytes of a cache line, and how many lines between two windows are read through.
LINE, BRIDGED = 64, 4


def weighted_sums(spectra: npt.NDArray[Any], weights: npt.ArrayLike) -> Floats | None:
    """Return the sums (n_spectra, k) of spectra (n_spectra, n) times weights (k, n), in float64.

    Only channels with a weight are read, for each sum its own.
    """
    rows = contiguous_rows(spectra)
    factors = np.ascontiguousarray(weights, dtype=np.float64)
    layout = _layout(factors.tobytes(), factors.shape, LINE // rows.itemsize)
    return _filled("weighted", rows, (len(factors),), *layout)


def robust_deviations(
    spectra: npt.NDArray[Any], cut: float, whole_factor: float, cut_factor: float
) -> Floats | None:
    """Return the robust deviation (n_spectra,) of the second differences of spectra, NaN for NaN.

    The median size over `whole_factor`; then over `cut_factor` of the sizes within `cut`
    deviations, until none is left to drop.
    """
    return _filled("deviations", contiguous_rows(spectra), (), cut, whole_factor, cut_factor)


def _filled(
    name: str, rows: npt.NDArray[Any], tail: tuple[int, ...], *arguments: Any
) -> Floats | None:
    result = np.empty((len(rows), *tail))
    done: list[Any] = []

    def fill(part: slice) -> None:
        done.append(run("row_scores", name, rows[part], *arguments, result[part]))

    over_blocks(fill, len(rows), ROWS_AT_ONCE)
    return result if all(done) else None


@lru_cache(maxsize=8)
def _layout(weights: bytes, shape: tuple[int, int], step: int) -> tuple[npt.NDArray[Any], ...]:
    """Lay the weights out for the kernel `row_scores.weighted`; kept, for blocks come in turn."""
    factors = np.frombuffer(weights).reshape(shape)
    return *_pieces(factors), _stream(np.flatnonzero(factors.any(axis=0)), step)


def _pieces(weights: Floats) -> tuple[npt.NDArray[Any], ...]:
    """Return the pieces, their places and factors, the singles, their channels and weights.

    A run of channels with a weight is cut into pieces of 16; its last piece reaches back into the
    one before, with weights of nought there. Runs below 16 are single channels.
    """
    pieces, singles = [0], [0]
    places: list[int] = []
    factors: list[Floats] = []
    channels: list[int] = []
    for row in weights:
        used = np.flatnonzero(row)
        for run_of in np.split(used, np.flatnonzero(np.diff(used) > 1) + 1):
            if run_of.size < PIECE:
                channels.extend(run_of)
                continue
            for start in run_of[::PIECE]:
                place = min(int(start), int(run_of[-1]) + 1 - PIECE)
                factors.append(np.where(np.arange(place, place + PIECE) < start, 0.0,
                                        row[place : place + PIECE]))  # fmt: skip
                places.append(place)
        pieces.append(len(places))
        singles.append(len(channels))
    rest = np.repeat(np.arange(len(weights)), np.diff(singles))
    laid = np.concatenate(factors) if factors else np.empty(0)
    whole = [np.array(one, dtype=np.intp) for one in (pieces, places, singles, channels)]
    return whole[0], whole[1], laid, whole[2], whole[3], weights[rest, whole[3]]


def _stream(channels: npt.NDArray[np.intp], step: int) -> npt.NDArray[np.intp]:
    """Return a channel in each cache line of the channels in use and of short gaps between them."""
    breaks = np.flatnonzero(np.diff(channels) > BRIDGED * step) + 1
    runs = [run_of for run_of in np.split(channels, breaks) if run_of.size]
    lines = [np.append(np.arange(one[0], one[-1], step), one[-1]) for one in runs]
    return np.concatenate(lines) if lines else channels
