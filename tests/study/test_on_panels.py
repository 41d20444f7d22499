"""Mock-ups on panels: a study as `judge_arm` judges it in memory, and what `check` says."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from residuekit import io
from residuekit.decision.comparisons import difference_within
from residuekit.errors import StudyError
from residuekit.report.facts import strata
from residuekit.report.leave_one_out import leave_one_out
from residuekit.report.limit_table import controls_of
from residuekit.report.recovered_loadings import recovered
from residuekit.study.manifest import load_manifest
from residuekit.words import limits


def on_panels(study, panels=("A", "B"), shift=0.02, seed=5):
    """Put the mock-ups of each role and arm on panels in turn, and let the panels differ."""
    rng, turns, rows = np.random.default_rng(seed), {}, study.rows()
    shapes = {}
    for row in rows:
        row["block"] = ""
        if row["role"] not in ("blank", "exposed", "spiked"):
            continue
        place = (row["role"], row["treatment"], row["exposure_min"], row["loading_ug_cm2"])
        turns[place] = turns.get(place, -1) + 1
        row["block"] = panels[turns[place] % len(panels)]
        path = study.folder / row["file"]
        array = io.read(path)
        shape = shapes.setdefault(row["block"], shift * rng.standard_normal() * array.values[0, 0])
        io.write(array.copy(data=(array.values + shape).astype("float32")), path)
    study.write_rows(rows)
    return {(row["role"], row["mockup"]): row["block"] for row in rows}


def blocks(study, role, **cells):
    return [
        row["block"]
        for row in study.rows()
        if row["role"] == role and all(row[key] == cell for key, cell in cells.items())
    ]


@pytest.mark.usefixtures("without_pictures")
def test_an_arm_on_panels_is_judged_as_in_memory(study):
    on_panels(study)
    result = study.run()
    exposed = {"exposure_min": "60"}
    found = study.judged_in_memory(
        block_blanks=blocks(study, "blank"),
        block_exposed=blocks(study, "exposed", **exposed),
        block_spiked=blocks(study, "spiked"),
    )
    table = result.verdicts
    assert set(table["paired"]) == {"block"}
    (row,) = table[table["exposure_min"] == 60.0].to_dict("records")
    assert (row["verdict"], row["n_blank_mockups"]) == (found.verdict, 4)
    for name, value in found.deciding.row().items():
        expected = (
            pytest.approx(value, rel=1e-8, nan_ok=True) if isinstance(value, float) else value
        )
        assert row[name] == expected, name
    assert set(row["codes"].split("; ")) - {"several-arms", "other-exposure"} == set(found.codes)
    assert "on 2 panels" in row["reason"]
    mockups = result.mockups[result.mockups["score"] == row["score"]]
    own = mockups[(mockups["exposure_min"] == 60.0) & (mockups["role"] == "exposed")]
    assert own["mean"].to_numpy() == pytest.approx(found.deciding.mockups, rel=1e-6)
    spiked = mockups[mockups["role"] == "spiked"]
    assert spiked["mean"].to_numpy() == pytest.approx(np.array(study.loads()), rel=0.35)
    blanks = mockups[mockups["role"] == "blank"]
    assert blanks["mean"].to_numpy() == pytest.approx(found.deciding.blanks, abs=1e-6)
    assert list(blanks["block"]) == blocks(study, "blank")
    within = blanks["unpaired"] - blanks.groupby("block")["unpaired"].transform("mean")
    assert (within * np.sqrt(3 / 2)).to_numpy() == pytest.approx(found.deciding.blanks, rel=0.3)
    assert blanks["before"].isna().all()


@pytest.mark.usefixtures("without_pictures")
def test_what_leaves_in_turn_is_what_a_study_without_it_says(study_of_six, monkeypatch):
    """A blank leaves its panel, a panel leaves with all that lies on it; limits to four digits."""
    wide = study_of_six
    on_panels(wide)
    monkeypatch.setattr(limits, "digits", lambda value: f"{value:.4g}")
    run = wide.run()
    (stratum,) = strata(run)
    table = {row[0]: row for row in leave_one_out(run, stratum).rows}
    assert "or each panel with all its mock-ups," in leave_one_out(run, stratum).caption
    rows = wide.rows()
    blank = next(row for row in rows if row["role"] == "blank" and row["block"] == "A")
    assert sum(name.startswith("blank") for name in table) == 6
    asked = {"none": "", f"blank {blank['mockup']} (panel A)": blank["mockup"], "panel B": "B"}
    for name, gone in asked.items():
        wide.write_rows([row for row in rows if gone not in (row["mockup"], row["block"])
                         or not gone])  # fmt: skip
        verdicts = (wide.run() if gone else run).verdicts
        assert set(verdicts["paired"]) == {"block"}
        for place, limit in ((1, "decision_limit"), (2, "detection_limit")):
            seen = verdicts[verdicts["verdict"] != "not assessable"][limit].tolist()
            assert table[name][place] == limits.span(seen), (name, limit)
        detected = verdicts[verdicts["estimate"] > verdicts["decision_limit"]]
        assert table[name][3].startswith(f"{len(detected)} of 2")


@pytest.mark.usefixtures("without_pictures")
def test_comparisons_and_recovery_do_not_depend_on_how_panels_differ(study_of_six):
    """A blank alone on a panel far from the others counts for neither."""
    wide = study_of_six
    on_panels(wide)
    rows = wide.rows()
    lone = next(row for row in reversed(rows) if row["role"] == "blank")
    wide.change(lambda row: row["file"] == lone["file"], block="C")
    found = []
    for factor in (1.0, 1.5):
        path = wide.folder / lone["file"]
        array = io.read(path)
        io.write(array.copy(data=(array.values * factor).astype("float32")), path)
        run = wide.run()
        (stratum,) = strata(run)
        held = controls_of(run, stratum)
        assert (len(held.blanks), held.paired) == (5, "block")
        (row,) = run.comparisons.to_dict("records")
        assert row["panels"] == 2
        found.append([*recovered(held).ratios, row["difference"], row["low"], row["high"]])
    assert found[0] == pytest.approx(found[1], rel=1e-6)
    (row,) = run.comparisons.to_dict("records")
    mockups = run.mockups[(run.mockups["role"] == "exposed")
                          & (run.mockups["score"] == held.score)]  # fmt: skip
    groups = [mockups[mockups["exposure_min"] == time] for time in (2.0, 60.0)]
    within = difference_within(*([*own["mean"]] for own in groups),
                               tuple([*own["block"]] for own in groups))  # fmt: skip
    assert row["difference"] == pytest.approx(within.value, rel=1e-6)


def said(study):
    return "\n".join(load_manifest(study.folder).notes)


def test_check_says_how_many_blanks_a_panel_needs(study):
    on_panels(study)
    assert "panel" not in said(study)
    on_panels(study, ("A", "B", "C", "D"))
    assert "panels A, B, C have fewer than 2 blanks. Each panel of the arm" in said(study)
    assert "count as independent here" in said(study)


@pytest.mark.usefixtures("without_pictures")
def test_too_few_blanks_on_a_panel_take_nothing_off(study):
    plain = study.run().verdicts
    rows = study.rows()
    for row in rows:
        row["block"] = "A" if row["role"] == "exposed" else ""
    study.write_rows(rows)
    found = study.run().verdicts
    assert set(found["paired"].fillna("")) == {""}
    assert found["estimate"].to_numpy() == pytest.approx(plain["estimate"].to_numpy())
    assert all("panels-not-used" in codes for codes in found["codes"])


def test_a_mockup_on_two_panels_is_refused_with_its_lines(study):
    rows = study.rows()
    twice = next(row for row in rows if row["role"] == "exposed")
    for row in rows:
        row["block"] = "A"
    rows.append({**twice, "file": rows[-1]["file"], "block": "B"})
    study.write_rows(rows)
    with pytest.raises(StudyError, match=r"on panel .B., in line .* on panel .A."):
        load_manifest(study.folder)


def test_a_simulated_study_on_panels_has_them_in_its_table(tmp_path):
    from residuekit.simulate import Arm, StudyDesign, Texture, Variation, simulate_study

    design = StudyDesign(
        arms=(Arm(2.0, n_mockups=4),), n_blanks=4, n_spiked=2, maps_per_mockup=1, shape=(2, 2),
        panels=2, variation=Variation(panel=6.0), axis=(900.0, 1900.0, 20.0),
        texture=Texture(thickness=0.0, binder=0.0, filler=0.0, surfactant=0.0, sorbed_water=0.0,
                        baseline=(0.0, 0.0, 0.0)),
    )  # fmt: skip
    simulate_study(tmp_path / "study", design, 3)
    with (tmp_path / "study/measurements.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    blanks = [row for row in rows if row["role"] == "blank"]
    assert [row["block"] for row in blanks] == ["panel 1", "panel 2"] * 2
    means = np.array([io.read(tmp_path / "study" / row["file"]).values.mean((0, 1))
                      for row in blanks])  # fmt: skip
    apart = np.abs(means[:2] - means[2:]).mean()
    between = np.abs(means[::2] - means[1::2]).mean()
    assert between > 2 * apart
