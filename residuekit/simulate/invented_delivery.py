"""An invented delivery: the tram shelter's mock-ups as a laboratory might hand them over."""

from __future__ import annotations

import csv
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from .. import io
from .mockup_variation import Variation
from .studies import simulate_study
from .study_design import Arm, StudyDesign

_NOTE = """INVENTED DATA. Painted panels of a fictional 1970s tram shelter: every number here was
made by residuekit.simulate. Nothing in this folder says anything about a real paint, gel or
treatment.

water/      water-only mock-ups B1 to B6: tables with decimal commas, a column a pixel, %T
gel-60/     a workbook, a sheet a mock-up: L1 to L4, 60 minutes of gel
gel-2/      columns of text, a column a pixel, absorbance in mAU: E1 to E4, 2 minutes of gel
spiked/     one file a pixel, named by its place (S1, S2), and maps on another grid (S3 to S6): a
            known loading, S1, S3, S5 2 ug cm-2; S2, S4, S6 6 ug cm-2
gel/        the pure gel
"""
#: How the names of the files are made, for `residuekit new --pattern`.
DELIVERY_PATTERNS = ("{paint}_{treatment}_{mockup}_{map}", "{treatment}_pure_{number}")


def _design(n_side: int) -> StudyDesign:
    return StudyDesign(
        arms=(Arm(2.0, n_mockups=4), Arm(60.0, n_mockups=4, loading_ug_cm2=5.0)),
        n_blanks=6,
        spiked_ug_cm2=(2.0, 6.0),
        n_spiked=3,
        maps_per_mockup=1,
        shape=(n_side, n_side),
        axis=(900.0, 1850.0, 3.8),
        variation=Variation(session=0.2),
        references=(("PVA cryogel", "PVA cryogel"), ("PVA cryogel", "PVA cryogel, soluble part")),
    )


def write_delivery(folder: str | os.PathLike[str], n_side: int = 4, seed: int = 1973) -> None:
    """Write 20 mock-ups and the pure gel in five forms and on two grids, with a note on each.

    Parameters
    ----------
    folder : absent or empty.
    n_side : pixels of a map along x and along y.
    seed : the same seed gives the same numbers.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_delivery(folder, n_side=2)
    ...     sorted(path.name for path in Path(folder).iterdir())
    ['README.txt', 'gel', 'gel-2', 'gel-60', 'spiked', 'water']
    """
    import openpyxl

    folder = Path(folder)
    with tempfile.TemporaryDirectory() as made:
        study = Path(made) / "study"
        simulate_study(study, _design(n_side), seed=seed)
        rows = _read_rows(study / "measurements.csv")
        arrays = [(row, io.read(study / row["file"])) for row in rows]
    (folder / "gel").mkdir(parents=True)
    (folder / "README.txt").write_text(_NOTE, encoding="utf-8")
    book = openpyxl.Workbook()
    book.remove(book.active)
    counts: dict[str, int] = {}
    for row, array in arrays:
        if row["role"] == "reference":
            counts["R"] = counts.get("R", 0) + 1
            io.write(_even(array), folder / "gel" / f"PVA cryogel_pure_{counts['R']}.jdx")
            continue
        late = row["role"] == "exposed" and float(row["exposure_min"]) > 2
        letter = {"blank": "B", "spiked": "S", "exposed": "L" if late else "E"}[row["role"]]
        number = counts[letter] = counts.get(letter, 0) + 1
        if letter == "S":  # the two loadings by turns
            number = 2 * number - 1 if float(row["loading_ug_cm2"]) < 4 else 2 * (number - 3)
        name = f"alkyd_{row['treatment']}_{letter}{number}_m1"
        if letter == "B":
            _by_column(_even(array), folder / "water" / f"{name}.csv", "%T")
        elif letter == "E":
            _by_column(_even(array), folder / "gel-2" / f"{name}.asc", "mAU")
        elif letter == "L":
            _sheet(_even(array), book.create_sheet(name))
        elif number <= 2:
            _pixels(_even(array), folder / "spiked" / name)
        else:
            io.write(array.isel(wavenumber=slice(1, None, 2)), folder / "spiked" / f"{name}.nc")
    (folder / "gel-60").mkdir()
    book.save(folder / "gel-60" / "panels.xlsx")


def _read_rows(table: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))


def _even(array: xr.DataArray) -> xr.DataArray:
    return array.isel(wavenumber=slice(None, None, 2))


def _by_column(array: xr.DataArray, path: Path, unit: str) -> None:
    """A column a pixel, highest wavenumber first."""
    path.parent.mkdir(exist_ok=True)
    numbers = array.values.reshape(-1, array.sizes["wavenumber"]).astype(float)
    numbers = 100 * 10**-numbers if unit == "%T" else 1000 * numbers
    places = [(x, y) for y in array["y"].values for x in array["x"].values]
    german = unit == "%T"
    head = [f"Einheit;{unit}", "Wellenzahl;" + ";".join(f"({x:g},{y:g})" for x, y in places)]
    if not german:
        head = ["units\t" + unit, "cm-1\t" + "\t".join(f"x{x:g} y{y:g}" for x, y in places)]
    lines = [
        [f"{w:.2f}", *(f"{n:.4f}" for n in column)]
        for w, column in zip(array["wavenumber"].values[::-1], numbers.T[::-1], strict=True)
    ]
    mark = ";" if german else "\t"
    text = "\n".join([*head, *(mark.join(cells) for cells in lines)]) + "\n"
    if german:
        text = head[0] + "\n" + head[1] + "\n" + text.split("\n", 2)[2].replace(".", ",")
    path.write_text(text, encoding="utf-8")


def _sheet(array: xr.DataArray, page: Any) -> None:
    page.append(["x (um)", "y (um)", *array["wavenumber"].values.round(2).tolist()])
    for y, x in np.ndindex(array.shape[:2]):
        values = array.values[y, x].astype(float).round(6).tolist()
        page.append([float(array["x"][x]), float(array["y"][y]), *values])


def _pixels(array: xr.DataArray, folder: Path) -> None:
    """One file a pixel, named by its place."""
    folder.mkdir(parents=True)
    for y, x in np.ndindex(array.shape[:2]):
        place = f"pt_x{array['x'].values[x]:04.0f}_y{array['y'].values[y]:04.0f}.csv"
        rows = zip(array["wavenumber"].values, array.values[y, x], strict=True)
        text = "".join(f"{w:.2f},{value:.6f}\n" for w, value in rows)
        (folder / place).write_text(f"wavenumber,absorbance\n{text}", encoding="utf-8")
