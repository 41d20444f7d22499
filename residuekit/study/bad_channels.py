"""Channels that are bad in file after file are the instrument's: found in all, bridged in all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from ..schema import WAVENUMBER
from ..spectra.corrections import bridge
from ..spectra.procedure import Procedure
from ..spectra.quality import THRESHOLDS, spiked_channels
from .manifest import Manifest
from .measurements import Measurement

Floats = npt.NDArray[np.float64]
#: A bad channel is shared by at least so many files, and by this share of all files and of the
#: blanks, so that a gel's line is none. One spectrum in 50 with a spike at random among 500
#: channels: by chance in fewer than one study of 1e8 (binomial; references do not count).
LEAST_FILES, LEAST_SHARE = 3, 0.5


@dataclass(frozen=True)
class Asked:
    """What is asked of every file: spikes above a ratio, where one of the procedures keeps them."""

    procedures: tuple[Procedure, ...]
    ratio: float

    @classmethod
    def of(cls, manifest: Manifest) -> Asked:
        """What a study asks."""
        ratio = manifest.quality.get("spike_ratio", THRESHOLDS["spike_ratio"])
        return cls(tuple(manifest.procedures), float(ratio or 0))


@dataclass(frozen=True)
class Spikes:
    """Where a file has spikes in more than half of its spectra, on which axis (cm-1)."""

    role: str
    places: Floats
    first: float
    last: float
    spacing: float

    def at(self, place: float) -> bool:
        """Whether one is within half a channel of a wavenumber."""
        return bool((np.abs(self.places - place) <= self.spacing / 2).any())


@dataclass(frozen=True)
class BadChannel:
    """A channel that is the instrument's: its wavenumber, in how many files of how many."""

    wavenumber: float
    n_files: int
    n_all: int


def spikes_of(array: xr.DataArray, row: Measurement, asked: Asked) -> Spikes:
    """Look for channels that are bad all through a file, where a procedure keeps them."""
    ends = [end for one in asked.procedures for end in one.kept_range(array)]
    places = spiked_channels(array, (min(ends), max(ends)), asked.ratio)
    axis = array[WAVENUMBER].values
    return Spikes(row.role, np.array(places), float(axis[0]), float(axis[-1]), _spacing(axis))


def shared_channels(files: Iterable[Spikes]) -> tuple[BadChannel, ...]:
    """The channels that are bad in file after file, ascending; references are not asked."""
    asked = [one for one in files if one.role != "reference"]
    found: list[BadChannel] = []
    for place in sorted({float(place) for one in asked for place in one.places}):
        covering = [one for one in asked if one.first <= place <= one.last]
        hit = [one for one in covering if one.at(place)]
        blanks = [one.at(place) for one in covering if one.role == "blank"]
        if len(hit) < max(LEAST_FILES, LEAST_SHARE * len(covering)):
            continue
        if sum(blanks) < LEAST_SHARE * len(blanks):
            continue
        if not found or place - found[-1].wavenumber > hit[0].spacing / 2:
            found.append(BadChannel(place, len(hit), len(covering)))
    return tuple(found)


def without_channels(array: xr.DataArray, places: Sequence[float]) -> xr.DataArray:
    """Bridge channels by a straight line between their neighbours, as a step of the history."""
    axis = array[WAVENUMBER].values
    reach = _spacing(axis) / 2
    for place in places:
        nearest = int(np.argmin(np.abs(axis - place)))
        if 0 < nearest < axis.size - 1 and abs(axis[nearest] - place) <= reach:
            own = round(float(axis[nearest]), 4)
            array = bridge(array, own - reach / 2, own + reach / 2, side=1)
    return array


def _spacing(axis: Any) -> float:
    return float(np.median(np.diff(axis))) if axis.size > 1 else 0.0
