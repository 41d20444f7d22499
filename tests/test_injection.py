"""Limits by injection: known truth, a procedure that eats the band, transmittance, refusals."""

from functools import partial

import numpy as np
import pytest

import residuekit as rk
from residuekit import calibration as limits
from residuekit.calibration import from_injection
from residuekit.calibration.limit import MapLimit, MockupLimit, PixelLimit
from residuekit.decision.net import net_signal
from residuekit.decision.score_maps import net_signal_score, score_by_net
from residuekit.errors import ContractError
from residuekit.kernels.limit_statistics import t_and_delta
from residuekit.spectra.procedure import Procedure

AXIS = np.arange(1000.0, 1300.0, 4.0)
GEL = 0.05 * np.exp(-0.5 * ((AXIS - 1092) / 10) ** 2)
REFERENCE = rk.make_points(GEL, AXIS)
BAND = {"name": "own 1092", "low": 1050, "high": 1134, "measure": "height", "position": 1092}
NOTHING = Procedure()
SD = 0.002


def score(array):
    return rk.band_score(array, [BAND])


def blank_maps(n=8, maps=2, seed=1, quantity="absorbance"):
    """Mock-ups that differ by SD in the height at 1092, pixels by noise."""
    rng = np.random.default_rng(seed)
    made = {}
    for k in range(n):
        paint = 0.3 + SD * rng.standard_normal() * GEL / GEL.max()
        made[f"mock-up {k}"] = []
        for _ in range(maps):
            values = paint + 5e-4 * rng.standard_normal((6, 6, AXIS.size))
            values = 10.0**-values if quantity == "transmittance" else values
            made[f"mock-up {k}"].append(rk.make_map(values, AXIS, quantity=quantity))
    return made


def inject(blanks=None, **options):
    given = {"procedure": NOTHING, "loadings": [0.5, 2.0, 8.0], "reference_loading": 5.0}
    return from_injection(blanks or blank_maps(), REFERENCE, score, **{**given, **options})


def test_a_linear_score_gives_currie_s_limit_over_the_score_of_one_microgram():
    """t s h / b and delta s h / b with b the score of the reference over its loading."""
    blanks = blank_maps()
    means = np.array(
        [np.mean([float(score(one)["score"].mean()) for one in maps]) for maps in blanks.values()]
    )
    slope = float(score(REFERENCE)["score"][0, 0]) / 5.0
    t, delta = t_and_delta(7, 0.05, 0.05)
    spread = means.std(ddof=1) * np.sqrt(1 + 1 / 8)
    found = inject(blanks)
    assert isinstance(found, MockupLimit)
    assert found.decision_limit == pytest.approx(t * spread / slope, rel=1e-4)
    assert found.detection_limit == pytest.approx(delta * spread / slope, rel=1e-4)
    assert (found.n, found.unit, found.degrees_of_freedom) == (8, "ug cm-2", 7)
    assert found.detection_interval[0] < found.detection_limit < found.detection_interval[1]


def test_what_is_missed_at_the_limit_is_beta():
    """Of 40 mock-ups with the detection limit injected 38 are expected found; 35 or more are."""
    found = inject(blank_maps(n=40, maps=1, seed=2))
    note = next(note for note in found.notes if "are found" in note)
    count = int(note.split()[4])
    assert count >= 35


def test_each_level_has_its_own_type_and_scatter():
    by_level = {level: inject(level=level) for level in ("pixel", "map", "mockup")}
    kinds = [type(limit) for limit in by_level.values()]
    assert kinds == [PixelLimit, MapLimit, MockupLimit]
    assert [limit.n for limit in by_level.values()] == [576, 16, 8]
    assert any("vary together" in note for note in by_level["pixel"].notes)
    with pytest.raises(ContractError, match="never stand for one another"):
        limits.side_by_side(*by_level.values())


def test_the_method_is_named_and_says_that_it_is_additive_only():
    found = inject()
    assert found.method.startswith("injection of the reference into real blanks")
    assert "Currie" in found.method
    assert any(note.startswith("additive only") for note in found.notes)
    assert any("spiked mock-ups" in note for note in found.notes)
    assert "additive only" in repr(found)


def test_a_procedure_that_follows_the_band_raises_the_limit():
    eats = Procedure.from_steps([{"step": "correct_baseline", "method": "polynomial", "order": 3}])
    plain, eaten = inject(), inject(procedure=eats, loadings=[2.0, 20.0, 80.0])
    ratio = eaten.detection_limit / plain.detection_limit
    known = float(score(REFERENCE)["score"][0, 0] / (score(eats.apply(REFERENCE))["score"][0, 0]))
    assert ratio >= 1.0
    assert ratio == pytest.approx(known, rel=0.2)


def test_smoothing_before_a_height_costs_what_the_smoothed_reference_says():
    smooth = Procedure.from_steps([{"step": "smooth", "window": 15, "order": 2}])
    kept = score(smooth.apply(REFERENCE))["score"] / score(REFERENCE)["score"]
    blanks = blank_maps()
    means = [
        np.mean([float(score(smooth.apply(one))["score"].mean()) for one in maps])
        for maps in blanks.values()
    ]
    _, delta = t_and_delta(7, 0.05, 0.05)
    slope = float(kept[0, 0]) * float(score(REFERENCE)["score"][0, 0]) / 5.0
    assert inject(blanks, procedure=smooth).detection_limit == pytest.approx(
        delta * np.std(means, ddof=1) * np.sqrt(1 + 1 / 8) / slope, rel=1e-4
    )


def test_transmittance_is_injected_as_a_film_that_light_passes():
    to_absorbance = Procedure.from_steps([{"step": "to_absorbance"}])
    through = inject(blank_maps(quantity="transmittance"), procedure=to_absorbance)
    assert through.detection_limit == pytest.approx(inject().detection_limit, rel=1e-3)


def test_the_net_signal_can_be_injected_like_any_score():
    blanks = blank_maps(n=6, seed=3)
    maps = [one for own in blanks.values() for one in own]
    net = partial(score_by_net, net=net_signal(REFERENCE, maps))
    again = net_signal_score(maps[0], REFERENCE, maps)
    np.testing.assert_array_equal(net(maps[0])["score"].values, again["score"].values)
    found = from_injection(blanks, REFERENCE, net, procedure=NOTHING, loadings=[0.5, 2.0])
    assert found.unit == "reference"
    scores = [np.mean([float(net(one)["score"].mean()) for one in own]) for own in blanks.values()]
    _, delta = t_and_delta(5, 0.05, 0.05)
    expected = delta * np.std(scores, ddof=1) * np.sqrt(1 + 1 / 6)
    assert found.detection_limit == pytest.approx(expected, rel=1e-3)


def test_a_response_that_bends_is_read_off_its_own_curve():
    def bent(array):
        scored = score(array)
        return scored.assign(score=np.sqrt(np.maximum(scored["score"] + 0.02, 0.0)))

    blanks = blank_maps(n=6, maps=1, seed=4)
    fine = from_injection(blanks, REFERENCE, bent, procedure=NOTHING, reference_loading=5.0,
                          loadings=np.linspace(0.1, 2.0, 20))  # fmt: skip
    straight = inject(blanks)
    assert fine.detection_limit == pytest.approx(straight.detection_limit, rel=0.25)
    slopes = next(note for note in fine.notes if note.startswith("response per unit")).split()
    assert float(slopes[5]) > 1.2 * float(slopes[-3])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"level": "arm"}, "'arm'"),
        ({"loadings": [0.0, 1.0]}, "a load to inject"),
        ({"loadings": [0.001]}, "above the detection limit"),
        ({"reference_loading": -1.0}, "reference_loading"),
        ({"blanks": blank_maps(n=2)}, "at least 3"),
        ({"blanks": {**blank_maps(n=3), "empty": []}}, "'empty' without a map"),
    ],
)
def test_what_cannot_be_injected_is_refused(change, words):
    with pytest.raises(ContractError, match=words):
        inject(**change)


def test_a_score_that_does_not_rise_or_is_not_one_is_refused():
    blanks = blank_maps(n=3)
    options = {"procedure": NOTHING, "loadings": [1.0]}
    other = {"name": "own 1200", "low": 1170, "high": 1230}
    with pytest.raises(ContractError, match="one score"):
        from_injection(blanks, REFERENCE, lambda m: rk.band_score(m, [BAND, other]), **options)
    down = rk.make_points(-GEL, AXIS)
    with pytest.raises(ContractError, match="rises with every load"):
        from_injection(blanks, down, score, **options)
    with pytest.raises(ContractError, match="wavenumber axis"):
        from_injection(blanks, REFERENCE.isel(wavenumber=slice(2, None)), score, **options)
    raw = rk.make_points(10.0**-GEL, AXIS, quantity="transmittance")
    with pytest.raises(ContractError, match="'transmittance'"):
        from_injection(blanks, raw, score, **options)
