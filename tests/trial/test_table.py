"""The table of the trial: what is read, what is refused, all faults at once."""

from __future__ import annotations

import math

import pytest
from shelter import shelter_rows, table_text

from residuekit.errors import StudyError
from residuekit.trial import TRIAL_COLUMNS, read_trial
from residuekit.trial.table import examine_trial

HEAD = "treatment,mockup,paint"


def write(folder, text, name="trial.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def faults_of(folder, text):
    with pytest.raises(StudyError) as refused:
        read_trial(write(folder, text))
    assert all(fault.file == "trial.csv" for fault in refused.value.faults)
    return refused.value.faults


def test_point_and_comma_are_the_same_trial(tmp_path):
    rows = shelter_rows()
    point = read_trial(write(tmp_path, table_text(rows), "point.csv"))
    comma = read_trial(write(tmp_path, table_text(rows, ";", ","), "comma.csv"))
    assert point.rows == comma.rows
    assert len(point.rows) == 40
    first = point.rows[0]
    assert first.candidate == ("PVA cryogel", "alkyd", "soot")
    assert first.colours["soiled"] == (
        rows[0]["L_soiled"], rows[0]["a_soiled"], rows[0]["b_soiled"],
    )  # fmt: skip
    assert first.pickup_swabs == 3
    assert [type(value) for value in (first.ease, first.health_safety)] == [float, float]


def test_a_workbook_is_read_like_the_text(tmp_path):
    from openpyxl import Workbook

    book = Workbook()
    book.active.append(list(TRIAL_COLUMNS))
    for row in shelter_rows():
        book.active.append([row.get(name) for name in TRIAL_COLUMNS])
    book.save(tmp_path / "trial.xlsx")
    from_book = read_trial(tmp_path)
    assert from_book.file == "trial.xlsx"
    assert from_book.rows == read_trial(write(tmp_path, table_text(shelter_rows()), "t.csv")).rows


def test_the_example_of_the_readme_is_read(root, tmp_path):
    text = (root / "README.md").read_text(encoding="utf-8")
    example = text.split("```csv\n")[1].split("```")[0]
    trial = read_trial(write(tmp_path, example))
    assert [row.pickup_positive for row in trial.rows] == [0, 1]
    assert all(len(row.colours) == 3 for row in trial.rows)


def test_empty_cells_are_missing_and_further_columns_are_kept(tmp_path):
    text = f"{HEAD},ease,operator\n# a remark\ngel,m1,alkyd,,A.\ngel,m2,alkyd,4,\n"
    trial = read_trial(write(tmp_path, text))
    assert [row.line for row in trial.rows] == [3, 4]
    assert math.isnan(trial.rows[0].ease)
    assert trial.rows[0].further == {"operator": "A."}
    assert trial.rows[0].soiling == "none"
    assert not trial.rows[0].colours
    assert trial.rows[0].pickup_swabs == 0
    assert trial.to_frame()["L_soiled"].isna().all()
    assert "2" in trial._repr_html_()


def test_everything_that_is_wrong_is_said_at_once(tmp_path):
    text = (
        f"{HEAD},L_soiled,a_soiled,b_soiled,gloss_angle,gloss_before,pickup_positive,"
        "pickup_swabs,pickup_de,pickup_de_limit,ease,helth_safety\n"
        "gel,,alkyd,50,0,0,60,50,0,3,,,4,4\n"
        "gel,m2,alkyd,50,,0,,,,,,,,\n"
        "gel,m3,alkyd,,,,,50,,,,,,\n"
        "gel,m4,alkyd,,,,,,4,3,,,,\n"
        "gel,m5,alkyd,,,,,,1,,,,,\n"
        "gel,m6,alkyd,,,,,,,,1.2,,,\n"
        "gel,m7,alkyd,,,,45,,,,,,,\n"
        "gel,m8,alkyd,,,,,,,,,,4.5,\n"
        "gel,m9,alkyd,fifty,,,,,,,,,,\n"
        "other,m2x,alkyd,,,,,,0,1,1.2,2,,\n"
        "gel,m10,alkyd,,,,,,,,,,,9\n"
    )
    faults = faults_of(tmp_path, text)
    said = {fault.line: fault.found for fault in faults}
    assert said == {
        1: "the column 'helth_safety'",
        2: "an empty mockup",
        3: "L and b of the soiled colour alone",
        4: "gloss_before without an angle",
        5: "more positive swabs than swabs",
        6: "pickup_positive without pickup_swabs",
        7: "pickup_de without pickup_de_limit",
        8: "gloss_angle '45'",
        9: "ease '4.5'",
        10: "L_soiled 'fifty'",
        11: "a swab's colour difference and counts of swabs in one row",
        12: "health_safety '9'",
    }
    assert faults[0].fix == "did you mean 'health_safety'?"


def test_a_mockup_has_one_treatment(tmp_path):
    (fault,) = faults_of(tmp_path, f"{HEAD}\ngel,m1,alkyd\npaste,m1,alkyd\ngel,m1,alkyd\n")
    assert (fault.line, "in line 2" in fault.found) == (3, True)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "an empty table"),
        (f"{HEAD}\n", "no rows"),
        ("treatment,mockup\ngel,m1\n", "no column 'paint'"),
        (f"{HEAD},ease,ease\n", "the column 'ease' more than once"),
        (f"{HEAD}\ngel,m1,alkyd,4\n", "4 cells"),
    ],
)
def test_tables_that_are_no_tables(tmp_path, text, said):
    assert said in [fault.found for fault in faults_of(tmp_path, text)]


def test_no_table_is_no_fault_but_cannot_be_read(tmp_path):
    trial, faults = examine_trial(tmp_path)
    assert (trial.rows, faults) == ((), [])
    for place in (tmp_path, tmp_path / "none.csv"):
        with pytest.raises(StudyError, match="the table of a trial"):
            read_trial(place)


def test_two_tables_are_one_too_many(tmp_path):
    for name in ("trial.csv", "trial.xlsx"):
        write(tmp_path, "", name)
    _, (fault,) = examine_trial(tmp_path)
    assert fault.found == "both trial.csv and trial.xlsx"


def test_without_colour_science_only_colours_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("residuekit.trial.table.can_compare", lambda: False)
    assert read_trial(write(tmp_path, f"{HEAD},ease\ngel,m1,alkyd,4\n")).rows
    (fault,) = faults_of(tmp_path, table_text(shelter_rows()))
    assert fault.fix == 'python -m pip install "residuekit[trial]"'


def test_without_colour_science_the_kernel_says_what_to_install(monkeypatch):
    import sys

    from residuekit.errors import ContractError
    from residuekit.kernels.colour import colour_difference

    monkeypatch.setitem(sys.modules, "colour.difference", None)
    with pytest.raises(ContractError, match=r"pip install .residuekit\[trial\]"):
        colour_difference((50, 0, 0), (50, 1, 0))
