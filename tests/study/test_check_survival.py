"""The check of a study refuses a procedure that eats the gel's band, and names the step."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit import io
from residuekit.errors import StudyError
from residuekit.schema import make_points
from residuekit.study import load_manifest
from residuekit.study.inspect import check_folder

STEP = '{step = "crop", low = 910, high = 1840},'


def refused(study):
    with pytest.raises(StudyError) as caught:
        check_folder(study.folder)
    return caught.value.faults


def test_a_sparing_procedure_passes_and_says_what_it_leaves(study):
    assert "keeps at least 100% of its strength through the procedure" in check_folder(study.folder)


def test_a_step_that_eats_the_band_is_refused_with_its_line_and_what_to_do(study):
    study.edit(STEP, STEP + '\n    {step = "smooth", window = 61},')
    faults = refused(study)
    assert all("step 2, smooth, which leaves" in fault.found for fault in faults)
    assert any("acetate C=O 1735" in fault.found for fault in faults)
    text = study.settings.read_text(encoding="utf-8").splitlines()
    assert "smooth" in text[faults[0].line - 1]
    assert faults[0].needed == "at least 95% after all steps"
    assert faults[0].fix == "a smaller window"


def test_a_run_refuses_what_the_check_refuses(study):
    study.edit(STEP, STEP + '\n    {step = "smooth", window = 61},')
    with pytest.raises(StudyError) as caught:
        study.run()
    assert [str(fault) for fault in caught.value.faults] == [str(f) for f in refused(study)]
    assert [path.name for path in (study.folder / "runs").iterdir()] == [".cache"]


def test_without_a_reference_it_says_that_nothing_was_measured(study):
    study.keep(lambda row: row["role"] != "reference")
    assert "no reference" in check_folder(study.folder)


def test_thresholds_of_the_quality_check_stand_in_the_settings(study):
    study.edit("[limits]", "[quality]\nleast_valid = 0.8\nsaturation = 1.4\n\n[limits]")
    assert load_manifest(study.folder).quality == {"least_valid": 0.8, "saturation": 1.4}


@pytest.mark.parametrize(
    ("line", "words"),
    [("least_vald = 0.8", "did you mean 'least_valid'"), ("noise_ratio = -1", "noise_ratio = -1"),
     ('noise_ratio = "5"', "a number")],
)  # fmt: skip
def test_a_wrong_threshold_is_refused(study, line, words):
    study.edit("[limits]", f"[quality]\n{line}\n\n[limits]")
    with pytest.raises(StudyError, match=words):
        load_manifest(study.folder)


def with_vapour(study, file="data/vapour.nc"):
    axis = np.arange(800.0, 2100.0, 2.0)
    io.write(
        make_points(np.exp(-(((axis - 1844) / 4) ** 2)), axis), study.folder / "data/vapour.nc"
    )
    study.edit(STEP, f'{STEP}\n    {{step = "subtract_vapour", file = "{file}", fit_low = 1750, '
                     "fit_high = 1840},")  # fmt: skip


def test_the_vapour_file_is_found_below_the_study_and_pinned(study):
    with_vapour(study)
    step, parameters = load_manifest(study.folder).procedure.steps[1]
    assert step == "subtract_vapour"
    assert parameters["sha256"] == io.sha256(study.folder / "data/vapour.nc")
    assert "Nothing is wrong" in check_folder(study.folder)


@pytest.mark.parametrize("file", ["data/none.nc", "../../vapour.nc"])
def test_a_vapour_file_that_is_not_there_is_refused_with_its_line(study, file):
    with_vapour(study, file)
    with pytest.raises(StudyError) as caught:
        load_manifest(study.folder)
    (fault,) = caught.value.faults
    assert "which is not there" in fault.found
    assert fault.line is not None
