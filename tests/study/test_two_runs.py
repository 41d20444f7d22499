"""Any two runs compared: what differs, and which difference made which verdict change."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from residuekit.cli import main
from residuekit.study.two_runs import compare_runs

pytestmark = pytest.mark.usefixtures("without_pictures")


def part_of(said, heading):
    return said.split(f"## {heading}\n")[1].split("## ")[0]


@pytest.fixture
def two(finished, tmp_path):
    """A copy of a finished study, and its run: to be run again with something changed."""
    study = type(finished.study)(Path(shutil.copytree(finished.study.folder, tmp_path / "two")))
    return study, study.folder / "runs" / finished.result.folder.name


def test_a_run_and_itself_do_not_differ(finished, capsys):
    run = str(finished.result.folder)
    assert main(["compare", run, run]) == 0
    said = capsys.readouterr().out
    assert [part_of(said, name).strip() for name in ("Inputs", "Settings", "Versions")] == [
        "- the same"
    ] * 3
    assert "All the same." in said
    assert "One difference at a time" not in said


def test_of_two_changes_the_one_that_moved_the_verdict_is_found(two):
    study, first = two
    study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 0.9")
    study.edit("alpha = 0.05", "alpha = 0.04")
    second = study.run().folder
    kept = {path for path in study.folder.rglob("*") if ".cache" not in path.parts}
    said = compare_runs(first, second)
    assert {path for path in study.folder.rglob("*") if ".cache" not in path.parts} == kept
    assert "- acceptance limit 4 -> 0.9\n" in part_of(said, "Settings")
    assert "- alpha 0.05 -> 0.04\n" in part_of(said, "Settings")
    assert "- changed content: `study.toml`" in part_of(said, "Inputs")
    assert "not detected -> inconclusive" in part_of(said, "Verdicts")
    lines = part_of(said, "One difference at a time").splitlines()
    (limit,) = (line for line in lines if line.startswith("- acceptance limit"))
    (alpha,) = (line for line in lines if line.startswith("- alpha"))
    assert limit.endswith("2 min, cleared 2 min is not detected again")
    assert alpha.endswith("2 min, cleared 2 min stays inconclusive")


def test_backwards_says_the_contrary(two):
    study, first = two
    study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 0.9")
    second = study.run().folder
    said = compare_runs(second, first)
    assert "- acceptance limit 0.9 -> 4\n" in said
    assert "inconclusive -> not detected" in said
    assert "One difference at a time" not in said
    assert "the study is no longer as it was for the second run. Name the newest run last." in said


def test_new_files_are_taken_back_and_a_procedure_is_not(two):
    study, _ = two
    new = study.files("exposed", exposure_min="2")[0]
    whole = study.rows()
    study.keep(lambda row: row["file"] != new)
    first = study.run().folder
    study.write_rows(whole)
    study.edit('{step = "crop", low = 910, high = 1840}', '{step = "crop", low = 920, high = 1830}')
    said = compare_runs(first, study.run().folder)
    assert f"- new: `{new}`" in said
    assert "crop: low = 910, high = 1840 and with crop: low = 920" in part_of(said, "Settings")
    assert "inconclusive -> not detected (mock-ups 2 -> 3" in said
    assert "- 1 new file: alkyd" in part_of(said, "One difference at a time")
    assert "not tried, every file would be measured again" in said


def without(file):
    return lambda study: study.keep(lambda row: row["file"] != file)


def at_an_hour(file):
    return lambda study: study.change(lambda row: row["file"] == file, exposure_min="60")


@pytest.mark.parametrize("change", [without, at_an_hour])
def test_rows_of_the_table_are_taken_back(two, change):
    study, first = two
    change(study.files("exposed", exposure_min="2")[0])(study)
    said = compare_runs(first, study.run().folder)
    assert "not detected -> inconclusive (mock-ups 3 -> 2" in part_of(said, "Verdicts")
    lines = part_of(said, "One difference at a time")
    assert re.search(r"- 1 changed row of measurements.csv: .*2 min is not detected again", lines)


def test_where_no_difference_alone_gives_the_first_verdict_all_together_are_tried(two):
    study, first = two
    without(study.files("exposed", exposure_min="2")[0])(study)
    study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 0.9")
    said = part_of(compare_runs(first, study.run().folder), "One difference at a time").splitlines()
    arm = "2 min, cleared 2 min"
    for what in ("acceptance limit 4 -> 0.9", "1 changed row of measurements.csv"):
        (line,) = (line for line in said if line.startswith(f"- {what}: "))
        assert f"{arm} stays inconclusive" in line
        assert f"{arm} is not detected again" not in line
    (line,) = (line for line in said if line.startswith("- all of these together: "))
    assert f"{arm} is not detected again" in line


def test_the_limit_of_one_residue_is_taken_back(two):
    study, _ = two
    text = study.settings.read_text("utf-8")
    limit = re.search(r"acceptance_limit_ug_cm2 = .*\n", text)[0]
    gel = re.search(r"treatment = (.*)\n", text)
    reason = re.search(r"acceptance_reason = .*\n", text)[0]
    table = f"[[residue]]\nmaterial = {gel[1]}\nleft_by = [{gel[1]}]\n{limit}{reason}\n[procedure]"
    for old in (limit, gel[0], reason):
        study.edit(old, "")
    study.edit("[procedure]", table)
    first = study.run().folder
    study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 0.9")
    said = part_of(compare_runs(first, study.run().folder), "One difference at a time")
    name = gel[1].strip('"')
    assert f"- residue {name}: acceptance limit 4 -> 0.9: " in said
    assert "2 min, cleared 2 min is not detected again" in said
    assert said.count("\n- ") == 1


def test_both_runs_are_named_as_they_were_given(two):
    study, first = two
    study.edit("alpha = 0.05", "alpha = 0.04")
    second = study.run().folder
    said = compare_runs(first, second).splitlines()[2]
    for run in (first, second):
        assert f"`{run.as_posix()}`" in said


def test_versions_that_differ_are_named(two, tmp_path):
    _, first = two
    other = Path(shutil.copytree(first, tmp_path / "other"))
    record = json.loads((other / "provenance.json").read_text("utf-8"))
    record["environment"]["numba"] = "0.1"
    del record["environment"]["lmfit"]
    (other / "provenance.json").write_text(json.dumps(record), encoding="utf-8")
    said = part_of(compare_runs(other, first), "Versions").splitlines()
    assert any(line.startswith("- numba 0.1 -> ") for line in said)
    assert any(line.startswith("- lmfit none -> ") for line in said)
    assert sum(line.startswith("- ") for line in said) == 2


def test_what_is_no_run_is_refused(tmp_path, capsys):
    assert main(["compare", str(tmp_path), str(tmp_path)]) == 1
    assert "the folder of a run that was finished" in capsys.readouterr().err
