"""Run again: only what is new or changed is computed, and what changed is said with its cause."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from residuekit import Study, io
from residuekit.io import checksum
from residuekit.results import TABLES
from residuekit.schema import make_points
from residuekit.viewer.run_maps import arguments_of

pytestmark = pytest.mark.usefixtures("without_pictures")


@pytest.fixture
def warm_study(warm_study, finished):
    """The study with all that the earlier run has kept."""
    kept = Path("runs") / ".cache"
    shutil.copytree(finished.study.folder / kept, warm_study.folder / kept, dirs_exist_ok=True)
    return warm_study


@pytest.fixture
def performed(monkeypatch):
    """The files that are read, in the order of their tasks."""
    from residuekit.study import reading, work

    files, perform, scatter_within = [], work.perform, work.scatter_within

    def counted(task):
        files.append(task.row.file)
        return perform(task)

    def scattered(task):
        if not work.is_stored(task):
            files.append(task.row.file)
        return scatter_within(task)

    monkeypatch.setattr(work, "perform", counted)
    monkeypatch.setattr(reading, "scatter_within", scattered)
    return files


def tables(result):
    return {name: (result.folder / f"{name}.csv").read_bytes() for name in TABLES}


def copy_content(study, source, target):
    """As a second measurement would be: the same spectra under two names are refused."""
    array = io.read(study.folder / source)
    noise = np.random.default_rng(len(target)).normal(0, 1e-3, array.shape)
    io.write(array.copy(data=(array.values + noise).astype("float32")), study.folder / target)


def test_nothing_is_computed_twice(warm_study, finished, performed):
    again = warm_study.run()
    assert performed == []
    assert tables(again) == tables(finished.result)
    assert len(again.maps()) == len(finished.result.maps())


def test_the_first_run_reads_each_file_once(study, performed):
    study.run()
    once = [row["file"] for row in study.rows() if row["role"] in ("exposed", "reference")]
    assert all(performed.count(file) == 1 for file in once)
    assert set(performed) == {row["file"] for row in study.rows()}


def test_large_files_are_summed_once_a_run_and_its_maps_hold_their_checksums(
    study, finished, monkeypatch
):
    monkeypatch.setattr(checksum, "SMALL_FILE", 0)
    monkeypatch.setattr(checksum, "_is_settled", lambda _mark: True)
    times, plain = Counter(), hashlib.file_digest

    def counted(file, name):
        times[Path(file.name).name] += 1
        return plain(file, name)

    monkeypatch.setattr(hashlib, "file_digest", counted)
    result = study.run()
    files = [row["file"] for row in study.rows()]
    assert {file: times[Path(file).name] for file in files} == dict.fromkeys(files, 1)
    assert result.provenance["inputs"] == finished.result.provenance["inputs"]
    assert tables(result) == tables(finished.result)
    for path in result.maps():
        with xr.open_dataset(path, engine="h5netcdf") as scored:
            known = result.provenance["inputs"][scored.attrs["file"]]
            assert json.loads(scored.attrs["source"])["sha256"] == known


def test_a_study_that_was_moved_is_not_computed_again(study, tmp_path, performed):
    """Files that steps read are recorded as seen from the study, wherever it lies."""
    axis = np.arange(800.0, 2100.0, 2.0)
    vapour = make_points(np.exp(-(((axis - 1844) / 4) ** 2)), axis)
    io.write(vapour, study.folder / "data/vapour.nc")
    step = '{step = "crop", low = 910, high = 1840},'
    study.edit(step, step + '\n    {step = "subtract_vapour", file = "data/vapour.nc", '
                            "fit_low = 1750, fit_high = 1840},")  # fmt: skip
    study.run()
    performed.clear()
    moved = shutil.copytree(study.folder, tmp_path / "elsewhere" / "study")
    shutil.rmtree(study.folder)
    result = Study.open(moved).run()
    assert performed == []
    assert result.provenance["procedure"][1]["file"] == "data/vapour.nc"
    assert arguments_of(result, result.provenance["maps"][0]["file"])["array"].notnull().any()


def test_one_new_map_is_the_only_one_read(warm_study, performed):
    new = warm_study.files("exposed", exposure_min="2")[0]
    rows = warm_study.rows()
    warm_study.keep(lambda row: row["file"] != new)
    warm_study.run()
    warm_study.write_rows(rows)
    performed.clear()
    result = warm_study.run()
    assert performed == [new]
    assert f"- new: `{new}`" in result.changes
    assert "No verdict and no arm changed." not in result.changes
    line = next(line for line in result.changes.splitlines() if line.startswith("- alkyd"))
    assert "mock-ups 2 -> 3" in line
    assert re.search(r"mean -?[\d.]+ -> -?[\d.]+ ug cm-2", line)
    assert line.endswith("because of 1 of its maps")
    assert "no file was measured again" not in result.changes


def test_changed_content_is_read_again_and_its_verdict_change_explained(warm_study, performed):
    first = warm_study.run()
    assert "This is the first run." in first.changes
    loaded = warm_study.files("exposed", exposure_min="60")
    clean = warm_study.files("exposed", exposure_min="2")
    for source, target in zip(loaded, clean, strict=True):
        copy_content(warm_study, source, target)
    result = warm_study.run()
    assert performed == clean
    for file in clean:
        assert f"- changed content: `{file}`" in result.changes
    line = next(line for line in result.changes.splitlines() if "->" in line)
    assert "PVA cryogel 2 min" in line
    assert "not detected -> detected" in line
    assert line.endswith("because of 3 of its maps")


def test_a_map_that_is_gone_is_said_with_the_verdict_it_cost(warm_study):
    warm_study.run()
    gone = warm_study.files("exposed", exposure_min="2")[0]
    warm_study.keep(lambda row: row["file"] != gone)
    result = warm_study.run()
    assert f"- gone: `{gone}`" in result.changes
    assert "not detected -> inconclusive" in result.changes


def test_an_arm_that_comes_or_goes_is_said(warm_study):
    rows = warm_study.rows()
    warm_study.run()
    warm_study.keep(lambda row: row["role"] != "exposed" or row["exposure_min"] != "60")
    assert "PVA cryogel 60 min, cleared 2 min: no longer there" in warm_study.run().changes
    warm_study.write_rows(rows)
    assert "PVA cryogel 60 min, cleared 2 min: a new arm, detected" in warm_study.run().changes


def test_nothing_new_is_said_to_be_nothing(warm_study):
    warm_study.run()
    said = warm_study.run().changes
    assert "no input and no setting changed" in said
    assert "no file was measured again" in said
    assert "No verdict and no arm changed." in said


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("low = 910", "low = 915", "changed: the procedure"),
        ('"acetate C=O 1735"', '"pva C-H 1327"', "changed: the markers"),
    ],
)
def test_another_procedure_or_marker_computes_everything(warm_study, performed, old, new, words):
    warm_study.run()
    performed.clear()
    warm_study.edit(old, new)
    result = warm_study.run()
    assert set(performed) == {row["file"] for row in warm_study.rows()}
    assert words in result.changes


def test_another_acceptance_limit_computes_no_map(warm_study, performed):
    warm_study.run()
    warm_study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 0.001")
    result = warm_study.run()
    assert performed == []
    assert "not detected ->" in result.changes
    assert "; because of the question, the limits or the figure" in result.changes


def test_another_version_of_the_code_computes_everything(warm_study, performed, monkeypatch):
    monkeypatch.setattr("residuekit.study.cache.code_version", lambda: "another")
    warm_study.run()
    assert set(performed) == {row["file"] for row in warm_study.rows()}


def test_a_changed_blank_scores_every_exposed_map_again(warm_study, performed):
    first, second = warm_study.files("blank")[:2]
    warm_study.run()
    copy_content(warm_study, second, first)
    result = warm_study.run()
    assert {first, *warm_study.files("exposed")} <= set(performed)
    assert not set(warm_study.files("reference")) & set(performed)
    assert f"- changed content: `{first}`" in result.changes


@pytest.mark.parametrize("suffix", [".npz", ".nc"])
def test_kept_entries_that_were_harmed_are_computed_again(warm_study, finished, performed, suffix):
    """In turn: cut short, one byte flipped, emptied."""
    kept = sorted((warm_study.folder / "runs" / ".cache").glob(f"*{suffix}"))
    assert len(kept) > 3
    for number, path in enumerate(kept):
        content = bytearray(path.read_bytes())
        flipped = bytearray(content)
        flipped[len(content) // 2] ^= 0xFF
        path.unlink()
        path.write_bytes((content[:-9], flipped, b"")[number % 3])
    result = warm_study.run()
    assert performed
    assert tables(result) == tables(finished.result)
    for path in result.maps():
        assert io.sha256(path) in {
            io.sha256(entry) for entry in (warm_study.folder / "runs" / ".cache").glob("*.nc")
        }


def test_a_map_of_a_run_that_was_edited_is_not_handed_on(warm_study, performed):
    first = warm_study.run()
    with first.maps("exposed")[0].open("ab") as file:
        file.write(b"edited by hand")
    performed.clear()
    second = warm_study.run()
    assert len(performed) == 1
    assert not second.maps("exposed")[0].read_bytes().endswith(b"edited by hand")
