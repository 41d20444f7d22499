"""A second procedure beside the first, and what normalisation takes. All data are invented."""

from __future__ import annotations

import pandas as pd
import pytest

from residuekit import trends
from residuekit.errors import ResiduekitWarning, StudyError
from residuekit.results import SECOND
from residuekit.schema import SECOND_COLUMNS
from residuekit.study import Study, load_manifest
from residuekit.study.inspect import check_folder

CROP = "{step = 'crop', low = 910, high = 1840}"


def second(study, *steps):
    with study.settings.open("a", encoding="utf-8") as file:
        file.write(f"\n[second_procedure]\nsteps = [{', '.join(steps)}]\n")


def finding(result):
    return next(f for f in trends.findings(result) if "second procedure" in f.heading)


@pytest.mark.usefixtures("without_pictures")
def test_verdicts_that_depend_on_the_procedure_are_warned_of_and_stand_beside(warm_study):
    warm_study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 2.0")
    plain = warm_study.run()
    second(warm_study, CROP, "{step = 'normalise', method = 'snv'}")
    done = []
    with pytest.warns(ResiduekitWarning, match=r"[12] of 2 verdicts depend on the procedure"):
        result = Study.open(warm_study.folder).run(lambda *given: done.append(given))
    pd.testing.assert_frame_equal(result.verdicts, plain.verdicts)
    table = result.second_procedure
    assert tuple(table.columns) == SECOND_COLUMNS
    assert list(table["verdict"]) == list(result.verdicts["verdict"])
    row = table.set_index("exposure_min").loc[2.0]
    assert row["verdict"] == "not detected"
    assert row["other_verdict"] in ("inconclusive", "not assessable")
    assert row["unit"] == "ug cm-2"
    assert "of 2 verdicts depend" in finding(result).sentences[-1]
    assert "by the second procedure" in finding(result).sentences[0]
    assert "changed: the second procedure" in result.changes
    assert [given[1] for given in done] == [2 * len(warm_study.rows())] * len(done)
    assert done[-1][0] == done[-1][1]
    assert not (result.folder / ".second").exists()


@pytest.mark.usefixtures("without_pictures")
def test_the_second_procedure_gives_what_it_gives_as_the_first(warm_study):
    second(warm_study, CROP, "{step = 'smooth', window = 5}")
    beside = warm_study.run().second_procedure
    settings = warm_study.settings.read_text("utf-8")
    head, _, _ = settings.partition("[second_procedure]")
    smooth_last = head.replace("},\n]", "},\n    {step = 'smooth', window = 5},\n]", 1)
    assert smooth_last != head
    warm_study.settings.write_text(smooth_last, encoding="utf-8")
    alone = warm_study.run()
    assert alone.second_procedure is None
    assert not (alone.folder / SECOND).exists()
    for name in ("verdict", "estimate", "detection_limit", "unit"):
        assert list(beside[f"other_{name}"]) == list(alone.verdicts[name])


@pytest.mark.usefixtures("without_pictures")
def test_verdicts_that_do_not_depend_on_the_procedure_are_said_without_a_warning(warm_study):
    second(warm_study, "{step = 'crop', low = 915, high = 1835}")
    assert "None of 2 verdicts depends" in finding(warm_study.run()).sentences[-1]


@pytest.mark.parametrize(
    ("steps", "words"),
    [
        (["{step = 'smoth'}"], "did you mean 'smooth'"),
        ([CROP], "a second procedure with the steps of the first"),
        (["{step = 'crop', low = 'a', high = 1840}"], "in step 1"),
    ],
)
def test_a_second_procedure_is_checked_like_the_first(study, steps, words):
    second(study, *steps)
    line = len(study.settings.read_text("utf-8").splitlines())
    with pytest.raises(StudyError, match=words) as caught:
        load_manifest(study.folder)
    (fault,) = caught.value.faults
    assert fault.file == "study.toml"
    assert fault.line in (line, line - 1)


def test_an_unknown_key_beside_its_steps_is_refused_with_its_line(study):
    second(study, "{step = 'smooth', window = 5}")
    with study.settings.open("a", encoding="utf-8") as file:
        file.write("method = 'snv'\n")
    with pytest.raises(StudyError, match=r"'method' in \[second_procedure\]") as caught:
        load_manifest(study.folder)
    assert caught.value.faults[0].line == len(study.settings.read_text("utf-8").splitlines())


def test_a_second_procedure_without_steps_is_refused(study):
    with study.settings.open("a", encoding="utf-8") as file:
        file.write("\n[second_procedure]\n")
    with pytest.raises(StudyError, match=r"\[second_procedure\] with steps"):
        load_manifest(study.folder)


def test_check_puts_every_file_through_both_procedures(study):
    second(study, "{step = 'crop', low = 100, high = 200}")
    with pytest.raises(StudyError, match="step 1"):
        check_folder(study.folder)


@pytest.mark.usefixtures("without_pictures")
def test_normalisation_on_a_band_of_the_gel_is_told_with_its_number(warm_study):
    """In `check` and in the remarks of the run."""
    second(
        warm_study,
        CROP,
        "{step = 'normalise', method = 'area', low = 1000, high = 1180}",
    )
    said = check_folder(warm_study.folder)
    told = [line for line in said.splitlines() if "the gel absorbs where" in line]
    assert any("pva C-O 1092 on alkyd" in line and "a true 10.0% rise" in line for line in told)
    remarks = warm_study.run().provenance["remarks"]
    assert any("the gel absorbs where the spectra are normalised" in remark for remark in remarks)


def test_a_normalisation_on_a_band_without_gel_is_not_warned_of(study):
    second(
        study, CROP, "{step = 'normalise', method = 'internal standard', low = 1560, high = 1620}"
    )
    assert "the gel absorbs where" not in check_folder(study.folder)
