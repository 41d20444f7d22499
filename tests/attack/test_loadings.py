"""Loadings in the wrong unit, or one of them mistyped: said by `check`, refused when far off."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit import io
from residuekit.errors import StudyError
from residuekit.study import load_manifest
from residuekit.study.inspect import check_folder
from residuekit.study.loading_faults import (
    REFUSED,
    _no_scale,
    _response,
    _unlike_others,
    doubted_loadings,
)
from residuekit.study.mockups import MapSummary

pytestmark = pytest.mark.usefixtures("without_pictures")


def times(study, factor, wanted=lambda _row: True):
    study.write_rows([
        {**row, "loading_ug_cm2": str(float(row["loading_ug_cm2"]) * factor)}
        if row["role"] == "spiked" and wanted(row) else row
        for row in study.rows()
    ])  # fmt: skip


def test_right_loadings_are_not_doubted(study):
    assert "1 mg m-2" not in check_folder(study.folder)


@pytest.mark.parametrize("factor", [10, 0.1])
def test_all_loadings_ten_times_off_are_said(study, factor):
    times(study, factor)
    said = check_folder(study.folder)
    assert "times what a thin organic film does" in said
    assert "1 mg m-2 is 0.1 ug cm-2" in said


@pytest.mark.parametrize("factor", [1000, 0.001])
def test_all_loadings_a_thousand_times_off_are_refused_unless_checked(study, factor):
    times(study, factor)
    for refuse in (lambda: check_folder(study.folder), study.run):
        with pytest.raises(StudyError, match="what a thin organic film"):
            refuse()
    study.edit("beta = 0.05", "beta = 0.05\nloading_checked = true")
    assert "times what a thin organic film does" in check_folder(study.folder)


def test_that_loadings_were_checked_is_recorded_and_said_with_every_verdict(warm_study, finished):
    warm_study.edit("beta = 0.05", "beta = 0.05\nloading_checked = true")
    result = warm_study.run()
    assert result.provenance["study"]["loading_checked"] is True
    assert finished.result.provenance["study"]["loading_checked"] is False
    assert result.verdicts["codes"].str.contains("loadings-checked").all()
    assert result.verdicts["reason"].str.contains("the statement that they were checked").all()
    assert not finished.result.verdicts["codes"].str.contains("loadings-checked").any()


def test_one_loading_a_hundred_times_off_is_refused_by_name(study):
    times(study, 100, lambda row: row["loading_ug_cm2"] in ("6", "6.0"))
    with pytest.raises(StudyError, match="as those of other loadings"):
        check_folder(study.folder)


def test_a_loading_is_not_held_against_others_that_do_not_respond():
    names, loads = [f"S{k}" for k in range(1, 7)], np.array([2.0] * 3 + [6.0] * 3)
    blind = np.array([0.004, -0.003, 0.001, 0.002, -0.001, 0.9])
    ((factor, said),) = _unlike_others("", names, loads, blind, 0.01)
    assert factor == 0
    assert said.startswith("spiked mock-up S6 responds, those of other loadings do not")
    assert not [*_unlike_others("", names, loads, 0.04 * blind, 0.01)]
    seen = np.array([0.2, 0.2, 0.2, 0.6, 0.6, 60.0])
    ((factor, said),) = _unlike_others("", names, loads, seen, 0.01)
    assert factor == pytest.approx(100)
    assert factor > REFUSED
    assert "S6 of 6 ug cm-2, which responds 100 times as much a unit" in said


def scattering_blanks(study):
    """Blanks that differ by more of the gel's own band than the spiked mock-ups carry."""
    pure = io.read(study.folder / study.files("reference")[0]).values.mean(axis=0)
    for place, file in enumerate(study.files("blank")):
        array = io.read(study.folder / file)
        io.write(array + (place % 2) * 0.05 * pure / np.ptp(pure), study.folder / file)


def test_loadings_that_the_scatter_of_the_blanks_hides_are_said_to_be_unjudged(study):
    scattering_blanks(study)
    said = check_folder(study.folder)
    assert "cannot be judged, because the blanks scatter too much" in said
    assert "Loadings too high by any factor or" in said
    times(study, 1000)
    with pytest.raises(StudyError, match="what a thin organic film"):
        check_folder(study.folder)


@pytest.mark.parametrize(
    ("step", "why"),
    [('{step = "normalise", method = "vector"}', "the procedure normalises"),
     ('{step = "smooth", window = 9, order = 2, derivative = 1}', "takes a derivative")],
)  # fmt: skip
def test_where_responses_have_no_scale_of_their_own_the_loadings_are_unjudged(study, step, why):
    manifest = load_manifest(study.folder)
    assert _no_scale(manifest, []) == ""
    study.edit("high = 1840},", f"high = 1840}}, {step},")
    assert why in _no_scale(load_manifest(study.folder), [])


def test_loadings_are_told_to_be_unjudged_where_maps_are_in_another_quantity(study):
    manifest = load_manifest(study.folder)
    axis = np.arange(1000.0, 1200.0, 10.0)
    controls = [
        MapSummary(row, "", axis, np.sin(axis), 1, {}, "reflectance", "reflection")
        for row in manifest.measurements
        if row.role != "exposed"
    ]
    faults, notes = doubted_loadings(manifest, controls)
    assert faults == []
    assert "cannot be judged, because the response of a film in reflectance" in notes[0]


@pytest.mark.parametrize("spiked", [True, False])
@pytest.mark.parametrize(("factor", "refused"), [(1, False), (10, False), (0.001, True)])
def test_the_loading_of_a_film_is_held_against_a_thin_organic_one(study, spiked, factor, refused):
    """A thickness in um under the head of nm, or ug m-2 under that of ug cm-2."""
    pure = io.read(study.folder / study.files("reference")[0])
    right = float(np.ptp(pure.values.mean(axis=0))) / 0.0019
    study.change(lambda row: row["role"] == "reference", loading_ug_cm2=f"{factor * right:.6g}")
    if not spiked:
        study.keep(lambda row: row["role"] != "spiked")
    try:
        said = check_folder(study.folder)
    except StudyError as problem:
        said = str(problem)
        assert refused
    assert ("he reference film data/reference_1.nc of" in said) is (factor != 1)
    assert ("times what the reference film does" in said) is (spiked and factor != 1)


def test_the_interval_of_a_response_holds_it_as_often_as_stated():
    """2,000 studies of three blanks and four spiked mock-ups: 95 %, within its error of 0.5."""
    rng, loads = np.random.default_rng(1), np.array([2.0, 2.0, 6.0, 6.0])
    held = 0
    for _ in range(2000):
        blanks = rng.normal(size=3)
        heights = 0.7 * loads + rng.normal(size=4) - blanks.mean()
        found, reach = _response(loads, heights, blanks.std(ddof=1), 3)
        held += abs(found - 0.7) < reach
    assert held / 2000 == pytest.approx(0.95, abs=0.015)
