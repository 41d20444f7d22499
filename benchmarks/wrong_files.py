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


def a_reference_that_is_a_blank(folder: Path) -> None:
    """The files of the reference and of a blank exchanged."""
    rows = rows_of(folder)
    one, other = with_role(rows, "reference")[0], with_role(rows, "blank")[0]
    one["file"], other["file"] = other["file"], one["file"]
    write_rows(folder, rows)


def a_spiked_as_blank(folder: Path) -> None:
    """The files of a spiked mock-up and of a blank exchanged."""
    rows = rows_of(folder)
    one, other = with_role(rows, "spiked")[3], with_role(rows, "blank")[0]
    one["file"], other["file"] = other["file"], one["file"]
    write_rows(folder, rows)


def another_technique(folder: Path) -> None:
    """A blank in another technique."""
    array = io.read(_first(folder, "blank"))
    axis = array["wavenumber"].values
    io.write(make_map(array.values, axis, technique="atr"), _first(folder, "blank"))


def thousandths(folder: Path) -> None:
    """A blank in thousandths of absorbance."""
    io.write(io.read(_first(folder, "blank")) * 1000, _first(folder, "blank"))


def percent(folder: Path) -> None:
    """A blank in percent of transmittance under the name of absorbance."""
    array = io.read(_first(folder, "blank"))
    io.write(array.copy(data=100 * 10.0**-array.values), _first(folder, "blank"))


def a_turned_map(folder: Path) -> None:
    """A blank map saved again as an exposed one, its rows from the other end."""
    io.write(io.read(_first(folder, "blank")).isel(y=slice(None, None, -1)),
             _first(folder, "exposed"))  # fmt: skip


def wavenumbers_from_the_other_end(folder: Path) -> None:
    """A reference whose numbers run against its wavenumbers."""
    array = io.read(_first(folder, "reference"))
    io.write(array.copy(data=array.values[..., ::-1]), _first(folder, "reference"))


def a_flat_reference(folder: Path) -> None:
    """A reference without a band."""
    array = io.read(_first(folder, "reference"))
    rng = np.random.default_rng(1)
    io.write(array.copy(data=rng.normal(0.1, 1e-5, array.shape)), _first(folder, "reference"))


def another_reference(folder: Path) -> None:
    """The spectrum of another material as reference."""
    array = io.read(_first(folder, "reference"))
    axis = array["wavenumber"].values
    bands = 0.3 * np.exp(-(((axis - 1620) / 15) ** 2)) + 0.2 * np.exp(-(((axis - 1320) / 12) ** 2))
    io.write(array.copy(data=np.broadcast_to(bands, array.shape)), _first(folder, "reference"))


def half_of_the_spikes(folder: Path) -> None:
    """Two spiked mock-ups that carry nothing."""
    rng = np.random.default_rng(2)
    for place in (2, 3):
        array = io.read(_first(folder, "blank", place))
        level = rng.normal(0, 2e-3) * np.linspace(0, 1, array["wavenumber"].size)
        io.write(array + level + rng.normal(0, 2e-3, array.shape), _first(folder, "spiked", place))


def all_of_the_spikes(folder: Path) -> None:
    """Four spiked mock-ups that carry nothing."""
    rng = np.random.default_rng(2)
    for place in range(4):
        array = io.read(_first(folder, "blank", place))
        level = rng.normal(0, 2e-3) * np.linspace(0, 1, array["wavenumber"].size)
        io.write(array + level + rng.normal(0, 2e-3, array.shape), _first(folder, "spiked", place))


def wavenumbers_twice(folder: Path) -> None:
    """A table in which half of the wavenumbers stand twice."""
    array = io.read(_first(folder, "blank"))
    axis, mean = array["wavenumber"].values, array.values.reshape(-1, array.sizes["wavenumber"])[0]
    twice = np.sort(np.concatenate([axis, axis[::2]]))
    lines = [f"{at:.4f},{np.interp(at, axis, mean):.6f}" for at in twice]
    (folder / "data/twice.csv").write_text("wavenumber,a\n" + "\n".join(lines), encoding="utf-8")
    rows = rows_of(folder)
    with_role(rows, "blank")[0]["file"] = "data/twice.csv"
    write_rows(folder, rows)


def nanometres(folder: Path) -> None:
    """A blank whose axis is in nm."""
    array = io.read(_first(folder, "blank"))
    io.write(make_map(array.values[..., ::-1], 1e7 / array["wavenumber"].values[::-1]),
             _first(folder, "blank"))  # fmt: skip


def half_of_the_channels(folder: Path) -> None:
    """A blank of which every second channel is missing."""
    array = io.read(_first(folder, "blank"))
    values = array.values.copy()
    values[..., ::2] = np.nan
    io.write(make_map(values, array["wavenumber"].values), _first(folder, "blank"))


#: What is done to the files or to the whole table, and what must be said.
FILES = (
    (loadings_ten_times, "times what a thin organic film does"),
    (loadings_a_tenth, "times what a thin organic film does"),
    (loadings_a_thousand_times, "times what a thin organic film does"),
    (no_blanks, "without a blank"),
    (two_blanks, "2 blank mock-ups, so every verdict"),
    (no_reference, "reference"),
    (no_spiked, "scale of PVA cryogel on alkyd: none"),
    (no_exposed, "no row of role exposed"),
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
    (a_reference_that_is_a_blank, "blanks scatter too much"),
    (a_spiked_as_blank, "blanks scatter too much"),
    (another_technique, "one technique for all files"),
    (thousandths, "not fit to be judged"),
    (percent, "not fit to be judged"),
    (a_turned_map, "closer than the noise"),
    (wavenumbers_from_the_other_end, "No reference of the material has a band"),
    (a_flat_reference, "times what a thin organic film does"),
    (another_reference, "No reference of the material has a band"),
    (half_of_the_spikes, "as those of other loadings"),
    (all_of_the_spikes, "times what a thin organic film does"),
    (wavenumbers_twice, "which stands twice"),
    (nanometres, "no channel from 910 to 1840"),
    (half_of_the_channels, "no valid pixel"),
)
