"""The results of a run, opened again."""

from __future__ import annotations

import shutil

import pandas as pd
import pytest

from residuekit.errors import ReadError
from residuekit.reprs import to_error
from residuekit.results import TABLES, arm_words, open_run
from residuekit.schema import VERDICT_COLUMNS

ROW = {
    "paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel", "exposure_min": 2.0,
    "clearance_min": 2.5,
}  # fmt: skip


def test_a_study_opens_its_newest_run_and_a_run_itself(finished):
    for folder in (finished.study.folder, finished.result.folder, str(finished.result.folder)):
        again = open_run(folder)
        assert again.folder == finished.result.folder
        for name in TABLES:
            pd.testing.assert_frame_equal(getattr(again, name), getattr(finished.result, name))
        assert again.spectra.identical(finished.result.spectra)


def test_the_mean_spectra_stand_by_mockup_and_reference(finished):
    spectra = finished.result.spectra
    assert spectra["spectrum"].dims == ("row", "wavenumber")
    roles, counts = zip(*pd.Series(spectra["role"].values).value_counts().items(), strict=True)
    assert dict(zip(roles, counts, strict=True)) == {
        "exposed": 6, "blank": 4, "spiked": 4, "reference": 1,
    }  # fmt: skip
    assert spectra["wavenumber"].attrs["units"] == "cm-1"
    assert spectra["wavenumber"].values[0] >= 910


def test_the_results_say_themselves(finished):
    result = finished.result
    said = str(result)
    first, second = said.split("alkyd, PVA cryogel ")[1:]
    assert said.startswith("Simulated study (invented data)")
    assert first.startswith("2 min, cleared 2 min\n    NOT DETECTED. Net signal: mean ")
    assert second.startswith("60 min, cleared 2 min\n    DETECTED. Net signal: mean ")
    for row, words in zip(result.verdicts.to_dict("records"), (first, second), strict=True):
        said = " ".join(words.split())
        error = row["standard_error"]
        assert f"detection limit {to_error(row['detection_limit'], error)}" in said
        assert f"upper bound {to_error(row['upper_bound'], error)} ug cm-2" in said
    lower = to_error(2 * row["estimate"] - row["upper_bound"], error)
    assert f"Lower bound {lower} ug cm-2." in said
    bound = f"{result.verdicts['share_upper_bound'][0]:.0%}"
    words = " ".join(first.split())
    assert (
        f"Up to {bound} of such mock-ups could still do so (95% confidence). One mock-up with"
        in words
    )
    assert tuple(result.to_frame().columns) == VERDICT_COLUMNS
    page = result._repr_html_()
    assert "<table" in page
    assert page.count("<th scope='row'") == 2
    assert f"<td style='text-align:left'>{lower}</td>" in page
    assert "nan" not in page
    assert "DataFrame" not in repr(result)
    assert result.failures == {}


@pytest.mark.parametrize("lost", ["provenance.json", "spectra.nc", "verdicts.csv", "markers.csv"])
def test_a_run_that_lacks_a_part_is_refused(finished, tmp_path, lost):
    folder = shutil.copytree(finished.result.folder, tmp_path / "run")
    (folder / lost).unlink()
    with pytest.raises(ReadError, match=rf"no {lost}.*residuekit run"):
        open_run(folder)


@pytest.mark.parametrize("broken", ["provenance.json", "spectra.nc", "verdicts.csv"])
def test_a_run_that_was_damaged_is_refused(finished, tmp_path, broken):
    folder = shutil.copytree(finished.result.folder, tmp_path / "run")
    (folder / broken).write_bytes(b'{"half": ')
    with pytest.raises(ReadError, match=broken):
        open_run(folder)


def test_a_folder_that_is_no_run_says_what_to_do(tmp_path):
    with pytest.raises(ReadError, match="residuekit run DIR first"):
        open_run(tmp_path)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({}, "alkyd, gel 2 min, cleared 2.5 min"),
        ({"soiling": "grime", "ageing_h": 500.0},
         "alkyd, soiling grime, aged 500 h, gel 2 min, cleared 2.5 min"),
    ],
)  # fmt: skip
def test_an_arm_in_words(other, words):
    assert arm_words({**ROW, **other}) == words
