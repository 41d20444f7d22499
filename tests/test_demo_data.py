"""The files in data-demo/ are what the seed makes, and they run to their verdicts."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

import residuekit as rk
from residuekit.simulate import write_delivery, write_demo

DATA = Path(__file__).parents[1] / "data-demo"
STUDY = DATA / "tram-shelter"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "tram-shelter"
    return folder, write_demo(folder, small=True)


def test_the_files_are_those_the_seed_makes(made):
    folder, truth = made
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    assert names == sorted(p.relative_to(STUDY).as_posix() for p in STUDY.rglob("*") if p.is_file())
    for name in ("study.toml", "measurements.csv", "README.txt"):
        assert (folder / name).read_bytes() == (STUDY / name).read_bytes()
    for name in names:
        if name.startswith("data/"):
            new, kept = rk.read(folder / name), rk.read(STUDY / name)
            np.testing.assert_allclose(new.values, kept.values, rtol=0, atol=2e-6)
    sealed = json.loads((DATA / "tram-shelter-truth.json").read_text(encoding="utf-8"))
    assert sealed["arms"] == json.loads(json.dumps(truth))["arms"]


def test_it_is_small_and_in_more_than_one_open_format():
    files = [path for path in DATA.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 10e6
    assert {path.suffix for path in (STUDY / "data").iterdir()} == {".nc", ".csv", ".jdx"}


def test_its_verdicts_agree_with_its_truth(tmp_path, monkeypatch):
    monkeypatch.setattr("residuekit.study.run._present", lambda *_: None)
    shutil.copytree(STUDY, tmp_path / "study")
    result = rk.Study.open(tmp_path / "study").run()
    truth = json.loads((DATA / "tram-shelter-truth.json").read_text(encoding="utf-8"))
    for arm in truth["arms"]:
        row = result.verdicts.set_index("exposure_min").loc[arm["exposure_min"]]
        assert row["verdict"] == ("not detected" if arm["clean"] else "detected")
        assert row["upper_bound"] > arm["mean_loading_ug_cm2"]


def test_the_delivery_is_what_the_seed_makes_small_and_marked_as_invented(tmp_path):
    write_delivery(tmp_path / "again")
    kept = DATA / "delivery"
    names = {p.relative_to(kept) for p in kept.rglob("*") if p.is_file()}
    assert names == {p.relative_to(tmp_path / "again") for p in (tmp_path / "again").rglob("*.*")}
    assert sum((kept / name).stat().st_size for name in names) < 1e6
    assert (kept / "README.txt").read_text(encoding="utf-8").startswith("INVENTED DATA.")
    for name in names:
        if name.suffix in (".csv", ".nc", ".jdx"):
            new, old = rk.read(tmp_path / "again" / name), rk.read(kept / name)
            np.testing.assert_allclose(new.values, old.values, rtol=0, atol=5e-6)
