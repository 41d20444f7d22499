"""The demo of several residues: one command, seven residues, a verdict for each, as it truly is."""

from __future__ import annotations

import json
import tomllib

import pytest

from residuekit import cli
from residuekit.results import open_run
from residuekit.simulate import residues_demo_design, specimens

STAYED = {"citrate", "xanthan", "silicone"}


@pytest.mark.usefixtures("without_pictures")
def test_the_command_makes_it_and_judges_every_residue_by_itself(tmp_path, capsys):
    folder = tmp_path / "several"
    assert cli.main(["demo", "--residues", "--out", str(folder)]) == 0
    assert "invented data" in capsys.readouterr().out
    assert "INVENTED DATA" in (folder / "README.txt").read_text(encoding="utf-8")
    verdicts = open_run(folder).verdicts
    found = verdicts.set_index("residue")["verdict"].to_dict()
    assert found == {
        one["material"]: "detected" if one["material"] in STAYED else "not detected"
        for one in residues_demo_design().residues
    }
    assert set(verdicts["scale"]) == {"reference film"}
    truth = json.loads((tmp_path / "several-truth.json").read_text(encoding="utf-8"))
    arms = {one["treatment"]: one for one in truth["arms"]}
    for row in verdicts.to_dict("records"):
        true = arms[row["treatment"]]
        if row["residue"] == true["gel"]:
            assert row["upper_bound"] > true["mean_loading_ug_cm2"]
    carried = {one["gel"] for one in truth["arms"] if not one["clean"]}
    assert carried | {"citrate"} == STAYED
    assert [*filter(None, (one["foreign"] for one in truth["arms"]))] == [
        {"ammonium citrate": 0.01}
    ]


def test_its_settings_hold_a_table_for_each_residue_that_a_treatment_may_leave():
    from residuekit.simulate.studies import study_toml

    design = residues_demo_design()
    tables = tomllib.loads(study_toml(design))["residue"]
    assert [one["material"] for one in tables] == [name for name, _ in design.references]
    treatments = {one.treatment for one in specimens(design) if one.role == "exposed"}
    assert {gel for one in tables for gel in one["left_by"]} == treatments
    assert len(tables) == 7
