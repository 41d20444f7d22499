"""Loadings in the wrong unit, or one of them mistyped: said by `check`, refused when far off."""

from __future__ import annotations

import pytest

from residuekit.errors import StudyError
from residuekit.study.inspect import check_folder

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
