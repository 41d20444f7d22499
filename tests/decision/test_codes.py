"""The codes: each is found somewhere, has its row, and makes a sentence of the numbers it is given.

Notes are made where the library makes them, by real calls.
"""

from __future__ import annotations

import ast
import json
import math
from collections.abc import Mapping
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

import residuekit as rk
from residuekit.decision.blindness import Blindness, assess_blindness
from residuekit.decision.comparator import comparator_notes, water_change
from residuekit.decision.confirmation import FOREIGN
from residuekit.decision.controls import Films
from residuekit.decision.design import arm_notes, sample
from residuekit.decision.matrix_effect import matrix_notes
from residuekit.decision.net import make_metric
from residuekit.decision.pairs import paired_notes
from residuekit.decision.panel_layout import Panels, panel_notes, unused_panels
from residuekit.decision.reference_check import reference_notes
from residuekit.decision.scores import Sharper
from residuekit.kernels.netsignal import ShapeTest, scatter
from residuekit.kernels.slope import Slope, film_slope
from residuekit.markers import Marker
from residuekit.reprs import to_error
from residuekit.study.befores import pairing
from residuekit.study.tables import apart_notes, judge_arms
from residuekit.words.caption import _judged
from residuekit.words.codes import (
    CODES,
    Note,
    blindness_words,
    from_json,
    sentence,
    sentences,
    to_json,
)
from residuekit.words.common import bound_words
from residuekit.words.common import judged as told
from residuekit.words.differences import WHY
from residuekit.words.verdict import run_lines

CLEAN, GEL = [0.0, 0.01, -0.01], [1.0, 1.1, 0.9]
FLAT = {"loadings": [1.0, 1, 2, 2], "spiked": [0.5, -0.5, 0.4, -0.4]}
AXIS = np.arange(1000.0, 1400.0, 20.0)
BAND = Marker("own 1092", 1060, 1124)


def emitted(root):
    """The codes of every `Note("...")` in the deciding code and in that of a study."""
    found = set()
    for room in ("decision", "study"):
        for path in (root / "residuekit" / room).glob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                match node:
                    case ast.Call(func=ast.Name(id="Note"), args=[ast.Constant(value=code), *_]):
                        found.add(code)
                    case ast.Call(func=ast.Name(id="Note")):
                        raise AssertionError(f"{path}:{node.lineno}: a code that is no literal")
    return found


def test_every_code_is_emitted_somewhere_and_every_emitted_one_has_its_row(root):
    assert emitted(root) == set(CODES)
    for code, row in CODES.items():
        assert row.meaning, code
        assert row.meaning[0].islower() or row.meaning.startswith("F test"), code


# every note, where it is made


@pytest.fixture
def of_verdicts(made, judged):
    """The notes of the verdicts themselves."""
    unexplained, wide = made(CLEAN, unexplained=50.0), made([-1.0, 1.0, 0.0])
    few, blind = made(CLEAN, [0.0, 0.1]), made(GEL, **FLAT)
    varied = made(CLEAN, [-0.5, 0.5, 0.3, -0.3, 0.0, 0.0], noise=0.01, acceptance_limit=0.5)
    beyond, far = (made(CLEAN, np.array([-0.5, 0.5, 0.3, -0.3, 0, 0]) * by) for by in (4, 9))
    verdicts = [
        judged(beyond, 99.0), judged(far, 99.0),
        judged(made(CLEAN), 0.5), judged(made(CLEAN), 1e-3), judged(made(CLEAN[:2]), 0.5),
        judged(made(CLEAN, loadings=None)), judged(unexplained, 0.5), judged(wide, 9.0),
        judged(few, 0.5), judged(blind, 0.5), judged(varied, 0.5),
        judged(made(np.array(CLEAN) - 1.0), 0.5),
        judged(made(CLEAN, loadings=None, film=film_slope([5.0], [5.0])), 0.1),
        judged(made(CLEAN), 0.5, failed="all dead"),
        *[judged(made(GEL, shape=shape), 0.5) for shape in (None, "right", "wrong", "foreign")],
    ]  # fmt: skip
    notes = [note for verdict in verdicts for note in verdict.why]
    score = judged([made(CLEAN), made(CLEAN, score="band: b")], 0.5).score_rows()[1]
    assert score["reason"].endswith(sentence(Note("does-not-decide")))
    films = Films(np.array([5.0]), np.array([[5.0]]), np.zeros(1))
    beside = SimpleNamespace(film_slope=films.slope)
    sighted = SimpleNamespace(name="net signal", weights=np.ones(1), slope=Slope(0.8, 0.1, 4),
                              blindness=SimpleNamespace(blind=False))  # fmt: skip
    return [*notes, Note("does-not-decide"), *matrix_notes(beside, [sighted])]


def lacking_metrics():
    """Why there is no net signal: single spectra, or no reference of use, or no scatter."""
    still = [scatter(np.ones((3, AXIS.size)), place) for place in range(2)]
    given = (
        np.ones((2, AXIS.size)),
        [np.exp(-0.5 * ((AXIS - 1092) / 20) ** 2)],
        AXIS,
        (),
        Note("no-reference"),
    )
    return [make_metric(scatters, *given).missing for scatters in ([], still)]


def notes_of_scores():
    """Of a band that decides, and of single spectra that are blanks enough."""
    rng = np.random.default_rng(2)
    single = [points(rng).isel(spectrum=[0]) for _ in range(9)]
    pure = rk.make_points(np.exp(-0.5 * ((AXIS - 1092) / 20) ** 2), AXIS)
    found = rk.judge_arm(blanks=single[:8], exposed=single[8:], references=pure)
    odd = [points(rng, 0.01 * rng.normal() + (number == 5)) for number in range(6)]
    apart = rk.judge_arm(blanks=odd, exposed=[points(rng)], markers=[BAND])
    assert "outlying-mockup" in apart.codes
    band = SimpleNamespace(name="band: a", spiked=np.ones(6))
    blanks = 0.2 + 0.01 * rng.standard_normal((3, 1)) + np.sin(AXIS / 90)
    other = blanks + 5 * np.exp(-0.5 * ((AXIS - 1300) / 20) ** 2)
    reference = np.exp(-0.5 * ((AXIS - 1092) / 20) ** 2)[None]
    marker = Marker("own 1300", 1260, 1340)
    of_references = reference_notes(AXIS, reference, [marker], blanks, other)
    return [*found.remarks, *apart.remarks, Sharper(band, 3.0, 2.5).note(), *of_references]


@pytest.fixture
def of_designs(small_study):
    """Those of the design, the comparator, the metric and of pairing."""
    for session in ("day 1", "day 2"):
        small_study.add("exposed", "a", session=session)
    small_study.add("exposed", "a", exposure_min=60.0, session="day 1", further={"hand": "A"})
    small_study.add("exposed", "c", exposure_min=60.0, session="day 1", further={"hand": "B"})
    for hand in "AB":
        small_study.add("blank", "a", treatment="none", session="day 1", further={"hand": hand})
    deciding = SimpleNamespace(
        values=np.array([0.0, 0.2]), scale=0.1, blindness=SimpleNamespace(unit="ug cm-2")
    )
    return [
        *[note for notes in arm_notes(small_study.rows).values() for note in notes],
        *comparator_notes(["none"], [math.nan], 2.0),
        *comparator_notes(["water"] * 2, [2.0, math.nan], 2.0),
        *lacking_metrics(),
        *notes_of_scores(),
        *paired_notes(4, 2, 1, None, places="2"),
        *paired_notes(4, 2, 1, deciding, mockups=["b1"]),
        pairing(small_study.rows[:1], small_study.rows[-1:], (), [sample(small_study.rows[0])])[1],
        *panel_notes(Panels((2, 2), (1, 0)), deciding, ["b9"]),
        *panel_notes(Panels((2, 2), (1, 1)), None),
        unused_panels(["A"], ["A", "B"]),
        unused_panels(["A", "A"], ["A", ""]),
        unused_panels(["A", "A"], ["A"]),
        water_change([1.0, 1.2], [0.9, 1.0]).note("net signal", "ug cm-2"),
        *apart_notes(dict(zip("abcdefghij", WHY, strict=False)), dict.fromkeys("abcdefghij", "1")),
    ]  # fmt: skip


def points(rng, gel=0.0):
    spectrum = 0.1 + np.exp(-0.5 * ((AXIS - 1200) / 60) ** 2)
    spectrum = spectrum + gel * np.exp(-0.5 * ((AXIS - 1092) / 20) ** 2)
    return rk.make_points(spectrum + 1e-3 * rng.standard_normal((9, AXIS.size)), AXIS)


@pytest.fixture
def of_studies(small_study):
    """Those of a study that lacks this and that."""
    rng = np.random.default_rng(1)
    study = small_study
    for number in range(3):
        for paint in ("white", "red"):
            study.add("blank", f"{paint} b{number}", points(rng), paint=paint)
            study.add("blank", f"{paint} u{number}", points(rng), paint=paint, treatment="none")
        for treatment in ("gel", "other"):
            study.add("exposed", f"{treatment} {number}", points(rng, 0.1), treatment=treatment)
        study.add("spiked", f"s{number}", points(rng, 0.1), loading_ug_cm2=1.0)
    study.add("exposed", "lost")
    study.add("exposed", "no blank", points(rng), paint="blue")
    study.add("exposed", "lost too", paint="red")
    unfit = {row.file: "dead pixels" for row in study.rows if row.treatment == "other"}
    for centre in (1092, 1100):
        pure = np.exp(-0.5 * ((AXIS - centre) / 20) ** 2) * (centre - 1090)
        study.add("reference", array=rk.make_points(pure, AXIS))
    study.add("reference")
    notes = []
    for rows, settings in (
        (study.rows, {"markers": (BAND,), "acceptance_limit": 1.0, "loading_checked": True}),
        ([row for row in study.rows if row.role != "reference"], {"scores": ("net signal",)}),
    ):
        study.rows = rows
        for arm in judge_arms(study.controls(**settings), study.found(**unfit)):
            notes += arm.why if arm.verdict is None else [*arm.verdict.why, *arm.verdict.remarks]
    return notes


def test_each_code_s_sentence_is_made_of_the_numbers_given_where_it_is_found(
    of_verdicts, of_designs, of_studies
):
    notes = [*of_verdicts, *of_designs, *of_studies]
    assert {note.code for note in notes} == set(CODES)
    for note in notes:
        said = sentence(note)
        assert said
        assert "{" not in said
        assert "None" not in said
        assert said.endswith(".") != CODES[note.code].obstacle
        again = from_json(json.loads(json.dumps(to_json(note), allow_nan=False)))
        assert again.code == note.code
        assert sentence(again) == said


# the record


def same(one, other):
    """Equal, NaN to NaN; JSON makes lists of tuples."""
    if isinstance(one, Mapping):
        return set(one) == set(other) and all(same(one[key], other[key]) for key in one)
    if isinstance(one, float) and math.isnan(one):
        return math.isnan(other)
    return list(one) == other if isinstance(one, tuple) else one == other


def test_a_note_comes_back_from_json_with_numbers_that_are_not_finite():
    numbers = {
        "a": math.nan, "b": math.inf, "c": -math.inf, "d": 1.5, "e": None, "f": ["x", "y"],
        "g": True, "h": "text", "arm": {"paint": "white", "clearance_min": math.nan, "n": 2},
        "foreign": FOREIGN, "i": np.float64(2.5), "j": 3,
    }  # fmt: skip
    text = json.dumps(to_json(Note("confirmed", numbers)), allow_nan=False)
    again = from_json(json.loads(text))
    assert again.code == "confirmed"
    assert same(numbers, dict(again.numbers))
    assert from_json(to_json(Note("no-score"))) == ("no-score", {})


# sentences


def test_obstacles_are_joined_to_one_sentence_that_comes_first():
    notes = [
        Note("untreated-comparator"), Note("no-acceptance-limit"), Note("no-loading-scale"),
        Note("few-exposed", {"n": 2, "needed": 3}),
    ]  # fmt: skip
    said = sentences(notes)
    assert len(said) == 2
    assert said[0] == (
        "Below the decision limit, but the study states no acceptance limit; without spiked "
        "mock-ups or a reference film of known loading the score has no loading unit; exposed "
        "mock-ups: only 2 (3 are needed)."
    )
    assert said[1] == sentence(notes[0])
    assert sentences(notes[:1]) == [said[1]]
    assert sentences([]) == []


@pytest.mark.parametrize("code", ["no-response", "paint-scatter"])
def test_blindness_says_what_its_numbers_are(made, judged, code):
    options = FLAT if code == "no-response" else {"noise": 0.01, "acceptance_limit": 0.5}
    a = made(CLEAN, [-0.5, 0.5, 0.3, -0.3, 0.0, 0.0], **options)
    assert a.blindness.code == code
    said = blindness_words(code, a.blindness.numbers)
    number = a.blindness.slope if code == "no-response" else a.blindness.mockup_limit
    assert f"{number:.3g}" in said
    verdict = judged(a, 0.5)
    strict = code == "paint-scatter"
    assert verdict.codes == (("limit-above-acceptance",) if strict else ("all-blind",))
    assert verdict.verdict == ("inconclusive" if strict else "not assessable")
    assert said.removeprefix("mock-ups") in verdict.reason


def test_a_slope_is_told_by_its_sign():
    """-6.8, reproducible to 0.1, is no slope that cannot be distinguished from zero."""
    falling = assess_blindness([0.0, 0.1, -0.1], Slope(-6.8, 0.1, 4), noise=0.01)
    assert falling.code == "negative-response"
    assert blindness_words(falling.code, falling.numbers) == (
        "its response to 4 spiked mock-ups, -6.80 ± 0.10 per ug cm-2, is negative: the score "
        "falls with loading (99% confidence)"
    )
    unsure = assess_blindness([0.0, 0.1, -0.1], Slope(-0.3, 0.1, 4), noise=0.01)
    assert unsure.code == "no-response"
    assert "cannot be distinguished" in blindness_words(unsure.code, unsure.numbers)


def test_of_what_is_not_assessable_no_number_is_told(made, judged):
    """A slope that cannot be told from zero gives no loading, and no limit of one."""
    verdict = judged(made(GEL, **FLAT), 0.5)
    row = verdict.row()
    assert verdict.verdict == "not assessable"
    for words in ("etection limit", "pper bound", "times in 100", "mean of"):
        assert words not in row["reason"]
        assert words not in " ".join(run_lines(row, verdict.why, 0.05, 0.05))
    group = SimpleNamespace(words="exposed 2 min", values=np.zeros(3), verdict=row)
    assert next(_judged(SimpleNamespace(groups=[group]))) == "2 min, n = 3: not assessable"
    assert not told(row)
    assert told({**row, "verdict": "inconclusive"})


def test_a_bound_below_nothing_is_explained(made, judged):
    lower = judged(made([value - 1.0 for value in CLEAN]), 0.5)
    assert lower.deciding.upper_bound < 0
    assert "below-blanks" in lower.codes
    assert "the upper bound lies below 0, as in up to 5% of clean arms" in lower.reason
    assert "below-blanks" not in judged(made(CLEAN), 0.5).codes
    assert bound_words(lower.row()) == "below 0"


def test_only_what_can_see_is_named_without_a_code():
    assert not Blindness(1.0, 0.1, 0.5, 0.1, "A").blind
    assert Blindness(1.0, 0.1, 0.5, 0.1, "A", "no-response").blind


@pytest.mark.parametrize("limit", [0.5, 1e-3, None])
@pytest.mark.parametrize("m", [2, 3])
def test_no_absence_is_printed_without_detection_limit_bound_n_and_share(made, judged, limit, m):
    """Whenever nothing is found, within the acceptance limit or not."""
    a = made(CLEAN[:m])
    verdict = judged(a, limit)
    assert verdict.verdict in ("not detected", "inconclusive")
    unit, error = a.unit, a.standard_error
    mean, spread, decision, detection, bound, mockup_decision, mockup_detection = (
        to_error(number, error)
        for number in (a.estimate, error, a.decision_limit, a.detection_limit, a.upper_bound,
                       a.mockup_decision_limit, a.mockup_detection_limit)
    )  # fmt: skip
    for text in (
        f"mean of {m} mock-ups {mean} ± {spread} {unit} against 6 blank mock-ups",
        f"Decision limit {decision}, detection limit {detection}, ",
        f"upper bound {bound} {unit} (95% one-sided)",
        f"None of {m} mock-ups stood out (decision limit of one: {mockup_decision} {unit})",
        f"Up to {a.share_upper_bound:.0%} of such mock-ups could still do so (95% confidence).",
        f"One mock-up with {mockup_detection} {unit} would be noticed 95 times in 100; less may be "
        f"missed. Up to {a.share_upper_bound / 0.95:.0%} of such mock-ups could carry that much.",
    ):
        assert text in verdict.reason
    assert verdict.row()["reason"] == verdict.reason


def test_other_rates_stand_in_the_sentence(made, judged):
    reason = judged(made(CLEAN, alpha=0.1, beta=0.2), 0.5).reason
    for text in ("(90% one-sided)", "(90% confidence)", "80 times in 100"):
        assert text in reason


def test_what_is_found_needs_no_warning_of_single_mockups(made, judged):
    verdict = judged(made(GEL, shape="right"), 0.5)
    assert verdict.verdict == "detected"
    assert "may be missed" not in verdict.reason
    assert "such mock-ups could" not in verdict.reason
    some = judged(made([0.0, 1.1, 1.0], shape="right"), 0.5)
    assert "2 of 3 mock-ups stood out" in some.reason
    assert "such mock-ups could do so" in some.reason


def test_a_single_blank_is_said_to_give_no_limits(made, judged):
    reason = judged(made(CLEAN, [0.0]), 0.5).reason
    assert "A single blank mock-up gives no limits" in reason
    assert "nan" not in reason


def test_remarks_stand_behind_the_numbers_and_codes_once(made, judged):
    note = Note("several-arms", {"n_arms": 4, "alpha": 0.05, "chance": 0.185})
    verdict = replace(judged(made(CLEAN), 0.5), remarks=(note, note))
    assert verdict.reason.endswith("could carry that much. " + " ".join([sentence(note)] * 2))
    assert verdict.codes == ("within-acceptance", "several-arms")


def test_a_shape_that_is_too_weak_says_so(made, judged):
    """Too little explained to prove the gel, but not refused."""
    for share, weak in ((0.79, True), (0.81, False)):
        test = ShapeTest(share, 1.0 - share + 1.0, 1.0)
        assert (test.weak, test.refused) == (weak, False)
        found = made(GEL, shape="right").confirmation
        a = replace(made(GEL, shape="right"), confirmation=replace(found, shape=test))
        assert ("too little to prove the gel" in judged(a, 0.5).reason) is weak
