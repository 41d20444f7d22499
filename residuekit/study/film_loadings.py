"""The loadings of reference films: by their thickness where they are given so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from ..errors import Fault
from .measurements import Measurement
from .residues import Residue, loading_of


def with_film_loadings(
    table: str,
    rows: Sequence[Measurement],
    residues: Sequence[Residue],
    density: float | None,
) -> tuple[tuple[Measurement, ...], list[Fault]]:
    """The rows with the loading of each film that is given by its thickness, and what is wrong with
    thicknesses and errors; `density` is that of the short form."""
    made, faults = [], []
    for row in rows:
        if row.doubtful:
            made.append(row)
            continue
        said = _wrong(row)
        own = density
        if residues:
            own = next((one.density for one in residues if one.holds(row)), None)
        if not said and not math.isnan(row.thickness_nm):
            if own is None:
                said = (f"thickness_nm {row.thickness_nm:g} without a density of {row.carried!r}",
                        "its density, to know the loading",
                        "density_g_cm3 in study.toml (see rk.markers.densities())")  # fmt: skip
            else:
                row = replace(row, loading_ug_cm2=loading_of(row.thickness_nm, own))
        if said:
            faults.append(Fault(*said, table, row.line))
        made.append(row)
    return tuple(made), faults


def _wrong(row: Measurement) -> tuple[str, str, str] | None:
    if row.role not in ("spiked", "reference") and row.loading_ug_cm2 > 0:
        return (
            f"loading_ug_cm2 {row.loading_ug_cm2:g} in a row of role {row.role}",
            "a loading of spiked mock-ups and reference films alone",
            "role spiked, or an empty cell",
        )
    if not math.isnan(row.thickness_nm):
        if row.role != "reference":
            return (f"thickness_nm in a row of role {row.role}", "none but of reference films",
                    "loading_ug_cm2 for spiked mock-ups, else an empty cell")  # fmt: skip
        if not math.isnan(row.loading_ug_cm2):
            return ("loading_ug_cm2 and thickness_nm in one row", "one of them",
                    "leave one of them empty")  # fmt: skip
    known = row.loading_ug_cm2 > 0 or row.thickness_nm > 0
    if not math.isnan(row.loading_error_percent) and not known:
        return ("loading_error_percent without a loading", "the loading that it is the error of",
                "loading_ug_cm2 in that row, or an empty cell")  # fmt: skip
    return None
