"""How a measured file looks, before anything is made of it: what a run and a check ask of each."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import xarray as xr

from ..schema import MAP_DIMS
from ..spectra.twins import Imprint, imprint
from .bad_channels import Asked, Spikes, spikes_of
from .measurements import Measurement


@dataclass(frozen=True)
class Look:
    """Spikes and imprint of a file, the warnings of its reader as JSON, and whether it is a map."""

    spikes: Spikes
    imprint: Imprint
    said: str
    is_map: bool

    @property
    def warnings(self) -> list[str]:
        """What the reader warned of."""
        found: list[str] = json.loads(self.said)
        return found


def look_at(array: xr.DataArray, row: Measurement, asked: Asked, said: Sequence[str]) -> Look:
    """Look at a file that was read, where the procedures keep it."""
    found = spikes_of(array, row, asked), imprint(array)
    return Look(*found, json.dumps(list(said)), array.dims == MAP_DIMS)
