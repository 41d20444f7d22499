"""Labelled limits: types, refusals, notes, tables; calibration and the way back."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import residuekit.calibration as lim
from residuekit.errors import ContractError, ResiduekitWarning

LOADS = np.repeat([0.0, 0.5, 1.0, 2.0, 4.0], 3)
SCORES = 0.2 + 1.5 * LOADS + np.tile([0.05, -0.03, -0.02], 5)
BLANKS = np.array([0.1, 0.3, 0.2, 0.25, 0.15, 0.2])


def test_each_level_has_its_own_type():
    kinds = {level: type(lim.from_blanks(BLANKS, level=level)) for level in
             ("pixel", "map", "mockup", "arm")}  # fmt: skip
    assert kinds == {
        "pixel": lim.PixelLimit, "map": lim.MapLimit, "mockup": lim.MockupLimit,
        "arm": lim.ArmLimit,
    }  # fmt: skip


def test_limits_of_different_types_are_neither_ordered_nor_set_side_by_side():
    pixel, mockup = lim.from_blanks(BLANKS, level="pixel"), lim.from_blanks(BLANKS)
    with pytest.raises(ContractError, match=r"different types.*never stand for one another"):
        max(pixel, mockup)
    with pytest.raises(ContractError, match="different types"):
        lim.side_by_side(pixel, mockup)
    assert pixel != mockup


def test_limits_in_different_units_or_without_detection_limit_are_not_ordered():
    score, load = lim.from_blanks(BLANKS), lim.from_calibration(LOADS, SCORES)
    with pytest.raises(ContractError, match="A and ug cm-2"):
        assert score < load
    with pytest.raises(ContractError, match="without a detection limit"):
        assert score < lim.from_blanks(BLANKS, method="tolerance")


def test_limits_of_one_type_order_by_detection_limit():
    small, large = lim.from_blanks(BLANKS), lim.from_blanks(3 * BLANKS)
    assert small < large
    assert large >= small
    assert small <= small
    assert sorted([large, small]) == [small, large]


def test_arm_limit_counts_both_groups_of_mockups():
    arm = lim.from_blanks(BLANKS, level="arm", replicates=3)
    sd = BLANKS.std(ddof=1) * math.sqrt(1 / 3 + 1 / 6)
    assert arm.decision_limit == pytest.approx(stats.t.ppf(0.95, 5) * sd)
    assert arm.critical_response == pytest.approx(BLANKS.mean() + arm.decision_limit)
    assert (arm.n, arm.degrees_of_freedom) == (6, 5)


def test_interval_of_a_limit_is_that_of_sigma_carried_to_it():
    limit = lim.from_blanks(BLANKS, confidence=0.9)
    low, high = np.sqrt(5 / stats.chi2.ppf([0.95, 0.05], 5))
    expected = (low * limit.detection_limit, high * limit.detection_limit)
    assert limit.detection_interval == pytest.approx(expected)


def test_slope_turns_a_score_limit_into_a_load_limit_but_not_the_critical_response():
    score, load = lim.from_blanks(BLANKS), lim.from_blanks(BLANKS, slope=4.0, unit="ug cm-2")
    assert load.detection_limit == pytest.approx(score.detection_limit / 4)
    assert load.detection_interval[1] == pytest.approx(score.detection_interval[1] / 4)
    assert load.critical_response == score.critical_response
    assert any("taken as known" in note for note in load.notes)


def test_distribution_free_limit_is_an_order_statistic_and_wants_59_blanks():
    blanks = np.random.default_rng(1).gamma(1.0, size=59)
    limit = lim.from_blanks(blanks, method="distribution-free")
    assert limit.critical_response == pytest.approx(blanks.max())
    assert limit.decision_interval[0] < limit.decision_limit
    with pytest.raises(ContractError, match="found 58 blanks; needed at least 59"):
        lim.from_blanks(blanks[:58], method="distribution-free")


def test_counts_want_whole_numbers_and_say_when_they_are_few():
    assert lim.from_blanks([3, 4], method="counts, paired").notes
    assert not lim.from_blanks([30, 40], method="counts, known blank").notes
    with pytest.raises(ContractError, match="whole numbers"):
        lim.from_blanks([0.5, 3], method="counts, paired")
    with pytest.raises(ContractError, match="zero or above"):
        lim.from_blanks([-1, 3], method="counts, paired")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"method": "known sigma", "sigma": -1.0}, "sigma above zero"),
        ({"method": "known sigma"}, "sigma=None"),
        ({"sigma": 1.0}, "comes from the blanks"),
        ({"method": "tolerance", "replicates": 2}, "replicates = 2"),
        ({"method": "estimated sigmo"}, "did you mean 'estimated sigma'"),
        ({"level": "mock-up"}, "did you mean 'mockup'"),
        ({"alpha": 0.7}, "alpha=0.7; needed a rate between 0 and 0.5"),
        ({"beta": 0.0}, "beta=0.0; needed a rate between 0 and 0.5"),
        ({"confidence": 95}, "confidence=95; needed a confidence between 0.5 and 1"),
        ({"slope": 0.0}, "slope above zero"),
        ({"unit": "ug/cm2"}, "unit='ug/cm2'"),
    ],
)
def test_from_blanks_refuses_what_does_not_fit(options, message):
    with pytest.raises(ContractError, match=message):
        lim.from_blanks(BLANKS, **options)


@pytest.mark.parametrize(
    ("blanks", "message"),
    [
        ([0.1, 0.2], "found 2 blanks; needed at least 3"),
        ([0.1, 0.2, math.nan], "1 of 3 blanks not finite"),
        ([0.1, 0.1, 0.1], "must not all agree"),
    ],
)
def test_from_blanks_refuses_blanks_without_scatter(blanks, message):
    with pytest.raises(ContractError, match=message):
        lim.from_blanks(blanks)


@pytest.mark.parametrize(
    ("loads", "scores", "options", "message"),
    [
        (LOADS, -SCORES, {}, "rises with the loading"),
        (LOADS, SCORES[:-1], {}, "15 loadings and 14 responses"),
        (-LOADS, SCORES, {}, "loadings of zero or above"),
        ([0, 0, 1, 1], [0, 1, 2, 3], {}, "found 2 different loadings"),
        (LOADS, SCORES, {"method": "din 32645", "beta": 0.1}, "equal rates"),
        (LOADS, SCORES, {"replicates": 0}, "replicates above zero"),
        ([0, 1, 2, 3], [0, 1, 2.1, 3], {"method": "iso 11843-2 weighted"}, "replicates of each"),
        (range(8), np.arange(8) + 0.1, {"method": "rocke-lorenzato"}, "lowest and highest"),
        ([0, 1, 2, 3, 4], [0, 4, -2, 4, 1.0], {"method": "hubaux-vos"}, "told from none"),
        ([0, 0, 2, 2, 4, 4, 8, 8], [0, 0.9, 1.9, 2.1, 4, 4, 8, 8],
         {"method": "iso 11843-2 weighted"}, "not above zero over the loads"),
    ],
)  # fmt: skip
def test_from_calibration_refuses_what_does_not_fit(loads, scores, options, message):
    with pytest.raises(ContractError, match=message):
        lim.from_calibration(loads, scores, **options)


def test_a_slope_lost_in_its_error_leaves_the_limit_without_an_upper_end():
    limit = lim.from_calibration([0, 1, 2, 3, 4], [0, 4, -2, 4, 1.0])
    assert limit.detection_interval[1] == math.inf
    assert any("no upper end" in note for note in limit.notes)


def test_calibration_notes_say_what_the_standard_aims_at():
    good = lim.from_calibration(LOADS, SCORES + 3 * (SCORES - 0.2 - 1.5 * LOADS))
    assert not any("5 loads" in note for note in good.notes)
    wide = lim.from_calibration([1, 50, 100, 200], [1.0, 50.1, 100.0, 200.0])
    assert len(wide.notes) == 3


def test_compare_gives_three_numbers_from_one_data_set_and_prints_them():
    table = lim.compare(LOADS, SCORES)
    found = [limit.detection_limit for limit in table.limits]
    assert len(set(found)) == 3
    assert max(found) / min(found) < 1.1
    text = repr(table)
    for word in ("ISO 11843-2", "DIN 32645", "Hubaux and Vos", "mockup limits", "ug cm-2"):
        assert word in text
    assert table._repr_html_().count("<tr>") == 4
    frame = table.to_frame()
    assert list(frame["detection_limit"]) == found
    assert frame["level"].eq("mockup").all()
    with pytest.raises(ContractError, match="no limit"):
        lim.compare(LOADS, SCORES, methods=())


def test_a_limit_prints_its_method_error_rates_and_n():
    limit = lim.from_calibration(LOADS, SCORES)
    text = repr(limit)
    for word in ("MockupLimit", "ISO 11843-2", "alpha, beta", "0.05, 0.05", "15, 13", "90%"):
        assert word in text
    assert "<caption>MockupLimit</caption>" in limit._repr_html_()
    assert isinstance(limit.to_frame(), pd.DataFrame)
    assert limit.to_frame().loc[0, "method"] == limit.method


def test_a_limit_in_ug_cm2_is_given_as_nm_of_film_with_the_source_of_the_density():
    limit = lim.from_calibration(LOADS, SCORES, method="din 32645")
    film = limit.as_film(lim.Density(1.3, "a handbook"))
    assert type(film) is lim.MockupLimit
    assert film.detection_limit == pytest.approx(limit.detection_limit * 10 / 1.3)
    assert film.quantification_limit == pytest.approx(limit.quantification_limit * 10 / 1.3)
    assert "a handbook" in film.notes[-1]
    with pytest.raises(ContractError, match="a limit in 'A'"):
        lim.from_blanks(BLANKS).as_film()


def test_spiking_is_detected_or_responses_not_both():
    with pytest.raises(ContractError, match="exactly one of them"):
        lim.from_spiking([1, 2, 3])
    with pytest.raises(ContractError, match="exactly one of them"):
        lim.from_spiking([1, 2, 3], [0, 1, 1], [0.1, 1, 2])


@pytest.mark.parametrize(
    ("loads", "found", "message"),
    [
        ([1, 2, 3, 4], [1, 1, 1, 1], "4 of 4 spiked.*lower loads"),
        ([1, 2, 3, 4], [0, 0, 0, 0], "0 of 4 spiked.*higher loads"),
        ([1, 2, 3, 4], [0, 0.4, 1, 1], "outcomes other than found and missed"),
        ([1, 1, 2, 2], [0, 1, 0, 1], "2 different loadings above zero"),
        ([1, 2, 3, 4], [1, 1, 0, 0], "rises with the loading"),
        ([1, 2, 3], [0, 1], "found 2 detected"),
    ],
)
def test_detection_curve_refuses_what_places_no_curve(loads, found, message):
    with pytest.raises(ContractError, match=message):
        lim.from_spiking(loads, found)


def test_separated_outcomes_are_fitted_with_a_penalty_and_said():
    loads = np.r_[0, 0, np.repeat([0.5, 1, 2, 4, 8.0], 6)]
    limit = lim.from_spiking(loads, loads > 1.5)
    assert "Firth" in limit.method
    assert any("Firth" in note for note in limit.notes)
    assert any("0 of 2 blanks" in note for note in limit.notes)
    assert 1 < limit.detection_limit < 4 < limit.detection_interval[1]


def test_a_band_that_never_rises_has_no_upper_end():
    limit = lim.from_spiking([1, 2, 3, 4, 1, 2, 3, 4], [0, 1, 0, 1, 1, 0, 1, 1])
    assert limit.detection_interval[1] == math.inf
    assert any("never reaches" in note for note in limit.notes)


def test_mdl_wants_seven_blanks_and_seven_spikes_at_one_load():
    loads, results = np.r_[np.zeros(7), np.full(7, 2.0)], np.r_[np.arange(7) / 10, 2 + np.arange(7)]
    assert lim.from_spiking(loads, responses=results).alpha == 0.01
    with pytest.raises(ContractError, match="found 6 blanks"):
        lim.from_spiking(loads[1:], responses=results[1:])
    with pytest.raises(ContractError, match="found 6 spikes"):
        lim.from_spiking(loads[:-1], responses=results[:-1])
    with pytest.raises(ContractError, match="spikes at several loads"):
        lim.from_spiking(np.r_[loads[:-1], 3.0], responses=results)
    with pytest.raises(ContractError, match="must not all agree"):
        lim.from_spiking(loads, responses=np.r_[results[:7], np.full(7, 2.0)])


@pytest.mark.parametrize("model", ["straight", "weighted", "through zero", "saturating"])
def test_calibration_predicts_and_finds_the_load_back(model):
    x = np.repeat([0.5, 1.0, 2.0, 4.0], 3)
    bent = -np.expm1(-2 * x / 3) if model == "saturating" else 1.5 * x
    y = bent + 0.01 * np.tile([1.0, -0.5, -0.5], 4)
    options = {"weighted": {"weights": np.ones(12)}, "through zero": {"blank_sd": 0.01}}
    fit = lim.calibrate(x, y, model=model, **options.get(model, {}))
    reading = float(fit.predict(1.3))
    found = fit.inverse(reading)
    assert found.loading == pytest.approx(1.3)
    assert found.interval[0] < 1.3 < found.interval[1]
    assert fit.inverse(reading, replicates=4).standard_error < found.standard_error
    assert fit.lack_of_fit.p_value > 0.05
    assert "lack of fit" in repr(fit)
    assert "ug cm-2" in repr(found)
    assert list(fit.to_frame()["parameter"]) == list(fit.parameters)
    assert found.to_frame().loc[0, "loading"] == found.loading
    assert "<table>" in fit._repr_html_()
    assert "<table>" in found._repr_html_()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "blank_sd missing"),
        ({"blank_sd": 0.0}, "blank_sd above zero"),
        ({"model": "straight", "blank_sd": 1.0}, "blank_sd given with model 'straight'"),
        ({"model": "weighted"}, "weights missing"),
        ({"model": "weighted", "weights": np.zeros(15)}, "weights above zero"),
        ({"model": "saturating"}, "without a bend"),
        ({"model": "strait"}, "did you mean 'straight'"),
    ],
)
def test_calibrate_refuses_what_does_not_fit(options, message):
    with pytest.raises(ContractError, match=message):
        lim.calibrate(LOADS, SCORES - 0.2, **options)


def test_a_response_at_the_ceiling_has_no_load():
    x = np.repeat([0.5, 1.0, 2.0, 4.0], 3)
    fit = lim.calibrate(
        x, -np.expm1(-2 * x / 3) + np.tile([0.01, -0.02, 0.01], 4), model="saturating"
    )
    with pytest.raises(ContractError, match="below the ceiling"):
        fit.inverse(1.5)


def test_linear_range_ends_where_the_response_bends():
    assert lim.linear_range(LOADS, SCORES) == (0.0, 4.0)
    assert lim.linear_range(LOADS, np.minimum(SCORES, 3.2)) == (0.0, 2.0)
    with pytest.raises(ContractError, match="no loading twice"):
        lim.linear_range([0, 1, 2, 3], [0, 1, 2, 3])
    with pytest.raises(ContractError, match="lowest 3 loads"):
        lim.linear_range(LOADS, LOADS**2 + np.tile([1e-3, -1e-3, 0], 5))


def test_film_of_one_nanometre():
    assert float(lim.film_thickness_nm(0.13)) == pytest.approx(1.0)
    assert float(lim.film_loading_ug_cm2(1.0)) == pytest.approx(0.13)
    with pytest.raises(ContractError, match="density above zero"):
        lim.film_thickness_nm(0.13, lim.Density(0.0, "a slip"))


# samples, misfit, disagreement


def test_measurements_of_one_sample_count_once():
    """The mean of each sample, as if it had been measured once."""
    loads, found = [1, 1, 2, 2, 4, 4, 6], [1.0, 1.2, 2.1, 2.3, 3.9, 4.1, 6.2]
    names = ["a", "a", "b", "b", "c", "c", "d"]
    made = lim.calibrate(loads, found, model="straight", sample=names)
    means = lim.calibrate([1, 2, 4, 6], [1.1, 2.2, 4.0, 6.2], model="straight")
    assert made.n == 4
    assert made.parameters["slope"] == pytest.approx(means.parameters["slope"])
    limit = lim.from_calibration(loads, found, sample=names)
    alone = lim.from_calibration([1, 2, 4, 6], [1.1, 2.2, 4.0, 6.2])
    assert limit.detection_limit == pytest.approx(alone.detection_limit)
    assert limit.n == 4


def test_a_sample_of_two_loadings_and_weights_with_samples_are_refused():
    with pytest.raises(ContractError, match="more than one loading of the sample 'a'"):
        lim.calibrate([1, 2, 3], [1, 2, 3], model="straight", sample=["a", "a", "b"])
    with pytest.raises(ContractError, match="weights with sample"):
        lim.calibrate([1, 2, 3], [1, 2, 3], model="weighted", weights=[1, 1, 1],
                              sample=["a", "b", "c"])  # fmt: skip
    with pytest.raises(ContractError, match="2 samples"):
        lim.calibrate([1, 2, 3], [1, 2, 3], model="straight", sample=["a", "b"])


@pytest.mark.filterwarnings("ignore::residuekit.errors.ResiduekitWarning")
def test_intervals_of_left_out_samples_hold_only_with_samples_named():
    """21 samples measured three times, 2 % of error between samples and 0.2 % within."""
    rng = np.random.default_rng(1)
    loads = np.repeat(np.linspace(1, 7, 21), 3)
    names = np.repeat(np.arange(21), 3)
    found = loads + np.repeat(0.2 * rng.standard_normal(21), 3) + 0.02 * rng.standard_normal(63)
    held = {}
    for named in (True, False):
        held[named] = 0
        for left in range(21):
            kept = names != left
            given = {"sample": names[kept]} if named else {}
            line = lim.calibrate(loads[kept], found[kept], model="straight", **given)
            low, high = line.inverse(found[~kept].mean(), replicates=1 if named else 3).interval
            held[named] += low <= loads[left * 3] <= high
    assert held[True] >= 18
    assert held[False] <= held[True] - 3


def test_a_lack_of_fit_is_a_warning_and_a_note():
    x = np.repeat([0.0, 1, 2, 4, 8], 3)
    y = 1 - np.exp(-x / 3) + 0.002 * np.tile([-1, 0, 1], 5)
    with pytest.warns(ResiduekitWarning, match="lack of fit"):
        lim.calibrate(x, y, model="straight")
    with pytest.warns(ResiduekitWarning, match="saturating"):
        limit = lim.from_calibration(x, y)
    assert limit.notes[0].startswith("lack of fit: F(3, 10)")
    straight = lim.from_calibration(x, x + 0.2 * np.tile([-1, 0.2, 1], 5))
    assert not any("lack of fit" in note for note in straight.notes)


def test_limits_whose_intervals_do_not_meet_are_said_to_disagree():
    """The blanks scatter by 0.01, the response by 0.3 about its line."""
    rng = np.random.default_rng(2)
    x = np.repeat([0.0, 1, 2, 3, 4], 4)
    tight = lim.from_blanks(0.01 * rng.standard_normal(10), unit="ug cm-2")
    wide = lim.from_calibration(x, x + 0.3 * rng.standard_normal(20))
    (said,) = lim.side_by_side(tight, wide).disagreement
    assert "disagree" in said
    assert "Trust the higher one" in said
    assert said in repr(lim.side_by_side(tight, wide))
    assert lim.side_by_side(wide, wide).disagreement == ()
