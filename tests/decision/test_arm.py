"""One arm in memory: as a study judges it, paired and unpaired by hand, and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from random import Random

import numpy as np
import pytest
import xarray as xr

import residuekit as rk
from residuekit.decision.arm import judge_values
from residuekit.decision.assessment import Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.confirmation import unexplained
from residuekit.decision.controls import controls_of
from residuekit.decision.scores import scores_on
from residuekit.errors import ContractError
from residuekit.kernels.slope import slope_through_zero
from residuekit.markers import Marker, marker_weights

AXIS = np.arange(1000.0, 1400.0, 8.0)
BAND = Marker("own 1092", 1060, 1124)
NOISE = 1e-3


def gaussian(position, sd=12.0):
    return np.exp(-0.5 * ((AXIS - position) / sd) ** 2)


GEL = gaussian(1092) + 0.5 * gaussian(1300)
PAINT = 0.4 * gaussian(1200, 40) + 0.1
PURE = rk.make_points(GEL, AXIS)
WEIGHTS = marker_weights([BAND], AXIS)[0]
DUST = rk.make_points(gaussian(1030), AXIS)


def mockup(rng, gel=0.0, *, own=None, shape=(12,), count=1):
    """One mock-up: its own spectrum, pixels with noise; several arrays where it has a count."""
    own = PAINT + 3e-4 * rng.standard_normal() * gaussian(1150, 30) if own is None else own
    make = rk.make_map if len(shape) == 2 else rk.make_points
    made = [
        make(own + 0.01 * gel * GEL + NOISE * rng.standard_normal((*shape, AXIS.size)), AXIS)
        for _ in range(count)
    ]
    return made[0] if count == 1 else made


def arm(gel=0.0, *, n=4, m=3, **options):
    """The arguments of `judge_arm` for an arm with so much gel."""
    return dict(_arm(gel, n, m, **options))


@cache
def _arm(gel, n, m, **options):
    rng = np.random.default_rng(1)
    return {
        "blanks": [mockup(rng, **options) for _ in range(n)],
        "exposed": [mockup(rng, gel, **options) for _ in range(m)],
        "spiked": [(load, mockup(rng, load, **options)) for load in (2.0, 2.0, 6.0, 6.0)],
        "references": PURE,
        "acceptance_limit": 2.0,
        "markers": [BAND],
    }  # fmt: skip


def own_states(n=4, m=3):
    """A paint whose mock-ups differ much in the gel's band, measured before and after."""
    given, states = _own_states(n, m)
    return dict(given), dict(states)


@cache
def _own_states(n, m):
    rng = np.random.default_rng(2)
    owns = [PAINT + 0.05 * rng.standard_normal() * GEL for _ in range(n + m + 4)]
    before = [mockup(rng, own=own) for own in owns]
    loads = [0.0] * (n + m) + [2.0, 2.0, 6.0, 6.0]
    after = [mockup(rng, load, own=own) for own, load in zip(owns, loads, strict=True)]
    given = {
        "blanks": after[:n], "exposed": after[n : n + m],
        "spiked": list(zip(loads[n + m :], after[n + m :], strict=True)),
        "references": PURE, "acceptance_limit": 2.0, "markers": [BAND],
    }  # fmt: skip
    states = {
        "before_blanks": before[:n], "before_exposed": before[n : n + m],
        "before_spiked": before[n + m :],
    }  # fmt: skip
    return given, states


def means(mockups):
    lists = [[one] if isinstance(one, xr.DataArray) else one for one in mockups]
    every = [[a.values.reshape(-1, AXIS.size).mean(0, dtype=float) for a in own] for own in lists]
    return np.array([np.mean(own, axis=0) for own in every])


def same_numbers(one, other):
    """Two verdicts agree in every number to 1e-9, in verdict and codes."""
    assert one.verdict == other.verdict
    assert [a.score for a in one.assessments] == [a.score for a in other.assessments]
    for a, b in zip(one.assessments, other.assessments, strict=True):
        for name, value in a.row().items():
            expected = b.row()[name]
            if isinstance(value, float):
                expected = pytest.approx(expected, rel=1e-9, abs=1e-12, nan_ok=True)
            assert value == expected, name
        assert a.blanks == pytest.approx(b.blanks, rel=1e-9, abs=1e-12)
        assert a.mockups == pytest.approx(b.mockups, rel=1e-9, abs=1e-12)
        assert a.unexplained == pytest.approx(b.unexplained, rel=1e-9)
        assert (a.confirmation is None) == (b.confirmation is None)
        if a.confirmation is not None:
            assert a.confirmation.amount == pytest.approx(b.confirmation.amount, rel=1e-8)
            assert a.confirmation.limit == pytest.approx(b.confirmation.limit, rel=1e-8)
        assert (a.blindness.code, a.blindness.unit) == (b.blindness.code, b.blindness.unit)
        for name in ("slope", "slope_se", "mockup_limit", "noise_limit"):
            expected = getattr(b.blindness, name)
            assert getattr(a.blindness, name) == pytest.approx(expected, rel=1e-9, nan_ok=True)


# as a study does


def in_a_study(study, given):
    """The same arrays through the controls of a study."""
    for role in ("blanks", "exposed"):
        for number, own in enumerate(given[role]):
            for array in [own] if isinstance(own, xr.DataArray) else own:
                study.add(role.removesuffix("s"), f"{role} {number}", array)
    for number, (loading, own) in enumerate(given["spiked"]):
        for array in [own] if isinstance(own, xr.DataArray) else own:
            study.add("spiked", f"spiked {number}", array, loading_ug_cm2=loading)
    references = given["references"]
    for array in [references] if isinstance(references, xr.DataArray) else references:
        study.add("reference", array=array)
    foreign = given.get("interferents", ())
    for array in [foreign] if isinstance(foreign, xr.DataArray) else foreign:
        study.add("reference", array=array, treatment="dust")
    controls = study.controls(
        acceptance_limit=given["acceptance_limit"], markers=tuple(given["markers"]),
        scores=given.get("scores", ("band", "net signal")),
    )  # fmt: skip
    return controls.judge_arm(study.exposed(), "gel", None, [])


@pytest.mark.parametrize(
    ("gel", "options", "changed", "verdict"),
    [
        (0.0, {}, {}, "not detected"),
        (5.0, {}, {}, "detected"),
        (5.0, {"shape": (4, 3)}, {}, "detected"),
        (0.0, {"shape": (3, 2), "count": 2}, {}, "not detected"),
        (0.0, {"shape": (1,), "count": 3}, {"references": ()}, "not assessable"),
        (5.0, {}, {"interferents": [DUST, rk.make_points(gaussian(1250), AXIS)]}, "detected"),
        (0.0, {}, {"acceptance_limit": None, "markers": []}, "inconclusive"),
        (5.0, {}, {"spiked": (), "scores": ("net signal",)}, "detected"),
        (0.0, {}, {"spiked": (), "references": ()}, "not assessable"),
    ],
)
def test_the_same_arrays_give_the_same_numbers_as_in_a_study(
    small_study, gel, options, changed, verdict
):
    given = {**arm(gel, **options), **changed}
    found = rk.judge_arm(**given)
    assert found.verdict == verdict
    study = in_a_study(small_study, given)
    same_numbers(found, study)
    assert found.codes == study.codes
    if given["references"] is PURE:
        assert found.assessments[0].score == "net signal"
    else:
        assert [one.score for one in found.assessments] == ["band: own 1092"]
        assert "no-reference" in found.codes


# the numbers by hand


@pytest.mark.parametrize("kind", ["unpaired", "paired", "all paired"])
def test_the_band_s_numbers_are_those_of_the_mockup_values(kind):
    """Values are means, or what they differ from their own before; spiked mock-ups answer against
    the mean of the values of the blanks, which are those of the arm unless only it is paired."""
    given, states = own_states()
    after = [means(given[name]) for name in ("blanks", "exposed")]
    loads, loaded = zip(*given["spiked"], strict=True)
    blanks, exposed, spiked = *after, means(loaded)
    values, shared, used = blanks, 1.0, {}
    if kind != "unpaired":
        used = {name: states[name] for name in ("before_blanks", "before_exposed")}
        values = blanks - means(states["before_blanks"])
        exposed = exposed - means(states["before_exposed"])
        shared = 0.0
    responses = spiked - blanks.mean(axis=0)
    if kind == "all paired":
        used = states
        responses = spiked - means(states["before_spiked"]) - values.mean(axis=0)
        shared = 1.0
    slope = slope_through_zero(loads, responses @ WEIGHTS, (values @ WEIGHTS).std(ddof=1))
    blind = assess_blindness(values @ WEIGHTS, slope, acceptance_limit=2.0, unit="A cm-1")
    expected = assess(
        values @ WEIGHTS, exposed @ WEIGHTS, blind, Rules(acceptance_limit=2.0), loadings=loads,
        spiked=responses @ WEIGHTS, shared=shared, score="band: own 1092", unit="A cm-1",
    )  # fmt: skip
    found = rk.judge_arm(**given, **used, scores=("band",))
    row = found.deciding.row()
    identified = row.pop("identification_limit")
    assert identified >= found.deciding.detection_limit or (blind.blind and np.isnan(identified))
    for name, value in expected.row().items():
        if name == "identification_limit":
            continue
        assert row[name] == (
            pytest.approx(value, nan_ok=True) if isinstance(value, float) else value
        ), name
    assert found.deciding.mockups == pytest.approx(expected.mockups)
    assert found.deciding.blindness.slope == pytest.approx(slope.value)
    notes = dict(found.remarks)
    assert list(notes) == ([] if kind == "unpaired" else ["paired-before"])
    if notes:
        assert_paired(found, notes["paired-before"], 4)
        assert "Each of 3 exposed and 4 blank mock-ups" in found.reason


def assert_paired(found, numbers, n_blanks):
    """What pairing cannot take out is what blanks differ by from their own state before."""
    left = np.std(found.deciding.blanks, ddof=1) if not found.deciding.blindness.blind else None
    expected = {"n_exposed": 3, "n_blanks": n_blanks}
    if left is not None:
        expected |= {"scatter": pytest.approx(left), "unit": found.deciding.unit}
        said = f"a standard deviation of {left:.2g} {found.deciding.unit}: that pairing cannot"
        assert said in found.reason
    assert numbers == expected


def test_pairing_takes_out_what_stays_with_a_mockup():
    """Mock-ups differ by 5 ug cm-2 of the gel's own spectrum; repeated maps by noise alone, whose
    scatter in the band is sqrt(2 / 12) of a pixel's: the limits fall fiftyfold or more."""
    given, states = own_states()
    plain, paired = rk.judge_arm(**given), rk.judge_arm(**given, **states)
    for one, other in zip(plain.assessments, paired.assessments, strict=True):
        slope = 0.01 * GEL @ (WEIGHTS if "band" in one.score else GEL / (GEL @ GEL))
        scatter = np.std(one.blanks, ddof=1), np.std(other.blanks, ddof=1)
        assert slope > 0
        assert scatter[0] > 50 * scatter[1]
        assert one.decision_limit > 50 * other.decision_limit
    noise = NOISE * np.linalg.norm(WEIGHTS) * math.sqrt(2 / 12) / (0.01 * GEL @ WEIGHTS)
    assert 0.4 * noise < np.std(paired.assessments[1].blanks, ddof=1) < 2 * noise
    assert plain.verdict in ("inconclusive", "not assessable")
    assert paired.verdict == "not detected"


@pytest.mark.parametrize("lost", [(), (1,), (0, 3)])
def test_blanks_without_a_state_before_are_left_out_and_named(lost):
    given, states = own_states(n=5)
    states = {**states, "before_blanks": [
        None if place in lost else one for place, one in enumerate(states["before_blanks"])
    ]}  # fmt: skip
    kept = [place for place in range(5) if place not in lost]
    found = rk.judge_arm(**given, **states, scores=("band",))
    values = means([given["blanks"][place] for place in kept])
    values = (values - means([states["before_blanks"][place] for place in kept])) @ WEIGHTS
    assert found.deciding.n_blank_mockups == 5 - len(lost)
    assert found.deciding.blanks == pytest.approx(
        (values - values.mean()) / found.deciding.blindness.slope
    )
    notes = dict(found.remarks)
    assert_paired(found, notes["paired-before"], len(kept))
    assert ("blanks-without-before" in notes) == bool(lost)
    if lost:
        places = ", ".join(str(place + 1) for place in lost)
        assert notes["blanks-without-before"] == {"n": len(lost), "places": places}
        assert f"{len(lost)} blank mock-ups (numbers {places})" in found.reason


@pytest.mark.parametrize("scores", [("band",), ("band", "net signal")])
def test_without_a_reference_of_its_own_an_arm_is_not_assessable(scores):
    """The numbers of the band stand all the same."""
    given = {**arm(5.0), "references": (), "scores": scores}
    found = rk.judge_arm(**given)
    assert (found.verdict, found.codes) == ("not assessable", ("no-reference",))
    assert found.deciding.score == "band: own 1092"
    assert found.deciding.confirmation is None
    assert found.deciding.unexplained == 0.0


def test_blanks_without_scatter_give_no_net_signal():
    """One spectrum a mock-up and four blanks: the bands alone are left, and the reason is said."""
    rng = np.random.default_rng(4)
    given = {**arm(), "blanks": [mockup(rng, shape=(1,)) for _ in range(4)]}
    found = rk.judge_arm(**given)
    assert [one.score for one in found.assessments] == ["band: own 1092"]
    assert "single-spectra" in found.codes
    assert "single-spectra" not in rk.judge_arm(**given, scores=("band",)).codes


def test_the_rates_are_5_per_cent_and_the_scores_both_unless_asked_otherwise():
    given = arm()
    plain = rk.judge_arm(**given)
    same_numbers(plain, rk.judge_arm(**given, alpha=0.05, beta=0.05, scores=("band", "net signal")))
    assert (plain.deciding.rules.alpha, plain.deciding.rules.beta) == (0.05, 0.05)
    other = rk.judge_arm(**{**arm(m=1), "scores": ("band",)}, alpha=0.15, beta=0.2)
    assert other.deciding.rules == Rules(0.15, 0.2, 2.0)


@pytest.mark.parametrize("net", [True, False])
@pytest.mark.parametrize("n", [1, 2, 4])
def test_what_the_reference_leaves_needs_two_blanks_and_a_net_signal(net, n):
    """It is `unexplained` of the values; blanks shared in full unless said otherwise."""
    given = arm(5.0)
    controls = controls_of(given["blanks"], PURE, given["spiked"])
    if not net:
        controls = replace(controls, metric=replace(controls.metric, net=None))
    scores = scores_on(controls, [BAND], Rules())
    blanks, exposed = means(given["blanks"])[:n], means(given["exposed"])
    found = judge_values(controls, scores, exposed, Rules(), places=range(n))
    shared = judge_values(controls, scores, exposed, Rules(), places=range(n), shared=1.0)
    same_numbers(found, shared)
    for one in found.assessments:
        if net and n > 1:
            rest = unexplained(controls.metric.net, blanks, exposed, AXIS)
            assert rest > 0
            assert one.unexplained == rest
            assert one.confirmation is not None
        else:
            assert (one.unexplained, one.confirmation) == (0.0, None)


def test_declared_foreign_matter_is_excluded_before_detected():
    """What is known to lie there is no longer proof; one array or a list of them."""
    given = arm(5.0)
    plain = rk.judge_arm(**given)
    single, listed = (rk.judge_arm(**given, interferents=one) for one in (DUST, [DUST]))
    assert single.deciding.confirmation == listed.deciding.confirmation
    assert single.deciding.confirmation.amount != plain.deciding.confirmation.amount
    near = rk.make_points(GEL + 1e-3 * gaussian(1300), AXIS)
    hidden = rk.judge_arm(**given, interferents=near)
    assert plain.verdict == single.verdict == "detected"
    assert (hidden.verdict, hidden.codes[0]) == ("inconclusive", "foreign-not-excluded")
    rows = [one.deciding.row() for one in (hidden, plain)]
    limits = [row.pop("identification_limit") for row in rows]
    assert rows[0] == rows[1]
    assert not limits[0] <= limits[1]


# what must not matter


ARM = arm(1.0)


@cache
def plain_verdict():
    return rk.judge_arm(**ARM)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_neither_the_order_of_mockups_nor_that_of_pixels_matters(seed):
    random = Random(seed)

    def shuffled(given):
        listed = list(given)
        random.shuffle(listed)
        return listed

    def turned(array):
        return array.isel(spectrum=shuffled(range(array.sizes["spectrum"])))

    moved = {
        **ARM,
        "blanks": [turned(one) for one in shuffled(ARM["blanks"])],
        "exposed": [turned(one) for one in shuffled(ARM["exposed"])],
        "spiked": [(load, turned(one)) for load, one in shuffled(ARM["spiked"])],
    }
    plain, found = plain_verdict(), rk.judge_arm(**moved)
    assert found.verdict == plain.verdict
    for one, other in zip(found.assessments, plain.assessments, strict=True):
        for name, value in one.row().items():
            expected = other.row()[name]
            assert value == (pytest.approx(expected, rel=1e-6, nan_ok=True)
                             if isinstance(value, float) else expected)  # fmt: skip
    for one, other in zip(found.assessments[1:], plain.assessments[1:], strict=True):
        assert one.estimate == pytest.approx(other.estimate, rel=1e-5)
        assert sorted(one.mockups) == pytest.approx(sorted(other.mockups), rel=1e-4, abs=1e-6)


@pytest.mark.parametrize("gel", [0.0, 5.0])
def test_spectra_twice_as_high_leave_every_loading(gel):
    def twice(given):
        if isinstance(given, xr.DataArray):
            return given.copy(data=2 * given.values)
        if isinstance(given, tuple):
            return (given[0], twice(given[1]))
        return [twice(one) for one in given]

    given = arm(gel)
    doubled = {name: twice(given[name]) for name in ("blanks", "exposed", "spiked", "references")}
    plain, found = rk.judge_arm(**given), rk.judge_arm(**{**given, **doubled})
    assert (found.verdict, found.codes) == (plain.verdict, plain.codes)
    for one, other in zip(found.assessments, plain.assessments, strict=True):
        for name, value in one.row().items():
            expected = other.row()[name]
            assert value == (pytest.approx(expected, rel=1e-5, abs=1e-6, nan_ok=True)
                             if isinstance(value, float) else expected)  # fmt: skip


# what is refused


def few(count):
    return [PURE] * count


@pytest.mark.parametrize(
    ("changed", "found", "fix"),
    [
        ({"blanks": few(1)}, "blanks: 1 mock-ups", "blanks=[map, map, ...]"),
        ({"blanks": PURE}, "blanks: one array", "blanks=[map, map, ...]"),
        ({"exposed": []}, "exposed: 0 mock-ups", "exposed=[map, map, ...]"),
        ({"exposed": PURE}, "exposed: one array", "exposed=[map, map, ...]"),
        *[({"spiked": [(load, PURE)]}, f"a spiked loading of {load!r}", "spiked=[(2.0, map), ...]")
          for load in (0.0, -1.0, math.inf, math.nan)],
        *[({"acceptance_limit": limit}, f"acceptance_limit={limit!r}", "acceptance_limit=2.0")
          for limit in (0.0, -1.0, math.inf, math.nan)],
        *[({name: rate}, f"{name}={rate!r}", f"{name}=0.05")
          for name in ("alpha", "beta") for rate in (0.0, 0.5, 0.7, math.nan)],
        ({"markers": [], "references": ()}, "no score", "markers=['pva C-O 1092'] or references"),
        ({"scores": ()}, "no score", "markers=['pva C-O 1092'] or references"),
        ({"before_blanks": few(4)}, "before_blanks without before_exposed", "before_exposed too"),
        ({"before_exposed": few(3)}, "before_exposed without before_blanks", "before_blanks too"),
        ({"before_spiked": few(4)}, "before_spiked without before_blanks and before_exposed",
         "before_blanks and before_exposed too"),
        ({"before_blanks": few(3), "before_exposed": few(3)},
         "3 states in before_blanks for 4 blanks", "before_blanks=[...] with 4 entries"),
        ({"before_blanks": few(4), "before_exposed": few(4)},
         "4 states in before_exposed for 3 exposed", "before_exposed=[...] with 3 entries"),
        ({"before_blanks": few(4), "before_exposed": few(3), "before_spiked": few(3)},
         "3 states in before_spiked for 4 spiked", "before_spiked=[...] with 4 entries"),
        ({"before_blanks": [*few(2), None, None], "before_exposed": few(3)},
         "2 blanks with a state before treatment", "leave before_blanks and before_exposed out"),
        ({"exposed": [[]]}, "no maps", "=[...]"),
    ],
)  # fmt: skip
def test_each_refusal_says_what_was_found_and_what_to_type(changed, found, fix):
    with pytest.raises(ContractError) as refused:
        rk.judge_arm(**{**arm(), **changed})
    faults = refused.value.faults
    assert len(faults) == 1
    assert faults[0].found.startswith(found)
    assert fix in faults[0].fix
    assert faults[0].needed


def test_every_wrong_argument_is_told_at_once():
    with pytest.raises(ContractError) as refused:
        rk.judge_arm(blanks=[], exposed=[], spiked=[(0.0, PURE)], acceptance_limit=-1.0, alpha=2.0)
    assert len(refused.value.faults) == 5


def test_the_least_that_is_accepted():
    """Two blanks, one exposed mock-up, loadings, limit and rates near the ends of their ranges."""
    given = arm(n=2, m=1)
    given["spiked"] = [(load / 4, one) for load, one in given["spiked"]]
    found = rk.judge_arm(**{**given, "acceptance_limit": 0.3}, alpha=0.2, beta=0.2)
    assert (found.verdict, found.codes[0]) == ("inconclusive", "few-blanks")
    assert found.deciding.rules == Rules(0.2, 0.2, 0.3)
    given, states = own_states(n=3)
    assert rk.judge_arm(**given, **states, scores=("band",)).deciding.n_blank_mockups == 3


def spoilt(given, name, spoil):
    """The arguments with the last array of one of them changed."""
    listed = given[name] if isinstance(given[name], list) else [given[name]]
    last = listed[-1]
    wrong = (last[0], spoil(last[1])) if isinstance(last, tuple) else spoil(last)
    return {**given, name: [*listed[:-1], wrong]}


MOCKUPS = ["exposed", "spiked", "before_blanks", "before_exposed", "before_spiked"]


@pytest.mark.parametrize("name", [*MOCKUPS, "references", "interferents"])
def test_axes_that_differ_are_refused(name):
    given, states = own_states()
    given |= {**states, "interferents": [DUST]}
    with pytest.raises(ContractError, match="a wavenumber axis of 49 points"):
        rk.judge_arm(**spoilt(given, name, lambda one: one.isel(wavenumber=slice(1, None))))


@pytest.mark.parametrize("name", MOCKUPS)
def test_mockups_and_their_states_before_are_of_one_quantity(name):
    given, states = own_states()
    given |= states

    def transmittance(array):
        return rk.make_points(np.exp(-array.values), AXIS, quantity="transmittance")

    with pytest.raises(ContractError) as refused:
        rk.judge_arm(**spoilt(given, name, transmittance))
    (fault,) = refused.value.faults
    assert fault.found == "mock-ups in absorbance and transmittance"
    assert fault.fix.startswith("residuekit.to_absorbance(array)")


def test_a_reference_may_be_of_another_quantity():
    """Its shape counts, as that of an absorption index beside absorbance."""
    index = rk.make_points(GEL, AXIS, quantity="absorption_index")
    same_numbers(rk.judge_arm(**{**ARM, "references": index}), plain_verdict())
