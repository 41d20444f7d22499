"""One thing under two names, two things under one: refused, or said. All data are invented."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from residuekit import io
from residuekit.errors import StudyError
from residuekit.study import load_manifest
from residuekit.study.inspect import check_folder
from residuekit.study.names import _is_near, _steps


def faults_of(study):
    with pytest.raises(StudyError) as caught:
        load_manifest(study.folder)
    return caught.value.faults


def line_of(study, file):
    return next(n for n, row in enumerate(study.rows(), start=2) if row["file"] == file)


def test_one_content_under_two_names_is_refused_with_both_lines(study):
    first, second = study.files("exposed", exposure_min="2")[:2]
    shutil.copyfile(study.folder / first, study.folder / second)
    (fault,) = faults_of(study)
    assert fault.line == line_of(study, second)
    assert f"same content as {first!r} in line {line_of(study, first)}" in fault.found


def test_files_of_one_size_with_other_content_are_no_twins(study):
    first, second = study.files("exposed", exposure_min="2")[:2]
    content = bytearray((study.folder / first).read_bytes())
    assert len(content) > 3 * 4096
    content[len(content) // 2] ^= 1
    (study.folder / second).write_bytes(content)
    load_manifest(study.folder)


def test_twin_folders_are_refused(study):
    first, second = study.files("exposed", exposure_min="2")[:2]
    for file in (first, second):
        folder = study.folder / file.replace(".nc", ".zarr")
        io.write(io.read(study.folder / first), folder)
    study.change(lambda row: row["file"] == first, file=first.replace(".nc", ".zarr"))
    study.change(lambda row: row["file"] == second, file=second.replace(".nc", ".zarr"))
    (fault,) = faults_of(study)
    assert "with the same content" in fault.found


def test_a_sample_that_is_exposed_and_a_water_only_blank_is_refused(study):
    blank, exposed = study.files("blank")[0], study.files("exposed")[0]
    name = next(row["mockup"] for row in study.rows() if row["file"] == blank)
    study.change(lambda row: row["file"] == exposed, mockup=name)
    (fault,) = faults_of(study)
    assert fault.line == line_of(study, exposed)
    assert f"a water-only blank in line {line_of(study, blank)}" in fault.found


def test_a_sample_that_is_exposed_and_spiked_is_refused(study):
    spiked, exposed = study.files("spiked")[0], study.files("exposed")[0]
    name = next(row["mockup"] for row in study.rows() if row["file"] == spiked)
    study.change(lambda row: row["file"] == exposed, mockup=name)
    assert "exposed here and spiked in line" in faults_of(study)[0].found


@pytest.mark.parametrize(
    ("treatment", "kind"), [("water", "a water-only"), ("none", "an untreated")]
)
def test_a_blank_that_is_spiked_at_the_same_age_is_refused(study, treatment, kind):
    blank, spiked = study.files("blank")[0], study.files("spiked")[0]
    study.change(lambda row: row["file"] in (blank, spiked), mockup="one")
    study.change(lambda row: row["file"] == blank, treatment=treatment)
    (fault,) = faults_of(study)
    line = line_of(study, blank)
    assert f"the mock-up 'one', spiked here and {kind} blank in line {line}" in fault.found
    assert "before a mock-up was spiked has role before" in fault.fix
    study.change(lambda row: row["file"] == blank, ageing_h="500")
    load_manifest(study.folder)


@pytest.mark.usefixtures("without_pictures")
def test_before_and_after_and_two_exposures_of_one_mockup_are_said_with_the_verdict(warm_study):
    blank = warm_study.files("blank")[0]
    short = warm_study.files("exposed", exposure_min="2")[0]
    long = warm_study.files("exposed", exposure_min="60")[0]
    warm_study.change(lambda row: row["file"] == blank, treatment="none", mockup="panel 1")
    warm_study.change(lambda row: row["file"] in (short, long), mockup="panel 1")
    said = check_folder(warm_study.folder)
    assert "note: alkyd, PVA cryogel 2 min, cleared 2 min: Mock-up panel 1 also in alkyd" in said
    assert "Mock-up panel 1 among the untreated blanks too" in said
    result = warm_study.run()
    for row in result.verdicts.to_dict("records"):
        other = 60 if row["exposure_min"] == 2 else 2
        assert f"Mock-up panel 1 also in alkyd, PVA cryogel {other} min" in row["reason"]
        assert "The two arms are not independent" in row["reason"]
    assert any("panel 1" in remark for remark in result.provenance["remarks"])


def test_the_same_mockups_at_two_ages_are_no_fault_and_need_no_note(study):
    rows = study.rows()
    aged, rng = [], np.random.default_rng(6)
    for number, row in enumerate(rows):
        if row["role"] in ("blank", "exposed"):
            file = f"data/aged-{number}.nc"
            array = io.read(study.folder / row["file"])
            array.values += 1e-4 * rng.standard_normal(array.shape)
            io.write(array.assign_attrs(note="aged"), study.folder / file)
            aged.append({**row, "file": file, "ageing_h": "500"})
    study.write_rows([*rows, *aged])
    assert "note" not in check_folder(study.folder)


@pytest.mark.parametrize(
    ("column", "written"), [("paint", "Alkyd "), ("treatment", "PVA  Cryogel"), ("paint", "ALKYD")]
)
def test_two_spellings_of_one_name_are_refused_with_both(study, column, written):
    file = study.files("exposed")[-1]
    study.change(lambda row: row["file"] == file, **{column: written})
    found = [fault for fault in faults_of(study) if "written" in fault.found]
    assert [fault.line for fault in found] == [line_of(study, file)]


def test_a_misspelt_mockup_would_count_twice_and_is_refused(study):
    file = study.files("exposed")[1]
    name = next(row["mockup"] for row in study.rows() if row["file"] == study.files("exposed")[0])
    study.change(lambda row: row["file"] == file, mockup=name.upper().replace("_", "-"))
    assert "the mockup" in faults_of(study)[0].found


@pytest.mark.parametrize(
    ("one", "other", "near"),
    [
        ("gel A", "gel B", False),
        ("paint 1", "paint 2", False),
        ("PVA 5%", "PVA 10%", False),
        ("PVA4-98", "PVA4-88", False),
        ("agar", "alkyd", False),
        ("red", "rod", False),
        ("acrylic green", "acrylic grean", True),
        ("alkyd", "alkdy", True),
        ("PVA cryogel", "PVA cryogle", True),
        ("acrylic green", "alkyd white", False),
        ("zinc white", "lead white", False),
    ],
)
def test_names_a_letter_or_two_apart_are_asked_about(one, other, near):
    assert _is_near(one, other) == _is_near(other, one) == near


def test_a_name_that_is_near_another_is_asked_about_and_not_refused(study):
    files = study.files("reference")
    study.change(lambda row: row["file"] in files, treatment="PVA cryogel")
    study.write_rows([*study.rows(), {**study.rows()[-1], "file": "data/foreign.nc",
                                      "treatment": "PVA cryogle"}])  # fmt: skip
    array = io.read(study.folder / files[0])
    io.write(array.assign_attrs(note="another"), study.folder / "data/foreign.nc")
    said = check_folder(study.folder)
    assert "'PVA cryogel' (line" in said
    assert "differ by a letter or two" in said


def test_the_distance_counts_a_swap_as_one_step():
    assert [_steps(a, b) for a, b in (("ab", "ba"), ("abc", "ac"), ("", "ab"), ("x", "x"))] == [
        1, 1, 2, 0,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "words"),
    [("data", "which holds other measured files"), (".", "which leaves the study folder")],
)
def test_a_folder_that_is_no_map_is_refused(study, name, words):
    study.change(lambda row: row["file"] == study.files("exposed")[0], file=name)
    assert any(words in fault.found for fault in faults_of(study))


def test_a_folder_whose_links_leave_it_is_refused(study, tmp_path):
    first = study.files("exposed")[0]
    folder = study.folder / "data" / "map.zarr"
    io.write(io.read(study.folder / first), folder)
    study.change(lambda row: row["file"] == first, file="data/map.zarr")
    load_manifest(study.folder)
    (tmp_path / "secret").write_text("secret", encoding="utf-8")
    (folder / "link").symlink_to(tmp_path / "secret")
    assert any("leaves the study folder" in fault.found for fault in faults_of(study))


@pytest.mark.usefixtures("without_pictures")
def test_a_map_in_a_zarr_store_is_checked_run_and_pinned_like_a_file(warm_study, finished):
    first = warm_study.files("exposed", exposure_min="2")[0]
    store = warm_study.folder / "data" / "map.zarr"
    io.write(io.read(warm_study.folder / first), store)
    warm_study.change(lambda row: row["file"] == first, file="data/map.zarr")
    assert "Nothing is wrong" in check_folder(warm_study.folder)
    result = warm_study.run()
    assert result.failures == {}
    assert list(result.verdicts["verdict"]) == list(finished.result.verdicts["verdict"])
    assert result.provenance["inputs"]["data/map.zarr"] == io.sha256(store)
    assert "all as they were" in check_folder(result.folder)
    (store / "more").write_text("more", encoding="utf-8")
    with pytest.raises(StudyError, match=r"map\.zarr: found a file whose content has changed"):
        check_folder(result.folder)
    shutil.rmtree(store)
    with pytest.raises(StudyError, match=r"map\.zarr: found a file that is gone"):
        check_folder(result.folder)


@pytest.mark.parametrize(
    ("dose", "unit", "words"), [("50", "", "without a dose_unit"), ("50", "lx h", "")]
)
def test_a_dose_needs_its_unit(study, dose, unit, words):
    rows = [{**row, "dose": dose, "dose_unit": unit} for row in study.rows()]
    study.write_rows(rows)
    if words:
        assert all(words in fault.found for fault in faults_of(study))
    else:
        load_manifest(study.folder)


def test_a_dose_in_a_unit_that_is_not_known_is_kept_and_said(study):
    study.write_rows([{**row, "dose": "50", "dose_unit": "lxx h"} for row in study.rows()])
    assert "The dose_unit 'lxx h' is kept as it stands: did you mean 'lx h'?" in check_folder(
        study.folder
    )
