"""The criteria side by side: what is computed, what vetoes, what stays open, who betters whom."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shelter import GELS, shelter_rows, shelter_verdicts, table_text, verdict

from residuekit.kernels.colour import colour_difference
from residuekit.trial import Trial, TrialRow, read_trial, summarise
from residuekit.trial.summary import CRITERIA, from_record
from residuekit.words.trial import CAUTION, MISSING, cells

CLEAR = [verdict("gel", "alkyd", "not detected")]


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    path = tmp_path_factory.mktemp("trial") / "trial.csv"
    path.write_text(table_text(shelter_rows()), encoding="utf-8")
    return read_trial(path)


@pytest.fixture(scope="module")
def summary(trial):
    return summarise(trial, shelter_verdicts(), working_exposure_min=2)


def of(summary, treatment, paint="alkyd"):
    (found,) = [c for c in summary.candidates if (c.treatment, c.paint) == (treatment, paint)]
    return found


def rows_of(*rows, treatment="gel", paint="alkyd"):
    """A trial of one candidate; each row its own mock-up unless it says otherwise."""
    filled = []
    for line, row in enumerate(rows, start=2):
        given_ = {"mockup": f"m{line}", "treatment": treatment, "paint": paint, **row}
        filled.append(TrialRow(line=line, **given_))
    return Trial("trial.csv", tuple(filled))


SWABBED = [{"pickup_swabs": 2}] * 3


def test_the_standing_of_every_gel_of_the_shelter(summary):
    said = {c.treatment: (c.standing, c.reason, c.best_set) for c in summary.blocks()[
        ("alkyd", "soot")]}  # fmt: skip
    assert said == {
        "PVA cryogel": ("no veto", "", True),
        "PVA-borax gel": ("vetoed", "residue detected", None),
        "agar gel": ("vetoed", "pigment picked up", None),
        "gellan gel": ("no veto", "", True),
        "xanthan paste": ("open", "residue inconclusive; pick-up not tested", False),
    }


def test_the_numbers_come_back_as_they_were_invented(summary):
    for gel, (left, change, _, ease, safety) in GELS.items():
        one = of(summary, gel)
        assert one.soil_removal_percent == pytest.approx(100 * (1 - left), abs=8)
        assert (one.mockups, one.soil_removal_mockups) == (4, 4)
        assert (one.ease, one.ease_low, one.ease_high) == (ease, ease - 1, ease)
        assert one.health_safety == safety
        if change is None:
            assert math.isnan(one.gloss_change_gu)
            assert one.gloss_mockups == 0
        else:
            assert one.gloss_change_gu == pytest.approx(change, abs=1)


def test_soil_removal_is_the_stated_formula_over_mockup_means(trial, summary):
    """Recomputed by hand with the same difference; one row a mock-up."""
    own = [row for row in trial.rows if row.candidate == ("agar gel", "alkyd", "soot")]
    state = {s: np.array([row.colours[s] for row in own]) for s in own[0].colours}
    ratio = colour_difference(state["cleaned"], state["unsoiled"]) / colour_difference(
        state["soiled"], state["unsoiled"]
    )
    one = of(summary, "agar gel")
    assert one.soil_removal_percent == pytest.approx(100 * np.mean(1 - ratio))
    assert one.soil_removal_sd == pytest.approx(100 * np.std(ratio, ddof=1))


def test_readings_of_one_mockup_are_no_replicates():
    black, white = (30.0, 0.0, 0.0), (90.0, 0.0, 0.0)
    colours = {"unsoiled": white, "soiled": black, "cleaned": white}
    rows = [{"mockup": "m1", "colours": colours, "gloss_angle": 60, "gloss_before": 40.0,
             "gloss_after": g, "pickup_swabs": 1} for g in (41.0, 43.0)]  # fmt: skip
    (one,) = summarise(rows_of(*rows), CLEAR, working_exposure_min=2).candidates
    assert (one.mockups, one.soil_removal_mockups, one.gloss_mockups, one.pickup_mockups) == (
        1, 1, 1, 1,
    )  # fmt: skip
    assert one.pickup_swabs == 2
    assert (one.gloss_change_gu, one.soil_removal_percent) == (2, 100)
    assert math.isnan(one.gloss_change_sd)
    assert math.isnan(one.soil_removal_sd)
    assert one.repeatability_de == 0
    assert one.standing == "open"
    assert one.reason == "pick-up tested on 1 mock-up alone"


def test_rises_and_falls_of_gloss_do_not_cancel():
    rows = [{"gloss_angle": 60, "gloss_before": 40.0, "gloss_after": g} for g in (35.0, 45.0)]
    (one,) = summarise(rows_of(*rows)).candidates
    assert (one.gloss_change_gu, one.gloss_size_gu) == (0, 5)


@pytest.mark.parametrize(
    ("levels", "angle", "said"),
    [
        ({60: 50.0, 20: 30.0}, 60, None),
        ({60: 80.0, 20: 70.0}, 20, None),
        ({60: 5.0, 85: 12.0}, 85, None),
        ({60: 5.0, 20: 1.0}, 60, "must be measured at 85°"),
        ({60: 80.0}, 60, "must be measured at 20°"),
        ({20: 30.0}, 20, "not measured at 60°"),
        ({60: 70.0, 20: 50.0}, 60, None),
        ({60: 10.0, 85: 20.0}, 60, None),
        ({60: 130.0, 20: 70.0}, 20, "Is the angle right"),
    ],
)
def test_the_gloss_angle_is_chosen_by_the_rule(levels, angle, said):
    """60 first; 20 above 70 GU, 85 below 10 (summary of ASTM D523)."""
    rows = [{"gloss_angle": a, "gloss_before": g, "gloss_after": g} for a, g in levels.items()]
    summary = summarise(rows_of(*rows))
    assert summary.candidates[0].gloss_angle == angle
    assert any(said in remark for remark in summary.remarks) if said else not summary.remarks


def test_the_bound_of_pick_up_is_clopper_and_pearson_s():
    """0 of 6: 39.3 % (one-sided 95 %, 1 - 0.05^(1/6))."""
    (one,) = summarise(
        rows_of(*[{"pickup_swabs": 3}] * 6), CLEAR, working_exposure_min=2
    ).candidates
    assert one.pickup_share_bound == pytest.approx(1 - 0.05 ** (1 / 6))
    assert (one.standing, one.pickup_swabs) == ("no veto", 18)
    assert "at most 39% of such" in cells(one, 0.05)["pickup"]


def test_one_positive_swab_vetoes_whatever_else_is_best():
    rows = [{"pickup_swabs": 9, "ease": 5.0, "health_safety": 5.0}] * 6
    rows[3] = {**rows[3], "pickup_positive": 1}
    (one,) = summarise(rows_of(*rows), CLEAR, working_exposure_min=2).candidates
    assert (one.standing, one.best_set, one.pickup_positive) == ("vetoed", None, 1)


@pytest.mark.parametrize("word", ["inconclusive", "not assessable", None])
def test_what_is_not_shown_absent_is_not_passed(word):
    verdicts = [verdict("gel", "alkyd", word)] if word else []
    (one,) = summarise(rows_of(*SWABBED), verdicts, working_exposure_min=2).candidates
    assert one.standing == "open"
    assert one.reason == f"residue {word or 'not measured'}"


def test_the_worst_arm_counts_and_only_at_the_working_exposure():
    arms = [
        verdict("gel", "alkyd", "not detected", upper_bound=0.3),
        verdict("gel", "alkyd", "not detected", ageing_h=400.0, upper_bound=0.7),
        verdict("gel", "alkyd", "detected", exposure_min=60.0),
        verdict("gel", "acrylic", "detected"),
        verdict("paste", "alkyd", "detected"),
    ]
    trial = rows_of(*SWABBED)
    (one,) = summarise(trial, arms, working_exposure_min=2).candidates
    assert (one.residue, one.upper_bound, one.residue_arms) == ("not detected", 0.7, 2)
    assert "aged 400 h" in one.residue_arm
    every = summarise(trial, arms)
    assert every.candidates[0].standing == "vetoed"
    assert "every exposure" in every.remarks[0]
    arms.append(verdict("gel", "alkyd", "inconclusive", clearance="swab"))
    assert summarise(trial, arms, working_exposure_min=2).candidates[0].standing == "open"


def test_a_verdict_on_one_soiling_is_not_credited_to_another():
    arms = [verdict("gel", "alkyd", "not detected", soiling="soot")]
    found = summarise(rows_of(*SWABBED), arms, working_exposure_min=2)
    (one,) = found.candidates
    assert (one.standing, one.residue_arms) == ("open", 0)
    assert "residue not measured" in one.reason
    assert any("soiling soot (not detected), which is not credited to soiling none" in said
               for said in found.remarks)  # fmt: skip
    arms.append(verdict("gel", "alkyd", "not detected"))
    found = summarise(rows_of(*SWABBED), arms, working_exposure_min=2)
    assert (found.candidates[0].standing, found.remarks) == ("no veto", ())


@pytest.mark.parametrize(("beside", "said"), [("below", True), ("above", False), ("", False)])
def test_a_residue_below_the_acceptance_limit_vetoes_and_is_said_to_be_below(beside, said):
    arms = [verdict("gel", "alkyd", "detected", against_acceptance=beside)]
    (one,) = summarise(rows_of(*SWABBED), arms, working_exposure_min=2).candidates
    assert one.standing == "vetoed"
    assert ("below the acceptance limit" in one.reason) == said
    assert one.reason.startswith("residue detected")


def test_an_arm_without_numbers_is_still_told():
    bare = {**verdict("gel", "alkyd", "not assessable"), "n_mockups": 0}
    for name in ("upper_bound", "detection_limit", "estimate", "positive_mockups"):
        del bare[name]
    for verdicts in ([bare], pd.DataFrame([bare])):
        (one,) = summarise(rows_of(*SWABBED), verdicts, working_exposure_min=2).candidates
        assert one.residue == "not assessable"
        assert cells(one, 0.05)["residue"].startswith("not assessable (")


def test_mockups_without_all_three_colours_are_counted_and_named():
    grey, white = (50.0, 0.0, 0.0), (90.0, 0.0, 0.0)
    rows = [
        {"colours": {"unsoiled": white, "soiled": grey, "cleaned": white}},
        {"colours": {"unsoiled": white, "soiled": grey}},
        {"colours": {"unsoiled": white, "soiled": white, "cleaned": white}},
        {"ease": 3.0},
    ]
    summary = summarise(rows_of(*rows))
    assert summary.candidates[0].soil_removal_mockups == 1
    assert any("2 of 3 mock-ups with colours" in remark for remark in summary.remarks)


def test_no_absence_is_told_without_its_limits_and_n(summary):
    for lines in (str(summary), *summary.words_frame()["residue"]):
        text = " ".join(lines.split())
        assert text.count("not detected (") == text.count(
            "None of 6 mock-ups stood out"
        ) - text.count("inconclusive (")
    for words in summary.words_frame()["residue"]:
        assert "detection limit 0.4" in words
        assert "blank mock-ups" in words


def test_what_is_missing_is_called_missing_in_every_form(summary):
    assert cells(of(summary, "gellan gel"), 0.05)["gloss"] == MISSING
    assert cells(of(summary, "xanthan paste"), 0.05)["pickup"] == MISSING
    assert str(summary).count(f"gloss change: {MISSING}") == 2
    page = summary._repr_html_()
    assert page.count(f"<td>{MISSING}</td>") == 4
    assert CAUTION in page
    frame = summary.to_frame().set_index(["treatment", "paint"])
    assert math.isnan(frame.loc[("gellan gel", "alkyd"), "gloss_change_gu"])


def test_a_name_cannot_become_markup():
    page = summarise(rows_of({"ease": 3.0}, treatment="<b>gel</b>"))._repr_html_()
    assert "<b>" not in page


def test_the_record_reads_back_the_same(summary):
    text = json.dumps(summary.record(), allow_nan=False)
    back = from_record(json.loads(text))
    assert str(back) == str(summary)
    assert back.record() == summary.record()


# who betters whom

VALUE = st.one_of(st.just(math.nan), st.integers(1, 5).map(float))
CANDIDATES = st.lists(
    st.tuples(VALUE, VALUE, st.sampled_from(["not detected", "inconclusive", "detected"])),
    min_size=1, max_size=6,
)  # fmt: skip


def judged(values):
    rows, arms = [], []
    for number, (ease, safety, word) in enumerate(values):
        rows += rows_of(*({"mockup": f"{number} {k}", "pickup_swabs": 1, "ease": ease,
                           "health_safety": safety} for k in range(3)),
                        treatment=f"gel {number}").rows  # fmt: skip
        arms.append(verdict(f"gel {number}", "alkyd", word))
    return summarise(Trial("", tuple(rows)), arms, working_exposure_min=2).candidates


@given(CANDIDATES)
@settings(deadline=None, max_examples=150)
def test_the_best_set_keeps_its_promises(values):
    found = judged(values)
    fit = [one for one in found if one.standing != "vetoed"]
    assert all((one.best_set is None) == (one.standing == "vetoed") for one in found)
    assert not fit or any(one.best_set for one in fit)
    names = [n for n in CRITERIA if any(not math.isnan(getattr(one, n)) for one in fit)]
    for one in fit:
        if any(math.isnan(getattr(one, name)) for name in names):
            assert one.best_set
    for one in fit:
        if one.standing == "no veto" and not one.best_set:
            assert any(
                other.standing == "no veto"
                and all(getattr(other, n) >= getattr(one, n) for n in names)
                and any(getattr(other, n) > getattr(one, n) for n in names)
                for other in fit
            )


@given(CANDIDATES)
@settings(deadline=None, max_examples=60)
def test_a_vetoed_candidate_changes_no_other(values):
    without = [v for v in values if v[2] != "detected"]
    kept = [one for one in judged(values) if one.standing != "vetoed"]
    again = judged(without) if without else []
    assert [one.best_set for one in kept] == [one.best_set for one in again]


def test_candidates_on_other_paints_are_not_compared(summary):
    alone = replace(of(summary, "PVA cryogel", "acrylic"))
    assert alone.best_set
    assert set(summary.blocks()) == {("alkyd", "soot"), ("acrylic", "soot")}
