"""[[reading]] tables and the column sheet: one file or sheet a row, read as study.toml says."""

from __future__ import annotations

import csv
import re

import numpy as np
import openpyxl
import pytest

from residuekit import io
from residuekit.errors import Fault, StudyError
from residuekit.labels import assumed
from residuekit.report.facts import Layouts, instrument_sentences
from residuekit.results import open_run
from residuekit.schema import source
from residuekit.study.how_read import read_row, typed_in_study
from residuekit.study.inspect import check_folder
from residuekit.study.manifest import examine, load_manifest
from residuekit.study.provenance import no_longer_as
from residuekit.study.standing import standing
from residuekit.study.template import study_from


def _as_percent(study, role, suffix=".asc"):
    """Write the files of a role again, in percent, as text under an unknown suffix."""
    files = study.files(role)
    for file in files:
        array = io.read(study.folder / file)
        path = (study.folder / file).with_suffix(suffix)
        numbers = 100 * 10 ** -array.values.astype(float).reshape(-1, array.sizes["wavenumber"])
        head = ["cm-1", *(f"x{x * 5} y{y * 5}" for y, x in np.ndindex(array.shape[:2]))]
        with path.open("w", newline="") as out:
            rows = np.column_stack([array["wavenumber"].values, numbers.T])
            csv.writer(out, delimiter="\t").writerows([head, *rows.tolist()])
        (study.folder / file).unlink()
        study.change(lambda row, file=file: row["file"] == file,
                     file=str(path.relative_to(study.folder)))  # fmt: skip


READING = """[[reading]]
files = "data/*.asc"
format = "table"
quantity = "transmittance"
percent = true

"""
TO_ABSORBANCE = ('{step = "crop"', '{step = "to_absorbance"},\n{step = "crop"')


@pytest.mark.usefixtures("without_pictures")
def test_files_of_a_pattern_are_read_as_stated_and_a_run_says_the_same(study, finished):
    before = finished.result
    _as_percent(study, "blank")
    with pytest.raises(StudyError) as caught:
        check_folder(study.folder)
    first = str(caught.value)
    assert 'format = "table"' in first
    assert 'typed in study.toml below [[reading]] with files = "data/' in first
    study.edit("[procedure]", READING + "[procedure]")
    text = study.settings.read_text()
    study.settings.write_text(text.replace("steps = [", 'steps = [{step = "to_absorbance"},', 1))
    check_folder(study.folder)
    after = study.run()
    wanted = ["estimate", "decision_limit", "verdict"]
    for was, now in zip(before.verdicts[wanted].values, after.verdicts[wanted].values, strict=True):
        assert was[2] == now[2]
        np.testing.assert_allclose(list(was[:2]), list(now[:2]), rtol=1e-3)
    check_folder(open_run(after.folder).folder)


def test_what_is_wrong_with_a_reading_table_is_said_with_its_line(study):
    study.edit("[procedure]", '[[reading]]\nfiles = "data/*.zip"\nquantty = "absorbance"\n'
               'percent = "yes"\n\n[procedure]')  # fmt: skip
    with pytest.raises(StudyError) as caught:
        load_manifest(study.folder)
    text = str(caught.value)
    assert "the unknown key 'quantty' in [reading 1]" in text
    assert "did you mean 'quantity'?" in text
    assert "percent = 'yes'" in text


def test_a_pattern_that_fits_no_file_is_refused_with_its_line(study):
    study.edit("[procedure]", '[[reading]]\nfiles = "data/*.zip"\n\n[procedure]')
    line = study.settings.read_text().splitlines().index('files = "data/*.zip"') + 1
    with pytest.raises(StudyError, match=rf"study.toml, line {line}: found files = 'data/\*.zip'"):
        load_manifest(study.folder)


def _in_one_book(study, role):
    files = study.files(role)
    book = openpyxl.Workbook()
    book.remove(book.active)
    for number, file in enumerate(files, start=1):
        array = io.read(study.folder / file)
        page = book.create_sheet(f"M {number}")
        page.append(["x (um)", "y (um)", *array["wavenumber"].values.tolist()])
        for y, x in np.ndindex(array.shape[:2]):
            values = array.values[y, x].astype(float)
            page.append([float(array["x"][x]), float(array["y"][y]), *values.tolist()])
    book.save(study.folder / "data" / "book.xlsx")
    rows = study.rows()
    for row in rows:
        row["sheet"] = f"M {files.index(row['file']) + 1}" if row["file"] in files else ""
        row["file"] = "data/book.xlsx" if row["sheet"] else row["file"]
    study.write_rows(rows)


@pytest.mark.usefixtures("without_pictures")
def test_a_workbook_with_a_sheet_a_mockup_gives_the_verdicts_of_its_sheets(study, finished):
    before = finished.result
    _in_one_book(study, "blank")
    manifest = load_manifest(study.folder)
    blanks = manifest.of_role("blank")
    assert [row.file for row in blanks] == [f"data/book.xlsx#M {k}" for k in range(1, 5)]
    assert {row.path for row in blanks} == {"data/book.xlsx"}
    assert source(read_row(study.folder, blanks[2]))["sheet"] == "M 3"
    check_folder(study.folder)
    after = study.run()
    np.testing.assert_allclose(before.verdicts["estimate"], after.verdicts["estimate"], rtol=1e-5)
    assert "data/book.xlsx#M 2" in after.provenance["inputs"]
    assert "as they were" in check_folder(after.folder)
    manifest = load_manifest(study.folder)
    assert standing(manifest).folder == after.folder
    assert list(no_longer_as(after.provenance, manifest)) == []


def test_sheets_that_are_given_twice_or_not_at_all_are_refused(study):
    _in_one_book(study, "blank")
    study.change(lambda row: row["sheet"] == "M 2", sheet="M 1")
    study.change(lambda row: row["sheet"] == "M 3", sheet="M 9")
    with pytest.raises(StudyError) as caught:
        check_folder(study.folder)
    text = str(caught.value)
    assert "'data/book.xlsx#M 1' a second time (first in line" in text
    assert "its name in the column sheet of the table" in text


def test_a_sheet_behind_a_mark_is_told_its_column(study):
    _in_one_book(study, "blank")
    study.change(lambda row: row["sheet"] == "M 2", sheet="", file="data/book.xlsx#M 2")
    with pytest.raises(StudyError, match="in the column file and M 2 in the column sheet"):
        load_manifest(study.folder)


def test_options_of_a_message_are_typed_as_toml():
    fault = Fault("spectra", "a grid", "shape=(2, 3), order='rows', percent=True")
    assert typed_in_study(fault, "data/a.csv").fix.startswith(
        'shape = [2, 3], order = "rows", percent = true, typed in study.toml'
    )
    assert typed_in_study(Fault("a", "b", "export it again"), "x").fix == "export it again"


def test_a_file_on_another_grid_is_told_the_step_and_the_step_mends_it(study):
    file = study.folder / study.files("exposed")[0]
    array = io.read(file)
    io.write(array.isel(wavenumber=slice(None, None, 2)), file)
    with pytest.raises(StudyError) as caught:
        check_folder(study.folder)
    text = str(caught.value)
    step = text[text.index('{step = "resample"') : text.index("} among the steps") + 1]
    assert "in [procedure] of study.toml" in text
    study.settings.write_text(
        study.settings.read_text().replace("steps = [", f"steps = [{step},", 1)
    )
    assert "residuekit run" in check_folder(study.folder)


def _as_numbers(study, files):
    """Write maps again as numbers alone, with the wavenumbers and a text beside them."""
    for file in files:
        array = io.read(study.folder / file)
        path = (study.folder / file).with_suffix(".img")
        path.write_bytes(array.values.astype("<f4").tobytes())
        path.with_suffix(".hdr").write_text("invented")
        np.savetxt(path.with_name("axis.txt"), array["wavenumber"].values)
        (study.folder / file).unlink()
        study.change(lambda row, file=file: row["file"] == file,
                     file=path.relative_to(study.folder).as_posix())  # fmt: skip


STATED = """[[reading]]
files = "data/*.img"
shape = [8, 8, 171]
dtype = "float32"
byte_order = "little"
interleave = "bip"
quantity = "absorbance"
first_row = "bottom"
wavenumber = "axis.txt"

"""


def _told(folder):
    with pytest.raises(StudyError) as caught:
        check_folder(folder)
    return caught.value.faults


def test_all_that_numbers_alone_do_not_say_is_asked_once_for_all_files(study):
    files = study.files("blank")
    _as_numbers(study, files)
    faults = _told(study.folder)
    names = [line.partition(" ")[0] for line in STATED.splitlines()[2:] if line]
    assert sorted(fault.found.split()[1].strip(",") for fault in faults) == sorted(names)
    for fault in faults:
        assert "and the same in 3 more files (data/*.img)" in fault.found
        assert fault.fix.endswith('typed in study.toml below [[reading]] with files = "data/*.img"')
    study.edit("[procedure]", STATED + "[procedure]")
    assert "residuekit run" in check_folder(study.folder)


def test_a_pattern_is_typed_only_where_it_fits_no_file_that_is_read(study):
    files = study.files("blank")
    _as_numbers(study, files)
    spiked = study.files("spiked")[:1]
    _as_numbers(study, spiked)
    name = spiked[0].removeprefix("data/").removesuffix(".nc")
    study.edit("[procedure]", STATED.replace("*", name) + "[procedure]")
    for fault in _told(study.folder):
        assert re.search(r"and the same in 3 more files( \(left|$)", fault.found)
        assert f'files = "{files[0].replace(".nc", ".img")}"' in fault.fix


def test_one_bad_key_of_a_reading_table_is_told_alone(study):
    _as_numbers(study, study.files("blank"))
    table = STATED.replace('dtype = "float32"', 'dtype = "float"')
    study.edit("[procedure]", f"{table}[procedure]")
    (fault,) = _told(study.folder)
    assert (fault.file, fault.found) == ("study.toml", "dtype = 'float'")
    assert _options_of_a_blank(study)["byte_order"] == "little"
    study.edit('dtype = "float"', 'dtype = "float32"')
    study.edit('wavenumber = "axis.txt"', "wavenumber = [1900, 900]")
    (fault,) = _told(study.folder)
    assert "2 wavenumbers for an array of shape" in fault.found


def _options_of_a_blank(study):
    """The options of a blank in a study that has faults."""
    manifest, faults = examine(study.folder)
    assert faults
    return manifest.of_role("blank")[0].options


def test_what_lies_beside_numbers_alone_is_told_once_and_no_slip_of_another_suffix(study, tmp_path):
    _as_numbers(study, study.files("blank"))
    lies = tmp_path / "in"
    (study.folder / "data").rename(lies)
    _, said = study_from(tmp_path / "new", lies)
    lines = [line for line in said.splitlines() if "not read" in line]
    text, numbers, _ = lines
    assert "found the suffix '.hdr', beside " in text
    assert "and the same in 3 more files (data/*.hdr)" in text
    assert "did you mean" not in text
    assert "no shape, no wavenumber, no quantity, no dtype, no byte_order" in numbers


def _without_head(study, files):
    """Write files of one spectrum again, as columns of numbers alone."""
    for file in files:
        array = io.read(study.folder / file)
        rows = np.column_stack([array["wavenumber"].values, array.values.astype(float)[0]])
        with (study.folder / file).open("w", newline="") as out:
            csv.writer(out, delimiter=";").writerows(rows.tolist())


@pytest.mark.usefixtures("without_pictures", "without_identification")
def test_what_a_file_does_not_say_is_told_by_check_methods_and_record(point_study):
    assert "assumed" not in check_folder(point_study.folder)
    files = point_study.files("blank")[:2]
    _without_head(point_study, files)
    said = "Not stated in the files, and assumed: absorbance (2 files), an axis in cm-1 (2 files)."
    before = check_folder(point_study.folder)
    assert f"{said}\n  Where it is known, state quantity and x_unit in study.toml below" in before
    result = point_study.run()
    assert said in instrument_sentences(result, Layouts())
    taken = {one["file"]: one["assumed"] for one in result.provenance["quality"]
             if "assumed" in one}  # fmt: skip
    assert taken == {file: {"quantity": "absorbance", "wavenumber": "cm-1"} for file in files}
    assert said in check_folder(point_study.folder)
    stated = f'[[reading]]\nfiles = "{files[0]}"\nquantity = "absorbance"\n\n[procedure]'
    point_study.edit("[procedure]", stated)
    said = check_folder(point_study.folder)
    assert "assumed: absorbance (1 file), an axis in cm-1 (2 files)." in said


def test_what_was_assumed_is_known_of_a_folder_and_of_what_was_written_from_it(tmp_path):
    folder = tmp_path / "map"
    folder.mkdir()
    for place in ("x0 y0", "x3 y0", "x0 y3", "x3 y3"):
        (folder / f"{place}.txt").write_text("1000\t0.1\n1010\t0.2\n1020\t0.1\n")
    array = io.read(folder)
    wanted = {"quantity": "absorbance", "wavenumber": "cm-1", "position unit": "um"}
    assert assumed(array) == wanted
    for suffix in ("nc", "csv"):
        assert assumed(io.read(io.write(array, tmp_path / f"map.{suffix}"))) == wanted
