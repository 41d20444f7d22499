"""From a partner's folder to a verdict: the table that is begun, what is said, what is refused."""

from __future__ import annotations

import csv
import re
import tomllib
from pathlib import Path

import openpyxl
import pytest

import residuekit as rk
from residuekit.cli import main
from residuekit.errors import StudyError
from residuekit.results import open_run
from residuekit.schema import ROLES
from residuekit.simulate import DELIVERY_PATTERNS, write_delivery
from residuekit.study.inspect import check_folder
from residuekit.study.manifest import load_manifest
from residuekit.study.measurements import read_measurements
from residuekit.study.name_parts import NamePattern
from residuekit.study.template import study_from

#: Letter of a mock-up -> role, exposure and clearance in minutes.
LETTERS = {"B": ("blank", "60", "2"), "L": ("exposed", "60", "2"), "E": ("exposed", "2", "2"),
           "S": ("spiked", "", "")}  # fmt: skip


@pytest.fixture(scope="module")
def delivery(tmp_path_factory):
    folder = tmp_path_factory.mktemp("delivered") / "shelter"
    write_delivery(folder, n_side=5)
    return folder


def rows_of(folder):
    text = (folder / "measurements.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def fill_in(folder):
    """Fill in what a name cannot say, as a person would in a spreadsheet."""
    rows = rows_of(folder)
    for row in rows:
        if row["file"].startswith("#"):
            continue
        if not row["mockup"]:
            row["role"] = "reference"
            continue
        row["role"], row["exposure_min"], row["clearance_min"] = LETTERS[row["mockup"][0]]
        if row["role"] == "spiked":
            row["loading_ug_cm2"] = "2" if int(row["mockup"][1:]) % 2 else "6"
    with (folder / "measurements.csv").open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


@pytest.mark.usefixtures("without_pictures")
def test_three_commands_and_one_edited_table_lead_from_a_delivery_to_a_verdict(
    delivery, tmp_path, capsys
):
    files = [path for path in delivery.rglob("*") if path.is_file()]
    assert len(files) >= 60
    assert {path.suffix for path in files} >= {".csv", ".asc", ".xlsx", ".jdx", ".nc"}
    study = str(tmp_path / "study")
    typed = [f"--pattern={pattern}" for pattern in DELIVERY_PATTERNS]
    assert main(["new", study, "--from", str(delivery), "--copy", *typed]) == 0
    said = capsys.readouterr().out
    assert "22 of 23 files and sheets were recognised" in said
    assert 'in [procedure] of study.toml: {step = "to_absorbance"}' in said
    assert "not read: data/README.txt" in said
    fill_in(Path(study))
    assert main(["check", study]) == 0
    said = capsys.readouterr().out
    assert "the loadings cannot be judged, because the blanks scatter too much" in said
    assert "It can be run; 1 note above" in said
    assert main(["run", study]) == 0
    latest = (Path(study) / "runs" / "latest").read_text(encoding="utf-8").strip()
    verdicts = open_run(Path(study) / "runs" / latest).verdicts.set_index("exposure_min")
    assert verdicts.loc[60, "verdict"] == "detected"  # the truth: 5 ug cm-2
    assert verdicts.loc[2, "verdict"] == "inconclusive"  # no acceptance limit was set
    assert verdicts.loc[60, "estimate"] == pytest.approx(5, abs=1.5)
    assert verdicts["n_pixels"].tolist() == [100, 100]


def test_the_table_says_of_each_file_what_is_sure_and_no_role(delivery, tmp_path):
    folder, _ = study_from(tmp_path / "study", delivery, DELIVERY_PATTERNS)
    rows = rows_of(folder)
    read = [row for row in rows if not row["file"].startswith("#")]
    assert [row["role"] for row in read] == [""] * 22
    remarks = [row["file"] for row in rows[22:]]
    assert remarks[:2] == ["# data/README.txt: not read", "# How a row of each role is filled in:"]
    assert len(remarks) == 2 + len(ROLES)
    book = [row for row in read if row["file"] == "data/gel-60/panels.xlsx"]
    assert [row["sheet"] for row in book] == [f"alkyd_PVA cryogel_L{k}_m1" for k in range(1, 5)]
    blank = next(row for row in read if "water_B2" in row["file"])
    assert [blank[name] for name in ("mockup", "paint", "treatment")] == ["B2", "alkyd", "water"]
    assert blank["found_size"] == "map of 5 rows (y) x 5 columns (x)"
    assert blank["found_quantity"] == "transmittance"
    assert blank["found_grid"] == "900 to 1850 cm-1 in 126"
    assert [blank[f"name_{k}"] for k in range(1, 5)] == ["alkyd", "water", "B2", "m1"]
    assert blank["found_folder"] == "water"
    assert not any((folder / "data").iterdir())


def test_the_example_rows_are_rows_that_a_study_takes(delivery, tmp_path):
    folder, said = study_from(tmp_path / "study", delivery)
    assert "the end of measurements.csv shows how" in said
    table = folder / "measurements.csv"
    head, *lines = table.read_text("utf-8").splitlines()
    shown = lines[lines.index("# How a row of each role is filled in:") + 1 :]
    table.write_text("\n".join([head, *(line.removeprefix("# ") for line in shown)]), "utf-8")
    _, rows, faults = read_measurements(folder)
    assert not faults
    assert {row.role for row in rows} == set(ROLES)


LISTS = {
    "by file name": [("Datei", "Probe", "Behandlung", "Beladung µg/cm²"),
                     *((f"b{k}.csv", f"Tafel {k}", "Wasser", "") for k in (1, 2))],
    "by stem and path": [("Erfundene Daten",), ("Messung", "Probe"),
                         *((f"C:\\Labor\\B{k}", f"{k}") for k in (1, 2))],
    "by samples": [("sample", "gel", "minutes"), ("panel 1", "none", "2"), ("panel 2", "PVA", "2")],
}  # fmt: skip


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
@pytest.mark.parametrize("rows", LISTS.values(), ids=LISTS)
def test_a_list_of_samples_is_known_and_belongs_in_the_table(tmp_path, rows, suffix):
    lies = tmp_path / "in"
    lies.mkdir()
    for k in (1, 2):
        rk.write(rk.make_points([0.1 * k, 0.2], [1000, 1010]), lies / f"b{k}.csv")
    if suffix == ".xlsx":
        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(row)
        book.save(lies / "list.xlsx")
    else:
        text = "\n".join(";".join(row) for row in rows)
        (lies / "list.csv").write_text(f"{text}\n", encoding="cp1252")
    folder, said = study_from(tmp_path / "study", lies)
    line = next(line for line in said.splitlines() if f"not read: data/list{suffix}" in line)
    assert "looks like a list of samples" in line
    assert ("names 2 of the files" in line) == (rows is not LISTS["by samples"])
    assert "to mend it: copy its cells into measurements.csv" in line
    assert [row["file"] for row in rows_of(folder)[:3]] == [
        "data/b1.csv", "data/b2.csv", f"# data/list{suffix}: not read"
    ]  # fmt: skip


def test_damaged_numbers_are_no_list_of_samples(tmp_path):
    lies = tmp_path / "in"
    lies.mkdir()
    rk.write(rk.make_points([0.1, 0.2], [1000, 1010]), lies / "b1.csv")
    (lies / "b2.csv").write_text("wavenumber,b2\n1000,0.1 a\n1010,0.2\n", "utf-8")
    _, said = study_from(tmp_path / "study", lies)
    line = next(line for line in said.splitlines() if "not read: data/b2.csv" in line)
    assert "list of samples" not in line


def test_the_steps_and_reading_tables_stand_in_the_settings(delivery, tmp_path):
    folder, said = study_from(tmp_path / "study", delivery)
    settings = tomllib.loads((folder / "study.toml").read_text(encoding="utf-8"))
    assert settings["reading"] == [{"files": "data/*.asc", "format": "table"}]
    steps = settings["procedure"]["steps"]
    assert [step["step"] for step in steps] == ["to_absorbance", "resample", "crop"]
    assert steps[1]["spacing"] == pytest.approx(7.6)
    assert "nothing was copied" in said
    assert "(new with --copy does so)" in said


def test_files_on_one_grid_get_no_step_that_they_do_not_need(tmp_path):
    for name in ("a", "b"):
        points = rk.make_points([0.1, 0.2, 0.3], [1000, 1010, 1020])
        (tmp_path / "in").mkdir(exist_ok=True)
        rk.write(points, tmp_path / "in" / f"{name}.csv")
    folder, said = study_from(tmp_path / "study", tmp_path / "in")
    settings = tomllib.loads((folder / "study.toml").read_text(encoding="utf-8"))
    assert settings["procedure"]["steps"] == [{"step": "crop", "low": 1000, "high": 1020}]
    assert "reading" not in settings
    assert "resample" not in said
    with pytest.raises(StudyError, match=r"no file 'data/a.csv'; .*: copy it into data/"):
        check_folder(folder)


def test_a_delivery_in_the_study_folder_is_named_where_it_lies(tmp_path):
    lies = tmp_path / "study" / "data" / "partner"
    lies.mkdir(parents=True)
    rk.write(rk.make_points([0.1, 0.2], [1000, 1010]), lies / "a.csv")
    folder, _ = study_from(tmp_path / "study", lies)
    read = [row["file"] for row in rows_of(folder) if not row["file"].startswith("#")]
    assert read == ["data/partner/a.csv"]
    assert {path.name for path in folder.iterdir()} >= {"study.toml", "data", "notebooks"}
    assert (lies / "a.csv").is_file()


def test_helping_columns_are_no_part_of_a_measurement(delivery, tmp_path):
    folder, _ = study_from(tmp_path / "study", delivery, DELIVERY_PATTERNS, copy=True)
    fill_in(folder)
    assert {name for row in load_manifest(folder).measurements for name in row.further} == set()


def _empty(tmp_path):
    (tmp_path / "in").mkdir()
    return (), "no file in"


def _all_unreadable(tmp_path):
    _empty(tmp_path)
    (tmp_path / "in" / "notes.csv").write_text("hello\n")
    return (), "notes.csv"


def _pattern_that_fits_nothing(tmp_path):
    _empty(tmp_path)
    rk.write(rk.make_points([0.1, 0.2], [1000, 1010]), tmp_path / "in" / "alkyd-1.csv")
    return ("{paint}_{mockup}",), "fits none of 1 names such as 'alkyd-1'"


def _study_that_is_there(tmp_path):
    _pattern_that_fits_nothing(tmp_path)
    (tmp_path / "study").mkdir()
    (tmp_path / "study" / "notes.txt").write_text("kept")
    return (), "something in"


def _no_folder(_tmp_path):
    return (), "no folder"


@pytest.mark.parametrize(
    "case",
    [_empty, _all_unreadable, _pattern_that_fits_nothing, _study_that_is_there, _no_folder],
    ids=lambda case: case.__name__,
)
def test_what_cannot_be_begun_is_refused_and_nothing_is_written(tmp_path, case):
    patterns, said = case(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(StudyError, match=re.escape(said)):
        study_from(tmp_path / "study", tmp_path / "in", patterns)
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("{paint}_{paint}", "that cannot be read"),
        ("{mockup:{paint}", "that cannot be read"),
        ("{number}_*", "names no column"),
        ("{file}_{paint}", "with {file}, which is the file's own"),
    ],
)
def test_a_pattern_that_cannot_be_used_is_refused(pattern, said):
    with pytest.raises(StudyError, match=re.escape(said)):
        NamePattern(pattern)


def test_a_pattern_reaches_over_folders_and_leaves_text_out():
    pattern = NamePattern("{paint}/*_{mockup}_{exposure_min}min")
    assert pattern.cells("lab/alkyd/run 3_B2_2,5min") == {
        "paint": "alkyd", "mockup": "B2", "exposure_min": "2,5",
    }  # fmt: skip
    assert pattern.cells("alkyd/run_B2_longmin") is None
