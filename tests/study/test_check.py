"""A broken study is refused whole: every fault named, exit 1, no traceback, nothing written."""

from __future__ import annotations

import csv
import os
import re
from typing import Any

import pytest

from residuekit.cli import main
from residuekit.errors import StudyError
from residuekit.schema import ROLES
from residuekit.study.inspect import check_folder
from residuekit.study.manifest import load_manifest


def first(study: Any, role: str) -> str:
    """The file of the first row of a role."""
    return str(study.files(role)[0])


def misspelt_column(study):
    study.edit("exposure_min", "exposur_min", "measurements.csv")
    return "measurements.csv, line 1", "'exposur_min'", "did you mean 'exposure_min'?"


def column_without_its_unit(study):
    study.edit("loading_ug_cm2", "Loading", "measurements.csv")
    return "measurements.csv, line 1", "'Loading'", "did you mean 'loading_ug_cm2'?"


def key_given_twice(study):
    study.edit("beta = 0.05", "beta = 0.05\nalpha = 0.01")
    return "study.toml, line 21", "the key 'alpha' a second time (first in line 19)", "leave one"


def table_given_twice(study):
    study.edit("[limits]", "[procedure]\n\n[limits]")
    return (
        "study.toml, line 18",
        "the table [procedure] a second time (first in line",
        "one of them",
    )


def unknown_key_at_the_top(study):
    study.edit("title =", 'tittle = "x"\ntitle =')
    return "study.toml, line 1", "'tittle'", "did you mean 'title'?"


def unknown_table(study):
    study.edit("[limits]", "[limit]")
    return "study.toml, line 18", "'limit'", "did you mean 'limits'?"


def unknown_key_in_a_table(study):
    study.edit("acceptance_limit_ug_cm2", "acceptance_limit")
    found, known = (
        "'acceptance_limit' in [question]",
        "acceptance_limit_ug_cm2, acceptance_limit_nm",
    )
    found = "'acceptance_limit' in [question]"
    return "study.toml, line 6", found, known, "did you mean 'acceptance_limit_nm'"


def missing_file(study):
    (study.folder / first(study, "exposed")).rename(study.folder / "data" / "elsewhere.nc")
    return "measurements.csv, line 4", f"no file '{first(study, 'exposed')}'"


def path_upwards(study):
    file = first(study, "blank")
    study.change(lambda row: row["file"] == file, file="../outside.nc")
    (study.folder.parent / "outside.nc").write_bytes(b"x")
    return "measurements.csv, line 2", "'../outside.nc', which leaves the study folder"


def absolute_path(study):
    file = first(study, "blank")
    outside = study.folder.parent / "outside.nc"
    (study.folder / file).rename(outside)
    study.change(lambda row: row["file"] == file, file=str(outside))
    return "measurements.csv, line 2", "outside.nc', which leaves the study folder"


def link_that_leaves(study):
    file = study.folder / first(study, "blank")
    outside = study.folder.parent / "outside.nc"
    file.rename(outside)
    file.symlink_to(outside)
    return "measurements.csv, line 2", f"data/{file.name}', which leaves the study folder"


def link_that_goes_round(study):
    file = study.folder / first(study, "blank")
    file.unlink()
    file.symlink_to(file.name)
    return "measurements.csv, line 2", f"data/{file.name}"


def name_too_long(study):
    file = first(study, "blank")
    study.change(lambda row: row["file"] == file, file="data/" + "n" * 400 + ".nc")
    return "measurements.csv, line 2", "nnnn.nc'"


def exposed_without_blank(study):
    file = first(study, "exposed")
    study.change(lambda row: row["file"] == file, paint="acrylic")
    return "measurements.csv, line 4", "'acrylic'", "without a blank of its own"


def ageing_without_its_own_blank(study):
    file = first(study, "exposed")
    study.change(lambda row: row["file"] == file, ageing_h="500")
    return "measurements.csv, line 4", "ageing 500 h", "an unaged blank will not do"


def duplicate_file(study):
    study.write_rows([*study.rows(), study.rows()[0]])
    return "measurements.csv, line 7", f"'{first(study, 'blank')}' a second time (first in line 2)"


def spiked_without_loading(study):
    file = first(study, "spiked")
    study.change(lambda row: row["file"] == file, loading_ug_cm2="")
    return "measurements.csv, line 5", "an empty loading_ug_cm2 in a row of role spiked"


def empty_file(study):
    (study.folder / first(study, "reference")).write_bytes(b"")
    return "measurements.csv, line 6", "the empty file 'data/reference_1.nc'"


def folder_in_place_of_a_file(study):
    (study.folder / first(study, "reference")).unlink()
    (study.folder / first(study, "reference")).mkdir()
    return "measurements.csv, line 6", "'data/reference_1.nc'"


def axis_not_monotone(study):
    file = first(study, "reference")
    path = (study.folder / file).with_suffix(".csv")
    path.write_text("wavenumber,a\n1000,0.1\n1004,0.2\n1002,0.3\n1006,0.1\n", encoding="utf-8")
    study.change(lambda row: row["file"] == file, file=f"data/{path.name}")
    return "data/reference_1.csv", "1002"


def other_axis(study):
    from residuekit import io

    path = study.folder / first(study, "exposed")
    io.write(io.read(path).isel(wavenumber=slice(0, -5)), path)
    return first(study, "exposed"), "a wavenumber axis of 164 points"


def marker_outside_the_measured_range(study):
    study.edit('"acetate C=O 1735"', '{name = "far", low = 2900, high = 3000}')
    return "'far'", "2900"


def not_a_file_of_spectra(study):
    (study.folder / first(study, "exposed")).write_bytes(b"\x00 nothing of the kind")
    return (first(study, "exposed"),)


def not_toml(study):
    study.edit("[limits]", "[limits")
    return "study.toml, line 18", "text that is not TOML"


def empty_settings(study):
    study.settings.write_text("", encoding="utf-8")
    return "study.toml", "no treatment in [question]", "no use in [markers]"


def unknown_marker(study):
    study.edit("pva C-O 1092", "pva C-O 1902")
    return "study.toml, line 15", "'pva C-O 1902'", "did you mean 'pva C-O 1092'?"


def unknown_step(study):
    study.edit('"crop"', '"corp"')
    return "study.toml, line 11", "'corp'", "did you mean 'crop'?"


def unknown_parameter(study):
    study.edit("low =", "lo =")
    return "study.toml, line 11", "'lo'", "did you mean 'low'?"


def unknown_score(study):
    study.edit('"net signal"]', '"net-signal"]')
    return "study.toml, line 16", "'net-signal'", "did you mean 'net signal'?"


def text_for_a_number(study):
    study.edit("alpha = 0.05", 'alpha = "5 %"')
    return "study.toml, line 19", "alpha = '5 %'", "a number"


def rate_out_of_range(study):
    study.edit("alpha = 0.05", "alpha = 5")
    return "study.toml, line 19", "alpha = 5", "from 0.001 to 0.2"


def figure_of_no_page(study):
    study.edit("width_mm = 170", "width_mm = 20")
    return "study.toml, line 23", "width_mm = 20", "80 to 260 mm"


def acceptance_limit_of_nothing(study):
    study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 0")
    return "study.toml, line 6", "acceptance_limit_ug_cm2 = 0", "a number above 0"


def negative_acceptance_limit(study):
    study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = -0.5")
    return "study.toml, line 6", "acceptance_limit_ug_cm2 = -0.5", "a number above 0"


def treatment_that_no_row_has(study):
    study.edit('treatment = "PVA cryogel"', 'treatment = "PVA cryogell"')
    return "study.toml", "'PVA cryogell'", "did you mean 'PVA cryogel'?"


def wrong_role(study):
    file = first(study, "blank")
    study.change(lambda row: row["file"] == file, role="blnak")
    return "measurements.csv, line 2", "'blnak'", "did you mean 'blank'?"


def number_with_a_unit(study):
    file = first(study, "exposed")
    study.change(lambda row: row["file"] == file, exposure_min="2 min")
    return "measurements.csv, line 4", "exposure_min '2 min'", "without a unit"


def gel_on_a_blank(study):
    file = first(study, "blank")
    study.change(lambda row: row["file"] == file, treatment="PVA cryogel")
    return "measurements.csv, line 2", "treatment 'PVA cryogel' in a row of role blank"


def no_table(study):
    study.table.unlink()
    return ("no measurements.csv",)


def two_tables(study):
    (study.folder / "measurements.xlsx").write_bytes(study.table.read_bytes())
    return ("both measurements.csv and measurements.xlsx",)


def not_a_workbook(study):
    study.table.rename(study.folder / "measurements.xlsx")
    return "measurements.xlsx", "a table that cannot be read"


def header_alone(study):
    header = study.table.read_text("utf-8").splitlines()[0]
    study.table.write_text(header + "\n", encoding="utf-8")
    return "measurements.csv, line 2", "no rows"


def no_exposed_row(study):
    study.keep(lambda row: row["role"] != "exposed")
    return "measurements.csv", "no row of role exposed"


@pytest.fixture
def light(study):
    """The small study with two blanks and one file of every other role."""
    files = [*study.files("blank")[:2], *(first(study, role) for role in ROLES[1:-1])]
    study.keep(lambda row: row["file"] in files)
    return study


BREAKS = [
    misspelt_column, column_without_its_unit, key_given_twice, table_given_twice,
    unknown_key_at_the_top, unknown_table, unknown_key_in_a_table, missing_file,
    path_upwards, absolute_path, link_that_leaves, link_that_goes_round, name_too_long,
    exposed_without_blank, ageing_without_its_own_blank, duplicate_file, spiked_without_loading,
    empty_file, folder_in_place_of_a_file, axis_not_monotone, other_axis,
    marker_outside_the_measured_range, not_a_file_of_spectra, not_toml, empty_settings,
    unknown_marker, unknown_step, unknown_parameter, unknown_score, text_for_a_number,
    rate_out_of_range, figure_of_no_page, acceptance_limit_of_nothing, negative_acceptance_limit,
    treatment_that_no_row_has, wrong_role, number_with_a_unit, gel_on_a_blank,
    no_table, two_tables, not_a_workbook, header_alone, no_exposed_row,
]  # fmt: skip
SEEN_IN_FILES = {
    axis_not_monotone, other_axis, marker_outside_the_measured_range, not_a_file_of_spectra,
}  # fmt: skip


@pytest.mark.parametrize("spoil", BREAKS, ids=lambda spoil: spoil.__name__)
def test_a_fault_is_named_and_nothing_is_written(light, capsys, spoil):
    expected = spoil(light)
    before = light.snapshot()
    for word in ("check", "run") if spoil not in SEEN_IN_FILES else ("check",):
        assert main([word, str(light.folder)]) == 1
        said = capsys.readouterr()
        assert "nothing was written" in said.err
        for words in expected:
            assert words in said.err
        assert "; needed " in said.err
        assert "; to mend it: " in said.err
    assert light.snapshot() == before


def test_one_fault_is_told_once(light, capsys):
    light.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = -1")
    main(["check", str(light.folder)])
    assert capsys.readouterr().err.startswith("1 fault found; nothing was written.\n  1. ")


def test_everything_that_is_wrong_is_told_in_one_message(light, command):
    """A study broken in ten ways, through the command in a process of its own."""
    fragments: list[str] = []
    for spoil in (
        axis_not_monotone, not_a_file_of_spectra, unknown_key_at_the_top, unknown_score,
        negative_acceptance_limit, unknown_marker, unknown_parameter, spiked_without_loading,
        duplicate_file, missing_file,
    ):  # fmt: skip
        fragments += [text for text in spoil(light) if not text.startswith("study.toml, line")]
    misspelt_column(light)
    before = light.snapshot()
    done = command("check", light.folder)
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    for words in (*fragments, "'exposur_min'"):
        assert words in done.stderr
    counted = re.search(r"^(\d+) faults found", done.stderr, re.MULTILINE)
    assert counted
    assert len(re.findall(r"^ *\d+\. ", done.stderr, re.MULTILINE)) == int(counted.group(1)) >= 11
    assert light.snapshot() == before


def test_a_sound_study_passes_and_nothing_is_written(study, command):
    before = study.snapshot()
    done = command("check", study.folder)
    assert done.returncode == 0, done.stderr
    assert "fault" not in done.stderr
    assert (
        "15 files (4 blank, 6 exposed, 4 spiked, 1 reference), 14 mock-ups, 2 arms" in done.stdout
    )
    assert "Nothing is wrong" in done.stdout
    assert study.snapshot() == before


def semicolons_and_decimal_commas(study):
    text = study.table.read_text("utf-8").replace(",", ";")
    study.table.write_text(text.replace(";6;", ";6,0;").replace(";60;", ";60,0;"), "utf-8")


def tabs(study):
    study.table.write_text(study.table.read_text("utf-8").replace(",", "\t"), "utf-8")


def utf_16(study):
    study.table.write_text(study.table.read_text("utf-8"), encoding="utf-16")


def byte_order_marks(study):
    for path in (study.table, study.settings):
        path.write_text(path.read_text("utf-8"), encoding="utf-8-sig")


def windows_line_ends(study):
    for path in (study.table, study.settings):
        path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))


def notes_and_empty_lines(study):
    text = study.table.read_text("utf-8").replace("\n", "\n# a note, with commas\n\n", 1)
    study.table.write_text(text, "utf-8")


def workbook(study):
    from openpyxl import Workbook

    book = Workbook()
    with study.table.open(encoding="utf-8", newline="") as file:
        for cells in csv.reader(file):
            book.active.append([float(c) if c.isdecimal() else c or None for c in cells])
    book.save(study.folder / "measurements.xlsx")
    study.table.unlink()


FORMS = [
    semicolons_and_decimal_commas, tabs, utf_16, byte_order_marks, windows_line_ends,
    notes_and_empty_lines, workbook,
]  # fmt: skip


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.__name__)
def test_every_form_of_table_says_the_same(study, form):
    from residuekit.study import load_manifest

    def cells(manifest):
        return [
            tuple(repr(getattr(row, name)) for name in vars(row) if name != "line")
            for row in manifest.measurements
        ]

    plain = load_manifest(study.folder)
    form(study)
    formed = load_manifest(study.folder)
    assert cells(formed) == cells(plain)
    assert (formed.procedure, formed.markers) == (plain.procedure, plain.markers)
    assert formed.of_role("spiked")[-1].loading_ug_cm2 == 6.0


def test_further_columns_are_kept_and_stand_in_the_way_of_nothing(study):
    from residuekit.study import load_manifest

    study.write_rows([{**row, "RH": "45 %"} for row in study.rows()])
    assert {row.further["RH"] for row in load_manifest(study.folder).measurements} == {"45 %"}


def test_a_folder_without_a_study_and_no_folder_at_all(tmp_path, capsys):
    assert main(["check", str(tmp_path)]) == 1
    said = capsys.readouterr().err
    assert "no study.toml" in said
    assert "no measurements.csv" in said
    assert main(["run", str(tmp_path / "nowhere")]) == 1
    assert "residuekit new" in capsys.readouterr().err
    assert not os.listdir(tmp_path)


def test_a_folder_of_single_measurements_is_shown_the_way_to_a_study(tmp_path):
    from residuekit.errors import ReadError

    for name in ("pure.csv", "blank 1.csv", "gel 2.csv"):
        (tmp_path / name).write_text("wavenumber,absorbance\n1000,0.1\n1010,0.2\n", "utf-8")
    with pytest.raises(ReadError) as refused:
        check_folder(tmp_path)
    (fault,) = refused.value.faults
    assert f"residuekit new STUDY --from {tmp_path}; if they are one map: move it" in fault.fix


def test_a_map_is_described(study, capsys):
    assert main(["check", str(study.folder / first(study, "blank"))]) == 0
    said = capsys.readouterr().out
    assert "8 rows (y) x 8 columns (x)" in said
    assert "900 to 1852 cm-1, 171 points, 5.6 cm-1 apart" in said


def test_a_paint_that_is_misspelt_is_told_of_the_one_with_blanks(study):
    rows = study.rows()
    next(row for row in rows if row["role"] == "exposed")["paint"] = "alkyt"
    study.write_rows(rows)
    with pytest.raises(StudyError) as refusal:
        check_folder(study.folder)
    (fault,) = [f for f in refusal.value.faults if "without a blank" in f.found]
    assert fault.fix.startswith("did you mean 'alkyd'?")


def test_many_equal_faults_are_one_with_their_count(study):
    study.keep(lambda row: row["role"] != "blank")
    with pytest.raises(StudyError) as refusal:
        check_folder(study.folder)
    (fault,) = [f for f in refusal.value.faults if "without a blank" in f.found]
    assert "and 9 more rows (lines 3, 4, 5 ...)" in fault.found


def test_notes_are_counted_where_nothing_is_wrong(study):
    rows = study.rows()
    for row in rows:
        row["dose_unit"] = "furlong"
    study.write_rows(rows)
    assert "It can be run; 1 note above: residuekit run" in check_folder(study.folder)


def test_an_unspecific_band_is_told_and_never_stands_first(study):
    study.edit('use = ["pva C-O 1092"', 'use = ["agar water 1645", "pva C-O 1092"')
    told = check_folder(study.folder)
    assert "note: The marker 'agar water 1645' is unspecific: many materials absorb there" in told
    names = [marker.name for marker in load_manifest(study.folder).markers]
    assert names[0] == "pva C-O 1092"
    assert names[-1] == "agar water 1645"


def _told(study: Any) -> list[str]:
    with pytest.raises(StudyError) as refused:
        check_folder(study.folder)
    return [fault.found for fault in refused.value.faults]


def test_a_row_with_a_wrong_cell_is_not_told_as_absent_too(study):
    study.change(lambda row: row["role"] == "exposed", clearance_min="")
    study.change(lambda row: row["role"] == "blank", treatment="Wasser")
    study.change(lambda row: row["role"] == "reference", treatment="")
    study.edit('scores = ["band", "net signal"]', 'scores = ["net signal"]')
    told = _told(study)
    assert len(told) == 3
    for said in ("an empty clearance_min in a row of role exposed, and 5 more rows",
                 "treatment 'Wasser' in a row of role blank, and 3 more rows",
                 "a reference without material and without treatment"):  # fmt: skip
        assert any(said in one for one in told), said


def test_nothing_is_said_to_lack_what_a_row_without_role_or_paint_may_be(study):
    files = study.files("blank")
    study.change(lambda row: row["file"] in files[1:], role="")
    study.change(lambda row: row["file"] == files[0], paint="")
    assert len(_told(study)) == 4
    study.change(lambda row: row["file"] in files, role="blank", paint="another")
    (told,) = _told(study)
    assert "without a blank of its own, and 9 more rows" in told


def test_a_row_that_has_too_many_cells_is_not_told_as_absent_too(study):
    lines = study.table.read_text("utf-8").splitlines()
    exposed = [",exposed," in line for line in lines]
    lines = [f"{line},," if met else line for line, met in zip(lines, exposed, strict=True)]
    study.table.write_text("\n".join(lines) + "\n", "utf-8")
    (told,) = _told(study)
    assert "cells, and 5 more rows" in told


def test_empty_roles_hide_no_other_fault(study):
    blank, exposed = first(study, "blank"), first(study, "exposed")
    study.change(lambda row: row["role"] != "spiked", role="")
    (study.folder / blank).write_bytes(b"\x00 nothing of the kind")
    (study.folder / exposed).unlink()
    study.edit('treatment = "PVA cryogel"', 'treatment = "agar"')
    study.change(lambda row: row["role"] == "spiked", loading_ug_cm2="two")
    told = _told(study)
    for said in ("an empty role", f"no file '{exposed}'", "loading_ug_cm2 'two'"):
        assert any(said in one for one in told), said
    assert any("signature" in one or "HDF5" in one or "NetCDF" in one for one in told), told


def test_a_treatment_that_no_row_has_hides_no_unfit_file(study):
    import numpy as np

    from residuekit import io

    path = study.folder / first(study, "exposed")
    array = io.read(path)
    io.write(array.copy(data=np.zeros_like(array.values)), path)
    study.edit('treatment = "PVA cryogel"', 'treatment = "agar"')
    told = _told(study)
    assert any("which no exposed row has" in one for one in told)
    assert any("not fit to be judged" in one for one in told)


def test_a_mockup_whose_row_is_wrong_may_be_the_one_before_treatment(study):
    rows = study.rows()
    blank = next(row for row in rows if row["role"] == "blank")
    before = {**blank, "role": "before", "file": "data/before.nc", "paint": "", "treatment": ""}
    (study.folder / "data/before.nc").write_bytes((study.folder / blank["file"]).read_bytes())
    study.write_rows([*rows, before])
    study.change(lambda row: row["file"] == blank["file"], mockup="")
    assert not any("before treatment, which no" in one for one in _told(study))
