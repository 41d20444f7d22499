"""The judge of the library's statistics must be able to fail: it is fed what is known wrong."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from residuekit.decision import assessment, confirmation
from residuekit.decision.bound import upper_bound
from residuekit.decision.limits import Levels, decision_levels
from residuekit.decision.net import make_metric
from residuekit.kernels import netsignal
from residuekit.kernels.netsignal import ShapeTest
from residuekit.simulate import Scorecard
from residuekit.simulate.fields import stream
from residuekit.words.codes import Note

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

import validate
from validation import (
    film_level,
    loads_level,
    paired_level,
    panel_level,
    score_level,
    spectral_level,
    stored,
    study_level,
)
from validation.claims import SEED, Claim, median, rate, table

RUNS = 3000


@pytest.fixture(autouse=True, scope="module")
def one_thread():
    with threadpool_limits(1):
        yield


def verdict_on(claims, words):
    return next(claim for claim in claims if words in claim.name).holds


@pytest.fixture(scope="module")
def studies():
    return score_level.Studies(6, 6, RUNS)


def test_every_claim_on_the_librarys_own_decision_holds(studies):
    claims = list(score_level.claims_of_size(studies, decision_levels(6, 6)))
    assert len(claims) == 11
    assert all(claim.holds for claim in claims), table(claims)


@pytest.mark.parametrize("alpha", [0.01, 0.10])
def test_a_decision_at_another_alpha_fails(studies, alpha):
    claims = list(score_level.claims_of_size(studies, decision_levels(6, 6, alpha)))
    assert verdict_on(claims, "false alarms") is False


def test_normal_quantiles_in_place_of_those_of_estimated_scatter_fail(studies):
    known = Levels(0.032, 1.85, 2.6)
    claims = list(score_level.claims_of_size(studies, known))
    assert verdict_on(claims, "false alarms") is False


def test_each_of_both_tests_at_the_full_alpha_fails(studies):
    blanks, exposed = studies.blanks, studies.exposed
    doubled = decision_levels(6, 6, 0.08)
    found = rate("", score_level.FALSE_ALARMS, score_level.decide(blanks, exposed, doubled))
    assert found.holds is False


def test_bounds_at_a_loading_the_arm_does_not_have_fail(studies):
    slope = score_level.slopes(studies.blanks, studies.responses, shared=True)
    below, _ = score_level.coverage(studies.blanks, studies.exposed, slope, 1.5)
    assert rate("", score_level.ONE_SIDED, below).holds is False


@pytest.mark.parametrize(("n", "m"), [(6, 6), (3, 12)])
def test_the_decision_on_paired_mockups_holds_and_fails_where_states_count_as_independent(n, m):
    paired, levels = paired_level.PairedStudies(n, m, RUNS), decision_levels(n, m)
    claims = list(score_level.claims_of_size(paired, levels))
    assert all(claim.holds for claim in claims), table(claims)
    assert all(claim.name.startswith("paired") for claim in claims)
    alarms = score_level.decide(paired.as_independent(), paired.exposed, levels)
    assert rate("", score_level.FALSE_ALARMS, alarms).holds is False


def test_a_mockups_own_effect_falls_out_of_its_difference():
    paired = paired_level.PairedStudies(6, 6, RUNS)
    before, after = paired.states
    ratio = after.std() / paired.blanks.std()
    assert ratio == pytest.approx(np.sqrt((paired_level.OWN**2 + 1) / 2), rel=0.02)
    assert np.corrcoef(before.ravel(), after.ravel())[0, 1] == pytest.approx(0.8, abs=0.02)


@pytest.mark.parametrize("layout", [0, 1, 2, 3])
def test_the_decision_within_panels_holds_and_fails_where_panels_are_ignored(layout):
    lie = panel_level.LAYOUTS[layout]
    levels = decision_levels(lie.n, lie.m, panels=lie)
    on_panels = panel_level.PanelStudies(lie, RUNS)
    claims = list(score_level.claims_of_size(on_panels, levels))
    assert all(claim.holds for claim in claims), table(claims)
    assert all(claim.name.startswith("panel scores") for claim in claims)
    for blanks, exposed, known in (
        (*on_panels.measured, None),
        (*on_panels.measured, lie),
        (on_panels.blanks, on_panels.exposed, None),
    ):
        levels = decision_levels(lie.n, lie.m, panels=known)
        alarms = score_level.decide(blanks, exposed, levels, known)
        assert rate("", score_level.FALSE_ALARMS, alarms).holds is False


@pytest.mark.parametrize("layout", [0, 1, 2, 3])
def test_a_panels_own_effect_falls_out_of_the_difference_from_its_blanks(layout):
    lie = panel_level.LAYOUTS[layout]
    on_panels = panel_level.PanelStudies(lie, RUNS)
    among = on_panels.exposed.var(axis=1, ddof=1).mean()
    assert among == pytest.approx(1 + lie.blank_share, rel=0.05)
    mean = on_panels.exposed.mean(axis=1).var()
    assert mean == pytest.approx(1 / lie.m + 1 / lie.behind_mean, rel=0.1)
    assert on_panels.measured[1].mean(axis=1).var() > 2 * mean


def test_the_vectorised_decision_is_that_of_assess():
    assert score_level._same_as_assess(200).holds


def test_heavy_tails_are_found_to_cost():
    heavy = score_level.Studies(6, 6, RUNS, score_level.student3)
    alarms = score_level.decide(heavy.blanks, heavy.exposed, decision_levels(6, 6))
    assert rate("", score_level.FALSE_ALARMS, alarms).holds is False
    assert rate("", score_level.HEAVY, alarms).holds


def test_pixels_as_replicates_are_found_to_raise_false_alarms():
    claims = list(score_level.naive_claims(400))
    assert all(claim.holds for claim in claims), table(claims)
    pixels = claims[0]
    assert pixels.low > 0.4


def twice_used(material):
    """The metric with the scatter of blank mock-up means put into S, as it never may be."""
    means = netsignal.scatter(material.blanks)
    among = netsignal.Scatter(means.n_pixels, means.mean, 144 * means.products)
    return make_metric(
        [*material.scatters, among], material.blanks, [material.reference], material.axis, (),
        Note("no-reference"),
    )  # fmt: skip


def test_blank_mockup_scatter_used_twice_fails_where_the_library_holds():
    design = spectral_level.CONFIGURATIONS["acrylic"]
    alarms = {"library": [], "twice": []}
    for number in range(40):
        material = spectral_level.simulate(design, stream(SEED, "twice", number))
        for name, net in (("library", spectral_level.library_metric), ("twice", twice_used)):
            run = spectral_level.Run(material, net(material))
            alarms[name].append(run.assess(run.scores[0], material.exposed).above)
    library, twice = (rate("", spectral_level.SPECTRAL, hits) for hits in alarms.values())
    assert library.holds, library
    assert twice.holds is False, twice


@pytest.fixture(scope="module")
def answers():
    return spectral_level.one_run("acrylic", spectral_level.library_metric, 0)


def test_a_run_of_maps_answers_every_question_that_is_claimed(answers):
    assert spectral_level.CLAIMED.keys() <= answers.keys()
    asked = {key: v for key, v in answers.items() if not key.startswith("limit")}
    assert set(asked.values()) <= {0.0, 1.0}


def test_a_run_of_maps_is_the_same_again(answers):
    assert spectral_level.one_run("acrylic", spectral_level.library_metric, 0) == answers


def test_maps_with_false_detections_fail(answers):
    wrong = {key: np.full(200, value) for key, value in answers.items()}
    wrong["clean arm called detected"] = np.ones(200)
    claims = list(spectral_level.claims_of("acrylic", wrong))
    assert verdict_on(claims, "acrylic: clean arm called detected") is False
    assert verdict_on(claims, "acrylic: acceptance limit called not detected") is True


def test_heavy_tailed_maps_are_reported_without_a_claim(answers):
    name = spectral_level.HEAVY_TAILED
    claims = spectral_level.claims_of(name, {key: np.full(9, v) for key, v in answers.items()})
    assert all(claim.holds is None for claim in claims)


def card(clean_verdict):
    row = {
        "study": 0, "clean": True, "true": 0.0, "verdict": clean_verdict, "above": False,
        "alpha": 0.05, "beta": 0.05, "acceptance_limit": 1.0, "detection_limit": 0.5,
        "upper_bound": 0.3, "low": -0.3, "high": 0.4, "z": 0.1,
    }  # fmt: skip
    return Scorecard((row,) * 40)


def test_studies_that_detect_on_clean_arms_fail():
    assert verdict_on(study_level.claims(card("not detected")), "clean arm called") is True
    assert verdict_on(study_level.claims(card("detected")), "clean arm called") is False


@pytest.mark.parametrize(
    ("hits", "n", "holds"), [(50, 1000, True), (100, 1000, False), (4, 1000, False), (2, 20, True)]
)
def test_a_claim_holds_where_its_interval_reaches_it(hits, n, holds):
    assert rate("", (0.043, 0.057), np.arange(n) < hits).holds is holds


def test_a_rate_of_nothing_is_refused():
    with pytest.raises(ValueError, match="nothing was counted"):
        rate("nothing", (0.0, 0.05), [])


@pytest.mark.source("from memory", "", "ranks 6 and 15 of 20")
def test_the_interval_of_a_median_comes_from_order_statistics():
    """Conover, Practical Nonparametric Statistics, section 3.2 (from memory): for n = 20 and
    95 % the ranks are 6 and 15; at 99 % binomial tables give 4 and 17."""
    found = median("", (5.0, np.inf), np.arange(1, 21))
    assert (found.value, found.low, found.high) == (10.5, 4.0, 17.0)
    assert found.claim == "5 or more"


@pytest.mark.parametrize(
    ("claimed", "words"),
    [
        ((0.0, 0.05), "5 % or less"),
        ((0.93, 1.0), "93 % or more"),
        ((0.043, 0.057), "4.3 to 5.7 %"),
        (None, ""),
    ],
)
def test_claims_are_said_in_words(claimed, words):
    assert Claim("", claimed, 0.1, 0.0, 0.2, 9).claim == words


GOOD = Claim("good", (0.0, 0.05), 0.04, 0.03, 0.05, 100)
BAD = Claim("bad", (0.0, 0.05), 0.4, 0.3, 0.5, 100)
COST = Claim("cost", None, 0.4, 0.3, 0.5, 100)


def test_a_failed_claim_is_named_and_sets_the_exit_code(capsys):
    assert validate.report([GOOD, COST], as_json=False, quick=True) == 0
    said = capsys.readouterr().out
    assert "1 of 1 claims hold" in said
    assert "wider intervals" in said
    assert validate.report([GOOD, BAD], as_json=False, quick=False) == 1
    assert "FAILS: bad" in capsys.readouterr().out


def test_json_is_one_list_with_the_agreed_keys(capsys):
    assert validate.report([GOOD, BAD, COST], as_json=True, quick=True) == 1
    rows = json.loads(capsys.readouterr().out)
    assert [row["holds"] for row in rows] == [True, False, None]
    assert list(rows[0]) == ["name", "claim", "value", "low", "high", "n", "holds"]


# loads that vary, and gates that fail when what they guard is gone


def failing(claims):
    return [claim.name for claim in claims if claim.holds is False]


def test_loads_that_vary_and_uneven_arms_hold():
    assert not failing(loads_level.claims(600))


def test_every_claim_on_a_film_scale_holds():
    claims = list(film_level.claims(200))
    assert len(claims) == 12
    assert not failing(claims)


def test_without_the_margin_residue_that_answers_more_weakly_than_the_film_passes():
    lost = failing(film_level.claims(200, margin=1.0))
    place = "film scale, acceptance limit 4: as much, answering"
    assert {f"{place} {share}, called not detected" for share in ("0.33", "0.5")} <= {*lost}


def test_a_bound_without_the_error_of_the_film_fails(monkeypatch):
    def certain(estimate, variance, n, exposed_variance, m, slope, alpha, _panels):
        known = slope._replace(standard_error=0.0, declared=0.0)
        return upper_bound(estimate, variance, n, exposed_variance, m, known, alpha)

    monkeypatch.setattr(assessment, "upper_bound", certain)
    assert "film scale: bound holds, 1 film" in failing(film_level.claims(200))


def test_a_score_chosen_by_the_scatter_of_the_blanks_buys_alarms():
    def by_blanks(net, band):
        return min(net, band, key=lambda one: one.blanks.std())

    assert "choice of the score: false alarms" in failing(loads_level.choice(3000, by_blanks))


def test_without_welch_s_test_uneven_arms_fail(monkeypatch):
    monkeypatch.setattr(assessment, "welch_p", lambda *_: 0.0)
    assert any("called detected" in name for name in failing(loads_level.evenness(1500)))


def test_a_bound_by_the_scatter_of_blanks_alone_fails(monkeypatch):
    def blanks_alone(estimate, variance, n, _exposed_variance, m, slope, alpha, _panels):
        return upper_bound(estimate, variance, n, variance, m, slope, alpha)

    monkeypatch.setattr(assessment, "upper_bound", blanks_alone)
    assert any("twice the scatter: bound holds" in name
               for name in failing(loads_level.claims(600)))  # fmt: skip


def test_without_the_confirmation_foreign_matter_fails(monkeypatch):
    monkeypatch.setattr(ShapeTest, "refused", False)
    monkeypatch.setattr(confirmation, "is_foreign", lambda *_: False)
    found = [spectral_level.one_run("alkyd", spectral_level.library_metric, 1 + number)
             for number in range(4)]  # fmt: skip
    answers = {key: np.array([one[key] for one in found], dtype=float) for key in found[0]}
    claims = list(spectral_level.claims_of("alkyd", answers))
    assert verdict_on(claims, "foreign matter of any kind") is False


# what is stored


def test_the_readme_shows_the_stored_claims_and_each_holds():
    found = json.loads(stored.STORED.read_text(encoding="utf-8"))
    assert len(found["commit"]) == 40
    assert len(found["claims"]) > 250
    assert [claim["name"] for claim in found["claims"] if claim["holds"] is False] == []
    readme = (stored.STORED.parent / "README.md").read_text(encoding="utf-8")
    assert readme.split(stored.BEGIN)[1].split(stored.END)[0] == stored.readme_table(found)


def test_what_is_stored_is_what_was_claimed(tmp_path):
    made = [
        rate(f"scores n=3 m={m}: false alarms", (0.04, 0.06), np.arange(100) < m) for m in (3, 6)
    ]
    made.append(median("maps, alkyd: limit of the best band (x 1) over the net's", (5, 9), [6, 7]))
    stored.store(made, tmp_path / "validated.json")
    found = json.loads((tmp_path / "validated.json").read_text(encoding="utf-8"))
    assert found["seed"] == SEED
    assert found["claims"] == [{**claim.row(), "percent": claim.percent} for claim in made]
    lines = stored.readme_table(found).splitlines()
    assert (
        lines[-2] == "| scores, n and m of 3, 6, 12: false alarms | 3.0 to 6.0 % | 4 to 6 % | 100 |"
    )
    assert lines[-1] == "| maps: limit of the best band over the net's | 6.50 | 5 to 9 | 2 |"
