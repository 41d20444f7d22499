"""Panels: what their layout says of variances, what is taken out, and when they serve."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ttest_1samp

import residuekit as rk
from residuekit.decision.assessment import Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.evenness import stands_out, welch_p
from residuekit.decision.limits import arm_limits, decision_levels
from residuekit.decision.panel_layout import (
    Panels,
    one_panel,
    panel_means,
    panels_of,
    panels_that_serve,
    within_panels,
)
from residuekit.decision.permutation import permuted_labels
from residuekit.decision.verdict import judge
from residuekit.errors import ContractError

LAYOUTS = [((2, 2, 2), (2, 2, 2)), ((4, 2, 2), (1, 2, 3)), ((3, 2), (2, 0)), ((5,), (4,))]


@pytest.mark.parametrize(("blanks", "exposed"), LAYOUTS)
def test_the_layout_is_the_covariance_of_differences_from_panel_means(blanks, exposed):
    lie = Panels(blanks, exposed)
    of_blanks, of_exposed = lie.places()
    beside = of_exposed[:, None] == of_blanks
    taken = np.hstack([-1.0 * beside / beside.sum(axis=1, keepdims=True), np.eye(lie.m)])
    covariance = taken @ taken.T
    assert 1 / lie.m + 1 / lie.behind_mean == pytest.approx(covariance.mean())
    assert 1 + 1 / lie.behind_one == pytest.approx(covariance.diagonal().max())
    among = np.eye(lie.m) - 1 / lie.m
    assert 1 + lie.blank_share == pytest.approx(np.trace(among @ covariance) / (lie.m - 1))
    assert lie.beside_exposed == pytest.approx(covariance.mean() - (1 + lie.blank_share) / lie.m)


@pytest.mark.parametrize(("n", "m"), [(3, 3), (6, 4), (6, 1)])
def test_one_panel_is_no_panel_to_the_last_digit(n, m):
    lie = one_panel(n, m)
    assert arm_limits(0.7, n, m, panels=lie) == arm_limits(0.7, n, m)
    assert decision_levels(n, m, 0.05, lie) == decision_levels(n, m)
    assert (lie.freedom, lie.behind_mean, lie.behind_one, lie.blank_share) == (n - 1, n, n, 0.0)


def test_what_panels_differ_by_is_taken_out_and_the_scatter_within_is_kept():
    rng, names = np.random.default_rng(3), list("AABBBCC")
    spectra = rng.standard_normal((7, 4))
    shifted = spectra + np.array([9.0 * "ABC".index(name) for name in names])[:, None]
    within, again = within_panels(spectra, names), within_panels(shifted, names)
    assert within - within.mean(axis=0) == pytest.approx(again - again.mean(axis=0))
    assert within.mean(axis=0) == pytest.approx(spectra.mean(axis=0))
    groups = [spectra[[k for k, one in enumerate(names) if one == name]] for name in "ABC"]
    left = sum(((one - one.mean(axis=0)) ** 2).sum(axis=0) for one in groups)
    assert within.var(axis=0, ddof=1) == pytest.approx(left / (7 - 3))


@pytest.mark.parametrize(
    ("blanks", "serve"),
    [("AABB", "AB"), ("AAB", ""), ("AAA", "A"), ("AAAB", "A"), ("AABBC", "AB"), ("", "")],
)
def test_a_panel_serves_with_two_blanks_where_the_scatter_has_two_degrees_of_freedom(blanks, serve):
    assert panels_that_serve(blanks) == set(serve)


def test_blanks_without_a_panel_serve_for_none():
    assert panels_that_serve(["", "", "", "A", "A", "B", "B"]) == {"A", "B"}


def test_welch_and_the_standing_out_do_not_count_the_panels_blanks_twice():
    lie = panels_of(list("AABBCC"), list("ABC"))
    blanks, exposed = np.array([1.0, -1.0] * 3), np.array([2.0, 3.0, 4.0])
    assert welch_p(blanks, exposed, lie) == pytest.approx(
        ttest_1samp(exposed, 0.0, alternative="greater").pvalue
    )
    difference, scatter = np.array([10.0, 0.0, 2.2]), 1.0
    own = np.var(difference[1:], ddof=1)
    limit = 10.0 / np.sqrt(own * (1 + 1 / 2))
    within = 10.0 / np.sqrt((own - lie.blank_share) * (1 + 1 / 2))
    assert limit < within
    assert stands_out(difference, scatter, 6, 0.99 * within, lie)
    assert not stands_out(difference, scatter, 6, 1.01 * within, lie)


AXIS = np.arange(1000.0, 1200.0, 4.0)
GEL = np.exp(-(((AXIS - 1092) / 20) ** 2))


def study(rng, panel_effect, gel=0.0):
    """Two blanks, two exposed and two spiked mock-ups on each of three panels."""
    shapes = {name: panel_effect * rng.standard_normal() * GEL for name in "ABC"}

    def mockup(name, amount=0.0):
        level = 0.3 + shapes[name] + (amount + 0.01 * rng.standard_normal()) * GEL
        return rk.make_points(level + rng.normal(0, 1e-3, (9, AXIS.size)), AXIS)

    names = list("AABBCC")
    loads = [1.0, 2.0] * 3
    return {
        "blanks": [mockup(name) for name in names],
        "exposed": [mockup(name, gel) for name in names],
        "spiked": [(x, mockup(name, 0.1 * x)) for x, name in zip(loads, names, strict=True)],
        "references": rk.make_points(GEL, AXIS),
        "acceptance_limit": 1.0,
        "markers": ["pva C-O 1092"],
    }, dict.fromkeys(("block_blanks", "block_exposed", "block_spiked"), names)


def test_panels_that_differ_change_nothing_where_the_arm_is_judged_within_them():
    numbers = []
    for effect in (0.0, 0.5):
        given, panels = study(np.random.default_rng(5), effect)
        found = rk.judge_arm(**given, **panels)
        assert "within-panels" in found.codes
        numbers.append(next(a for a in found.assessments if a.score.startswith("band")).row())
    for name, value in numbers[0].items():
        if isinstance(value, float):
            assert numbers[1][name] == pytest.approx(value, rel=1e-3, abs=1e-3, nan_ok=True), name
    ignored = rk.judge_arm(**given)
    assert ignored.deciding.detection_limit > 10 * numbers[0]["detection_limit"]
    assert "within-panels" not in ignored.codes


def test_labels_are_exchanged_within_panels_of_mockups_in_any_order():
    """What stands beside the verdict is what exchanging the scores themselves gives."""
    rng, on, panel = np.random.default_rng(15), list("ABCBCA"), {"A": 0.0, "B": 7.0, "C": -4.0}
    level = np.array([panel[name] for name in on])
    blanks, exposed = level + rng.standard_normal(6), level + rng.standard_normal(6) + 1.7
    beside = panel_means(blanks[:, None], on, on)[:, 0]
    within = within_panels(blanks[:, None], on)[:, 0]
    found = assess(within, exposed - beside + blanks.mean(), assess_blindness(within), Rules(),
                   panels=panels_of(on, on))  # fmt: skip
    (note,) = [note for note in judge([found]).why if note.code == "permuted-labels"]
    made = permuted_labels(blanks, exposed, (on, on))
    assert (note.numbers["p"], note.numbers["labellings"]) == (made.p, 6**3)
    assert permuted_labels(found.blanks, found.mockups, (on, on)).p != made.p
    assert permuted_labels(blanks, exposed).p > 2 * made.p


def test_so_few_labellings_that_none_could_speak_are_said_to_be_few():
    lie = panels_of(list("AABB"), list("ABB"))
    blanks = np.array([0.1, -0.1, 0.2, -0.2])
    found = assess(blanks, [5.0, 5.0, 5.1], assess_blindness(blanks), Rules(0.01), panels=lie)
    said = judge([found]).reason
    assert "exchanged within their panels in all 18 ways" in said
    assert "So few ways cannot support a difference at 0.01." in said


def test_gel_hidden_by_panels_is_detected_within_them():
    given, panels = study(np.random.default_rng(7), 0.5, gel=0.1)
    found = rk.judge_arm(**given, **panels)
    assert found.verdict == "detected"
    assert found.deciding.estimate == pytest.approx(1.0, abs=0.3)
    assert found.deciding.panels == Panels((2, 2, 2), (2, 2, 2))
    assert "6 exposed mock-ups on 3 panels" in found.reason
    assert "within their panels in all 216 ways" in found.reason
    assert rk.judge_arm(**given).verdict != "detected"


def test_blanks_alone_on_their_panel_leave_and_are_named():
    given, panels = study(np.random.default_rng(5), 0.5)
    given["exposed"] = given["exposed"][:4]
    panels = {**panels, "block_blanks": list("AABBCD"), "block_exposed": list("AABB")}
    found = rk.judge_arm(**given, **panels)
    assert found.deciding.n_blank_mockups == 4
    assert "number 5, number 6" in found.reason


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"block_exposed": list("AABBCD")}, "too few blanks on panel 'D'"),
        ({"block_blanks": list("AABBC")}, "5 panels in block_blanks for 6 mock-ups"),
        ({"block_exposed": [], "block_spiked": []}, "0 panels in block_exposed"),
    ],
)
def test_panels_that_do_not_fit_are_refused(changed, said):
    given, panels = study(np.random.default_rng(5), 0.5)
    with pytest.raises(ContractError, match=said):
        rk.judge_arm(**given, **{**panels, **changed})


def test_panels_and_states_before_are_one_or_the_other():
    given, panels = study(np.random.default_rng(5), 0.5)
    before = {"before_blanks": given["blanks"], "before_exposed": given["exposed"]}
    with pytest.raises(ContractError, match="panels and states before"):
        rk.judge_arm(**given, **panels, **before)
