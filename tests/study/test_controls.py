"""A second procedure beside the first. All data are invented."""

from __future__ import annotations

import warnings

import pytest

from residuekit.errors import ResiduekitWarning
from residuekit.procedure import Procedure
from residuekit.study import Study, controls


@pytest.mark.usefixtures("without_pictures")
def test_the_verdict_under_a_second_procedure_stands_beside_the_first(warm_study):
    warm_study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 2.0")
    study = Study.open(warm_study.folder)
    own = study.manifest.procedure
    with warnings.catch_warnings():
        warnings.simplefilter("error", ResiduekitWarning)
        same = controls.compare_procedures(study, own)
    assert same.differing == ()
    assert "No verdict hangs" in str(same)
    other = Procedure((*own.steps, ("normalise", {"method": "snv"})))
    with pytest.warns(ResiduekitWarning, match="verdicts hang on the procedure"):
        differing = controls.compare_procedures(study, other)
    row = differing.differing[0]
    assert row["exposure_min"] == 2.0
    assert row["verdict"] == "not detected"
    assert row["other_verdict"] in ("inconclusive", "not assessable")
    assert list(differing.to_frame()["verdict"]) == list(same.to_frame()["verdict"])
    runs = [path.name for path in (warm_study.folder / "runs").iterdir()]
    assert len([name for name in runs if name.startswith("2")]) == 2
