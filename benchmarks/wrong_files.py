"""What is done to the files and tables of a wrong study, and what must be said of it."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np

from residuekit import io
from residuekit.schema import make_map

Row = dict[str, str]


def rows_of(folder: Path) -> list[Row]:
    with (folder / "measurements.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def with_role(rows: list[Row], role: str) -> list[Row]:
    return [row for row in rows if row["role"] == role]


def write_rows(folder: Path, rows: list[Row]) -> None:
    with (folder / "measurements.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _times(folder: Path, factor: float) -> None:
    rows = rows_of(folder)
    for row in with_role(rows, "spiked"):
        row["loading_ug_cm2"] = str(float(row["loading_ug_cm2"]) * factor)
    write_rows(folder, rows)


def _first(folder: Path, role: str, place: int = 0) -> Path:
    return folder / with_role(rows_of(folder), role)[place]["file"]


def loadings_ten_times(folder: Path) -> None:
    """Loadings ten times too high."""
    _times(folder, 10)


def loadings_a_tenth(folder: Path) -> None:
    """Loadings ten times too low."""
    _times(folder, 0.1)


def loadings_a_thousand_times(folder: Path) -> None:
    """Loadings a thousand times too high."""
    _times(folder, 1000)


def no_blanks(folder: Path) -> None:
    """No blank."""
    write_rows(folder, [row for row in rows_of(folder) if row["role"] != "blank"])


def two_blanks(folder: Path) -> None:
    """Two blanks only."""
    rows = rows_of(folder)
    dropped = with_role(rows, "blank")[2:]
    write_rows(folder, [row for row in rows if row not in dropped])


def no_reference(folder: Path) -> None:
    """No reference."""
    write_rows(folder, [row for row in rows_of(folder) if row["role"] != "reference"])


def no_spiked(folder: Path) -> None:
    """No spiked mock-up."""
    write_rows(folder, [row for row in rows_of(folder) if row["role"] != "spiked"])


def no_exposed(folder: Path) -> None:
    """No exposed mock-up."""
    write_rows(folder, [row for row in rows_of(folder) if row["role"] != "exposed"])


def no_rows(folder: Path) -> None:
    """A table of headers only."""
    path = folder / "measurements.csv"
    path.write_text(path.read_text("utf-8").splitlines()[0] + "\n", encoding="utf-8")


def no_table(folder: Path) -> None:
    """No table."""
    (folder / "measurements.csv").unlink()


def a_row_twice(folder: Path) -> None:
    """A row twice."""
    rows = rows_of(folder)
    write_rows(folder, [*rows, rows[0]])


def a_longer_row(folder: Path) -> None:
    """A row with more cells than the header."""
    path = folder / "measurements.csv"
    lines = path.read_text("utf-8").splitlines()
    path.write_text("\n".join([lines[0], lines[1] + ",1,2", *lines[2:]]), encoding="utf-8")


def a_column_twice(folder: Path) -> None:
    """A column twice."""
    path = folder / "measurements.csv"
    path.write_text(path.read_text("utf-8").replace("soiling", "paint", 1), encoding="utf-8")


def a_misspelled_column(folder: Path) -> None:
    """A misspelled column."""
    path = folder / "measurements.csv"
    path.write_text(path.read_text("utf-8").replace("exposure_min", "exposur_min", 1), "utf-8")


def a_blank_as_exposed(folder: Path) -> None:
    """A blank map saved again as an exposed one."""
    array = io.read(_first(folder, "blank"))
    array.attrs["note"] = "again"
    io.write(array, _first(folder, "exposed"))


def a_blank_as_blank(folder: Path) -> None:
    """A blank map saved again as another, each number a ten-millionth higher."""
    io.write(io.read(_first(folder, "blank")) * (1 + 1e-7), _first(folder, "blank", 1))


def an_exposed_as_spiked(folder: Path) -> None:
    """An exposed map saved again as a spiked one."""
    io.write(io.read(_first(folder, "exposed")), _first(folder, "spiked"))


def another_quantity(folder: Path) -> None:
    """A blank in reflectance among absorbance."""
    array = io.read(_first(folder, "blank"))
    values = 10.0**-array.values
    io.write(make_map(values, array["wavenumber"].values, quantity="reflectance"),
             _first(folder, "blank"))  # fmt: skip


def another_grid(folder: Path) -> None:
    """A blank on another grid of wavenumbers."""
    array = io.read(_first(folder, "blank"))
    axis = array["wavenumber"].values + 2.0
    io.write(make_map(array.values, axis), _first(folder, "blank"))


def a_short_axis(folder: Path) -> None:
    """A blank that ends before the range of the procedure."""
    array = io.read(_first(folder, "blank"))
    io.write(array.isel(wavenumber=slice(40)), _first(folder, "blank"))


def only_noise(folder: Path) -> None:
    """A blank of which every value is missing."""
    array = io.read(_first(folder, "blank"))
    io.write(make_map(array.values * np.nan, array["wavenumber"].values), _first(folder, "blank"))


def saturated(folder: Path) -> None:
    """A blank beyond what a detector follows."""
    array = io.read(_first(folder, "blank"))
    io.write(make_map(array.values + 6.0, array["wavenumber"].values), _first(folder, "blank"))


def a_cut_file(folder: Path) -> None:
    """A file that was cut."""
    path = _first(folder, "exposed")
    path.write_bytes(path.read_bytes()[:5000])


def an_empty_file(folder: Path) -> None:
    """An empty file."""
    _first(folder, "exposed").write_bytes(b"")


def a_link_outside(folder: Path) -> None:
    """A file that is a link out of the study."""
    path = _first(folder, "exposed")
    outside = folder.parent / "outside.nc"
    shutil.copyfile(path, outside)
    path.unlink()
    path.symlink_to(outside)


#: What is done to the files or to the whole table, and what must be said.
FILES = (
    (loadings_ten_times, "times what a thin organic film does"),
    (loadings_a_tenth, "times what a thin organic film does"),
    (loadings_a_thousand_times, "times what a thin organic film does"),
    (no_blanks, "without a blank"),
    (two_blanks, "blank"),
    (no_reference, "reference"),
    (no_spiked, "spiked"),
    (no_exposed, "exposed"),
    (no_rows, "row"),
    (no_table, "no measurements.csv"),
    (a_row_twice, "line 2"),
    (a_longer_row, "cells"),
    (a_column_twice, "paint"),
    (a_misspelled_column, "did you mean"),
    (a_blank_as_exposed, "closer than the noise"),
    (a_blank_as_blank, "closer than the noise"),
    (an_exposed_as_spiked, "closer than the noise"),
    (another_quantity, "reflectance"),
    (another_grid, "resample"),
    (a_short_axis, "data/alkyd_water_1_map1.nc"),
    (only_noise, "data/alkyd_water_1_map1.nc"),
    (saturated, "data/alkyd_water_1_map1.nc"),
    (a_cut_file, "damaged"),
    (an_empty_file, "empty"),
    (a_link_outside, "leaves the study folder"),
)
