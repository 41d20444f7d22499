"""Arrays and files the tests of the formats share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from residuekit.schema import make_map, make_points

WAVENUMBER = np.array([1000.0, 1002.5, 1005.0, 1009.125])


@pytest.fixture
def small_map() -> xr.DataArray:
    values = np.arange(2 * 3 * 4, dtype=float).reshape(2, 3, 4) / 10
    values[1, 2, 0] = np.nan
    return make_map(
        values, WAVENUMBER, [0, 5.5, 11], [2, 7.5], technique="atr", source={"made": "here"}
    )


@pytest.fixture
def small_points() -> xr.DataArray:
    values = np.arange(8, dtype=float).reshape(2, 4) / 10
    return make_points(values, WAVENUMBER, ['=first, "quoted"', "zweite µ"])


@pytest.fixture
def saved(tmp_path: Path) -> Callable[[str, str | bytes], Path]:
    """Write a file of this name and content and return its path."""

    def save(name: str, content: str | bytes) -> Path:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return save
