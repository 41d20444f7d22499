"""Mock-ups that stand apart: Grubbs' test at its stated rate, and the one contaminated blank."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

import residuekit as rk
from residuekit.decision.blindness import Blindness
from residuekit.decision.outliers import RATE, outlier_notes, outlying
from residuekit.decision.scores import deciding
from residuekit.kernels.limit_statistics import grubbs_critical

AXIS = np.arange(1000.0, 1200.0, 4.0)
GEL = np.exp(-(((AXIS - 1092) / 20) ** 2))


@pytest.mark.source("from memory", "", "Grubbs, 1 %, two-sided: 1.155, 1.973, 2.482 for 3, 6, 10")
@pytest.mark.parametrize(("n", "value"), [(3, 1.155), (6, 1.973), (10, 2.482), (12, 2.636)])
def test_the_critical_values_of_grubbs(n, value):
    assert grubbs_critical(n, 0.01) == pytest.approx(value, abs=6e-4)


@pytest.mark.parametrize("n", [3, 4, 6, 12])
def test_alike_mockups_are_named_in_one_group_of_a_hundred(n):
    groups = np.random.default_rng(n).standard_normal((20_000, n))
    rate = np.mean([outlying(group) is not None for group in groups])
    assert rate == pytest.approx(RATE, abs=0.0028)  # four standard errors


@pytest.mark.parametrize("values", [[1.0, 1.0, 1.0], [0.0, 5.0], [0.0, np.nan, 1.0, 0.5]])
def test_too_few_or_without_scatter_none_is_named(values):
    assert outlying(values) is None


def arm(**odd):
    """Six blanks, four spiked and six exposed mock-ups; `odd` adds gel to the last of a role."""
    rng = np.random.default_rng(3)

    def mockups(role, amounts):
        extra = [0.0] * (len(amounts) - 1) + [odd.get(role, 0.0)]
        return [
            rk.make_points(
                0.3 + (load + more + 0.05 * rng.normal()) * GEL
                + rng.normal(0, 0.01, (9, AXIS.size)), AXIS
            )
            for load, more in zip(amounts, extra, strict=True)
        ]  # fmt: skip

    loads = [1.0, 1, 1, 2, 2, 2]
    return {
        "blanks": mockups("blank", [0.0] * 6),
        "exposed": mockups("exposed", [0.0] * 6),
        "spiked": list(zip(loads, mockups("spiked", loads), strict=True)),
        "references": rk.make_points(GEL, AXIS),
        "markers": ["pva C-O 1092"],
    }


@pytest.mark.usefixtures("without_identification")
@pytest.mark.parametrize("role", ["blank", "spiked", "exposed"])
def test_a_contaminated_mockup_is_named_with_its_verdict_and_not_left_out(role):
    found = rk.judge_arm(**arm(**{role: 4.0}))
    named = [note for note in found.remarks if note.code == "outlying-mockup"]
    assert [(note.numbers["role"], note.numbers["mockup"]) for note in named] == [
        (role, "number 6")
    ]
    assert f"Mock-up number 6 stands apart from the 6 {role} mock-ups" in found.reason
    assert found.deciding.n_blank_mockups == found.deciding.n_mockups == 6


@pytest.mark.usefixtures("without_identification")
def test_a_clean_arm_names_none():
    assert "outlying-mockup" not in rk.judge_arm(**arm()).codes


def made(name, code, values):
    """A score as far as its outliers are asked for."""
    found = Blindness(1.0, 0.1, 1.0, 0.1, "ug cm-2", code)
    return SimpleNamespace(name=name, blindness=found, values=np.array(values), slope=None)


@pytest.mark.parametrize(
    ("codes", "first", "sees"),
    [(("", ""), 0, True), (("no-response", ""), 1, True), (("paint-scatter", ""), 1, True),
     (("no-response", "paint-scatter"), 1, False), (("no-response", "no-response"), 0, False)],
)  # fmt: skip
def test_outliers_are_named_by_the_score_that_decides(codes, first, sees):
    """One rule: the first that sees, else the first that only the limit asked for makes blind."""
    odd = [0.0, 0.1, -0.1, 0.05, -0.05, 3.0]
    scores = [made(f"score {k}", code, odd) for k, code in enumerate(codes)]
    assessments = [SimpleNamespace(mockups=())] * len(scores)
    (note,) = outlier_notes(scores, assessments, range(6), np.empty(0), {})
    assert note.numbers["score"] == f"score {first}"
    assert deciding(scores) is (scores[first] if sees else None)
    assert deciding(()) is None
