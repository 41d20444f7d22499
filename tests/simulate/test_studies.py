"""Whole study folders: complete, repeatable, and silent about their truth."""

from __future__ import annotations

import csv
import json
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from residuekit import io, schema
from residuekit.errors import ResiduekitError, StudyError, WriteError
from residuekit.simulate import (
    Arm,
    StudyDesign,
    Texture,
    Variation,
    demo_design,
    simulate_specimen,
    simulate_study,
    small_demo_design,
    specimens,
    write_demo,
)
from residuekit.simulate.demo import SEED
from residuekit.simulate.materials import gel_response
from residuekit.simulate.studies import COLUMNS

ARMS = (
    Arm(2.0, n_mockups=3),
    Arm(60.0, n_mockups=4, loading_ug_cm2=2.0, pattern="pores", loaded_mockups=1),
)
TINY = StudyDesign(
    ARMS,
    paints={"white": "alkyd", "green": "acrylic"},
    soilings=("none", "urban grime"),
    ageing_h=(0.0, 500.0),
    n_blanks=3,
    n_untreated={"white": 1},
    n_spiked=1,
    shape=(3, 4),
    axis=(900.0, 1900.0, 20.0),
    confounders={"kaolin": 0.004},
    question={"treatment": "PVA cryogel", "working_exposure_min": 2},
    steps=({"step": "crop", "low": 920, "high": 1880},),
)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, dict[str, Any]]:
    place = tmp_path_factory.mktemp("study")
    truth = simulate_study(place / "tiny", TINY, 7, place / "sealed" / "truth.json")
    return place / "tiny", place / "sealed" / "truth.json", truth


@pytest.fixture(scope="module")
def rows(study: tuple[Path, Path, dict[str, Any]]) -> list[dict[str, str]]:
    with (study[0] / "measurements.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_manifest_has_the_columns_and_cells_of_the_contract(
    study: tuple[Path, Path, dict[str, Any]], rows: list[dict[str, str]]
) -> None:
    assert set(COLUMNS) <= set(schema.MEASUREMENT_COLUMNS)
    assert tuple(rows[0]) == COLUMNS
    for row in rows:
        assert all(row[column] for column in schema.NEEDED_CELLS[row["role"]]), row
        assert (study[0] / row["file"]).is_file()
    files = [row["file"] for row in rows]
    assert len(set(files)) == len(files)
    assert len(list((study[0] / "data").iterdir())) == len(files)


def test_every_stratum_has_its_blanks_and_arms(rows: list[dict[str, str]]) -> None:
    strata = {(r["paint"], r["soiling"], r["ageing_h"]) for r in rows if r["paint"]}
    assert len(strata) == 8
    for stratum in strata:
        members = [r for r in rows if (r["paint"], r["soiling"], r["ageing_h"]) == stratum]
        water = {r["mockup"] for r in members if r["treatment"] == "water"}
        exposed = {r["mockup"] for r in members if r["role"] == "exposed"}
        untreated = {r["mockup"] for r in members if r["treatment"] == "none"}
        assert (len(water), len(exposed)) == (3, 7)
        assert len(untreated) == (stratum[0] == "white")
        assert any(r["role"] == "spiked" for r in members) == (stratum[2] == "0")


def test_no_session_measures_one_arm_alone(rows: list[dict[str, str]]) -> None:
    for role in ("blank", "exposed"):
        days = {r["session"] for r in rows if r["role"] == role}
        assert days == {"day 1", "day 2", "day 3"}


def test_the_settings_are_toml_and_say_what_is_asked(
    study: tuple[Path, Path, dict[str, Any]],
) -> None:
    settings = tomllib.loads((study[0] / "study.toml").read_text(encoding="utf-8"))
    assert settings["question"]["treatment"] == "PVA cryogel"
    assert settings["procedure"]["steps"] == [{"step": "crop", "low": 920, "high": 1880}]
    assert settings["markers"]["use"] == ["pva C-O 1092", "acetate C=O 1735"]
    assert list(settings) == ["title", "question", "procedure", "markers", "limits", "figure"]


def test_the_sealed_truth_is_what_is_returned(study: tuple[Path, Path, dict[str, Any]]) -> None:
    _, sealed, truth = study
    assert json.loads(sealed.read_text(encoding="utf-8")) == truth
    arms = {(a["paint"], a["exposure_min"]): a for a in truth["arms"]}
    assert arms["white", 2.0]["clean"]
    assert arms["white", 2.0]["mean_loading_ug_cm2"] == 0.0
    assert not arms["white", 60.0]["clean"]
    assert arms["white", 60.0]["loaded_mockups"] == 1
    assert arms["white", 60.0]["expected_loading_ug_cm2"] == pytest.approx(0.5)
    assert len(truth["arms"]) == 16


def test_nothing_in_the_study_tells_the_truth(study: tuple[Path, Path, dict[str, Any]]) -> None:
    texts = [p.read_bytes() for p in study[0].rglob("*") if p.is_file()]
    for word in (b"truth", b"pores", b"loaded", b"kaolin", b"spawn"):
        assert not any(word in text for text in texts)


def test_true_loadings_are_means_over_the_mockups_surface(
    study: tuple[Path, Path, dict[str, Any]],
) -> None:
    for mockup in study[2]["mockups"]:
        maps = [m["loading_ug_cm2"] for m in mockup["maps"]]
        if mockup["nominal_ug_cm2"] == 0:
            assert mockup["loading_ug_cm2"] == 0
            assert not any(maps)
        elif mockup["role"] == "spiked":
            np.testing.assert_allclose(maps, mockup["loading_ug_cm2"])
            assert mockup["loading_ug_cm2"] == pytest.approx(mockup["nominal_ug_cm2"], rel=0.15)


def test_maps_scatter_around_the_loading_of_their_surface() -> None:
    arm = Arm(60.0, n_mockups=40, loading_ug_cm2=2.0, pattern="patchy")
    design = replace(TINY, arms=(arm,), paints={"white": "alkyd"}, maps_per_mockup=3)
    exposed = [s for s in specimens(design) if s.role == "exposed" and s.ageing_h == 0]
    truths = [simulate_specimen(design, s, 3)[1] for s in exposed[:40]]
    loadings = np.array([t["loading_ug_cm2"] for t in truths])
    ratios = np.array([[m["loading_ug_cm2"] for m in t["maps"]] for t in truths])
    ratios /= loadings[:, None]
    assert loadings.mean() == pytest.approx(2.0, rel=0.1)
    assert loadings.std() / loadings.mean() == pytest.approx(0.2, abs=0.08)
    assert ratios.mean() == pytest.approx(1.0, abs=0.1)
    assert ratios.std() == pytest.approx(0.3, abs=0.08)


def test_a_mockup_is_the_same_in_a_larger_study_and_in_any_order() -> None:
    larger = replace(TINY, arms=(Arm(10.0, n_mockups=2), *ARMS), n_blanks=5)
    wanted = {s.name: s for s in specimens(TINY)}
    found = {s.name: s for s in specimens(larger)}
    for name in list(wanted)[::-9]:
        alone, _ = simulate_specimen(TINY, wanted[name], 7)
        beside, _ = simulate_specimen(larger, found[name], 7)
        for one, other in zip(alone, beside, strict=True):
            assert one.identical(other)


def test_the_files_hold_the_maps_of_the_seed(
    study: tuple[Path, Path, dict[str, Any]], rows: list[dict[str, str]]
) -> None:
    specimen = next(s for s in specimens(TINY) if s.role == "exposed")
    maps, _ = simulate_specimen(TINY, specimen, 7)
    files = [r["file"] for r in rows if r["mockup"] == specimen.name]
    for data, file in zip(maps, files, strict=True):
        np.testing.assert_array_equal(io.read(study[0] / file), data)


def test_a_state_before_is_the_same_mockup_without_what_treatment_left(tmp_path: Path) -> None:
    design = replace(TINY, before=True, ageing_h=(0.0,), paints={"white": "alkyd"})
    truth = simulate_study(tmp_path / "study", design, 7)
    plain = simulate_study(tmp_path / "plain", replace(design, before=False), 7)
    with (tmp_path / "study/measurements.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    before = [row for row in rows if row["role"] == "before"]
    treated = {row["mockup"] for row in rows if row["role"] in ("blank", "exposed", "spiked")
               and row["treatment"] != "none"}  # fmt: skip
    assert {row["mockup"] for row in before} == treated
    assert all(row["paint"] == row["treatment"] == row["loading_ug_cm2"] == "" for row in before)
    assert all(m["loading_ug_cm2"] == 0 for m in truth["mockups"] if m["role"] == "before")
    assert [m for m in truth["mockups"] if m["role"] != "before"] == plain["mockups"]
    assert truth["arms"] == plain["arms"]


def test_what_pairing_takes_out_is_the_mockups_own() -> None:
    """Differences of one mock-up scatter less than mock-ups do, and gel stands in them whole."""
    even = Texture(thickness=0.0, binder=0.0, filler=0.0, surfactant=0.0, sorbed_water=0.0,
                   baseline=(0.0, 0.0, 0.0))  # fmt: skip
    arms = (Arm(2.0, n_mockups=8), Arm(60.0, n_mockups=8, loading_ug_cm2=2.0))
    design = replace(
        TINY, arms=arms, soilings=("none",), confounders={}, shape=(12, 12), texture=even,
        surfactant_loss=0.0, loading_cv=0.0, axis=(900.0, 1900.0, 5.0), before=True,
    )  # fmt: skip
    means: dict[tuple[str, float, bool], list[Any]] = {}
    for one in specimens(design):
        if one.role == "exposed" and one.paint == "white" and one.ageing_h == 0.0:
            maps, _ = simulate_specimen(design, one, 3)
            spectrum = np.mean([array.values.mean((0, 1)) for array in maps], axis=0)
            means.setdefault(("arm", one.exposure_min, one.before), []).append(spectrum)
    after, before = (np.array(means["arm", 2.0, state]) for state in (False, True))
    own, paired = after.std(0, ddof=1).mean(), (after - before).std(0, ddof=1).mean()
    assert paired < 0.1 * own
    loaded = np.array(means["arm", 60.0, False]) - np.array(means["arm", 60.0, True])
    added = (loaded - (after - before)).mean(0)
    wanted = gel_response("PVA cryogel", np.arange(900.0, 1900.1, 5.0)) * 2.0
    assert added @ wanted / (wanted @ wanted) == pytest.approx(1.0, abs=0.1)


def test_water_and_gel_lose_surfactant_alike_and_untreated_loses_none() -> None:
    design = replace(TINY, paints={"green": "acrylic nBMA"}, n_untreated={"green": 1},
                     variation=Variation(scale=0.0), confounders={}, soilings=("none",),
                     axis=(1000.0, 1200.0, 1.0))  # fmt: skip
    height = {}
    for s in specimens(design):
        if s.ageing_h == 0 and s.nominal_ug_cm2 == 0:
            mean = np.mean([m.sel(wavenumber=1111.0).mean() for m in
                            simulate_specimen(design, s, 1)[0]])  # fmt: skip
            height.setdefault(s.treatment, []).append(mean)
    level = {treatment: np.mean(values) for treatment, values in height.items()}
    assert level["none"] - level["water"] == pytest.approx(0.03, abs=0.012)
    assert level["water"] == pytest.approx(level["PVA cryogel"], abs=0.012)


def test_a_sealed_file_inside_the_study_is_refused(tmp_path: Path) -> None:
    for inside in ("truth.json", "runs/../data/truth.json"):
        with pytest.raises(StudyError, match="never reads"):
            simulate_study(tmp_path / "s", TINY, 1, tmp_path / "s" / inside)
    assert not list(tmp_path.iterdir())


def test_a_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("x", encoding="utf-8")
    with pytest.raises(WriteError, match="absent or empty"):
        simulate_study(tmp_path, TINY, 1)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_study_that_fails_half_way_leaves_nothing(tmp_path: Path) -> None:
    broken = replace(TINY, map_suffixes=(".nc", ".unheard"))
    with pytest.raises(ResiduekitError):
        simulate_study(tmp_path / "s", broken, 1)
    assert not list(tmp_path.iterdir())


def test_the_demo_is_the_scenario_that_is_told() -> None:
    design = demo_design()
    members = list(specimens(design))
    count = {
        (p, t): sum(s.paint == p and s.treatment == t and s.role == "blank" for s in members)
        for p in design.paints
        for t in ("water", "none")
    }
    assert list(design.paints) == ["alkyd white", "acrylic green"]
    assert count["alkyd white", "water"] == count["acrylic green", "water"] == 6
    assert sorted(count.values()) == [0, 3, 6, 6]
    exposed = [(s.paint, s.arm.exposure_min) for s in members if s.arm is not None]
    assert {n: exposed.count(("acrylic green", n)) for n in (2.0, 10.0, 60.0)} == {
        2.0: 4, 10.0: 4, 60.0: 6
    }  # fmt: skip
    loaded = {(s.paint, s.arm.exposure_min) for s in members if s.arm and s.nominal_ug_cm2}
    assert loaded == {("acrylic green", 60.0)}
    assert 2 * len(members) + 2 <= 130


def test_the_small_demo_is_small_complete_and_the_same_twice(tmp_path: Path) -> None:
    done: list[tuple[int, int]] = []
    truth = write_demo(tmp_path / "a", small=True, progress=lambda k, n: done.append((k, n)))
    again = write_demo(tmp_path / "b", small=True, sealed=tmp_path / "truth.json")
    assert truth == again
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*.*"))
    assert sum((tmp_path / "a" / f).stat().st_size for f in files) < 10e6
    assert {f.suffix for f in files} == {".nc", ".csv", ".jdx", ".toml", ".txt"}
    assert done[-1] == (len(truth["mockups"]),) * 2
    for file in files:
        if file.parts[0] == "data":
            first, second = (io.read(tmp_path / x / file) for x in "ab")
            np.testing.assert_array_equal(first, second)
        else:
            texts = [(tmp_path / x / file).read_text(encoding="utf-8") for x in "ab"]
            assert texts[0] == texts[1]
    assert "INVENTED DATA" in (tmp_path / "a" / "README.txt").read_text(encoding="utf-8")


def test_between_mockup_scatter_costs_a_single_band_several_times_what_noise_does() -> None:
    """Area of 1050 to 1140 cm-1 over a straight line, one map of each of 16 blank mock-ups."""
    design = replace(small_demo_design(), n_blanks=16, maps_per_mockup=1)
    blanks = [s for s in specimens(design) if s.role == "blank"]
    maps = [simulate_specimen(design, s, SEED)[0][0] for s in blanks]
    band = [m.sel(wavenumber=slice(1050, 1140)) for m in maps]
    weights = np.full(band[0].sizes["wavenumber"], 4.0)
    weights[[0, -1]] = 2.0
    weights[[0, -1]] -= weights.sum() / 2
    scores = np.array([b.values.astype(float) @ weights for b in band])
    between = scores.mean(axis=(1, 2)).std(ddof=1)
    absorbance = float(np.mean(band))
    white = design.instrument.noise * 10**absorbance / np.log(10) * np.linalg.norm(weights)
    assert between > 3 * white / np.sqrt(scores[0].size)
