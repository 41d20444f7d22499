"""A study whose files all share a bad channel: the oils of `test_oils`, one at 1474 cm-1."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import residuekit as rk
from residuekit.report.methods import write_methods
from residuekit.schema import make_points
from residuekit.study import Study
from residuekit.study.bad_channels import without_channels
from residuekit.study.inspect import check_folder

pytestmark = pytest.mark.source("computed", "tapp2003", "one channel at 1474 cm-1, bad in all")
CHANNEL = 1474.2
SETTINGS = """title = "oils"
[question]
treatment = "oil"
[procedure]
steps = [{step = "crop", low = 900, high = 1880}]
[markers]
use = [{name = "own ester 1744", low = 1700, high = 1790}]
scores = ["band"]
"""


@pytest.fixture(scope="module")
def table(local):
    path = local / "oils" / "FTIR_Spectra_olive_oils.csv.gz"
    if not path.is_file():
        pytest.skip("the oils are absent")
    return pd.read_csv(path, header=None, skiprows=3).to_numpy(dtype=float)


@pytest.fixture(scope="module")
def oils(table, tmp_path_factory):
    """Five blanks, four exposed, two spiked, one reference: one spectrum a file, as measured."""
    folder = tmp_path_factory.mktemp("oils")
    (folder / "data").mkdir()
    (folder / "study.toml").write_text(SETTINGS, encoding="utf-8")
    rows = []
    roles = ["blank"] * 5 + ["exposed"] * 4 + ["spiked"] * 2 + ["reference"]
    for number, role in enumerate(roles):
        file = f"data/oil-{number}.csv"
        array = make_points(table[:, 1 + 2 * number][None], table[:, 0], technique="atr")
        rk.write(array, folder / file)
        rows.append(
            {"file": file, "role": role, "mockup": f"m{number}", "paint": "oil",
             "treatment": "water" if role == "blank" else "oil",
             "exposure_min": "2" if role == "exposed" else "",
             "clearance_min": "1" if role == "exposed" else "",
             "loading_ug_cm2": str(number) if role == "spiked" else ""}
        )  # fmt: skip
    rows[-1]["mockup"] = ""
    pd.DataFrame(rows).to_csv(folder / "measurements.csv", index=False)
    return folder


def test_check_names_the_channel_of_the_instrument_and_refuses_no_file(oils):
    said = check_folder(oils)
    assert f"At {CHANNEL} cm-1 one channel stands out in 11 of 11 files" in said
    assert "not fit" not in said


@pytest.mark.usefixtures("without_pictures")
def test_a_run_uses_every_file_and_every_text_says_what_was_bridged(oils):
    result = Study.open(oils).run()
    assert result.failures == {}
    record = result.provenance
    (channel,) = record["bad_channels"]
    assert (round(channel["wavenumber"], 1), channel["n_files"], channel["n_all"]) == (
        CHANNEL, 11, 11
    )  # fmt: skip
    said = f"At {CHANNEL} cm"
    assert any(said in remark for remark in record["remarks"])
    assert said in write_methods(result, result.folder)
    assert all(row["n_spike"] == 0 for row in record["quality"])
    with xr.open_dataset(result.folder / record["maps"][0]["map"], engine="h5netcdf") as scored:
        first = json.loads(scored.attrs["history"])[0]
    assert first["step"] == "bridge"
    assert first["low"] < channel["wavenumber"] < first["high"]


def test_the_bridge_is_the_straight_line_between_the_neighbours(table):
    array = make_points(table[:, 1:3].T, table[:, 0])
    bridged = without_channels(array, [CHANNEL])
    at = int(np.argmin(np.abs(array["wavenumber"].values - CHANNEL)))
    near = array.values[:, [at - 1, at + 1]].mean(axis=1)
    np.testing.assert_allclose(bridged.values[:, at], near, rtol=1e-3)
    rest = np.delete(np.arange(array.shape[1]), at)
    np.testing.assert_array_equal(bridged.values[:, rest], array.values[:, rest])
