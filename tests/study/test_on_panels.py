"""Mock-ups on panels: a study as `judge_arm` judges it in memory, and what `check` says."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from residuekit import io
from residuekit.errors import StudyError
from residuekit.study.manifest import load_manifest


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
