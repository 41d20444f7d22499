"""Blindness before the exposed maps are opened: by hand, and on simulated paints."""

import numpy as np
import pytest

import residuekit as rk
from residuekit.errors import ContractError
from residuekit.schema import MARKER_COLUMNS
from residuekit.simulate import draw_mockup, gel_response, simulate_map
from residuekit.simulate.fields import stream

AXIS = np.arange(1000.0, 1400.0, 4.0)
ONE = {"name": "own 1092", "low": 1060, "high": 1124}
TWO = {"name": "own 1300", "low": 1268, "high": 1332}
NOISE = 1e-3


def gaussian(position, sd=8.0):
    return np.exp(-0.5 * ((AXIS - position) / sd) ** 2)


GEL = gaussian(1092) + 0.5 * gaussian(1300)


def mockup(rng, spread=0.0, gel=0.0):
    """A map of paint with a band at 1092 of its own, whose height differs between mock-ups."""
    paint = (0.3 + spread * rng.standard_normal()) * gaussian(1092) + 0.1
    values = paint + gel * 0.01 * GEL + NOISE * rng.standard_normal((6, 6, AXIS.size))
    return rk.make_map(values, AXIS)


def made(n=8, spread=0.02, spiked=True, **options):
    rng = np.random.default_rng(1)
    blanks = {"paint": [mockup(rng, spread) for _ in range(n)]}
    loads = [(load, mockup(rng, spread, load)) for load in (4.0, 8.0) for _ in range(4)]
    return blanks, rk.blindness(
        blanks=blanks, references=rk.make_points(GEL, AXIS), markers=[ONE, TWO],
        spiked={"paint": loads} if spiked else None, **options,
    )  # fmt: skip


def row(table, score):
    return next(one for one in table.rows if one["score"] == score)


def test_the_mockup_limit_is_3_29_blank_standard_deviations_over_the_slope():
    blanks, table = made()
    for marker in (ONE, TWO):
        means = [float(rk.band_score(one, [marker])["score"].mean()) for one in blanks["paint"]]
        found = row(table, f"band: {marker['name']}")
        expected = 3.29 * np.std(means, ddof=1) / found["slope"]
        assert found["mockup_limit"] == pytest.approx(expected, rel=1e-3)
        assert found["unit"] == "ug cm-2"


def test_the_table_has_the_columns_and_the_order_fixed_beforehand():
    table = made()[1]
    frame = table.to_frame()
    assert tuple(frame.columns) == MARKER_COLUMNS
    assert list(frame["score"]) == ["net signal", "band: own 1092", "band: own 1300"]
    assert list(frame["deciding"]) == [True, False, False]


def test_what_the_paint_s_own_variation_hides_is_blind_and_what_noise_hides_is_not():
    """The acceptance limit lies below both limits; only at 1092 more scans would not help."""
    _, table = made(spread=0.05, acceptance_limit=0.05)
    first, second = row(table, "band: own 1092"), row(table, "band: own 1300")
    assert first["mockup_limit"] > 3 * first["noise_limit"]
    assert first["blind"]
    assert second["mockup_limit"] < 3 * second["noise_limit"]
    assert not second["blind"]
    assert any("own 1092 is blind on paint" in reason for reason in table.reasons)


def test_selectivity_is_near_0_for_the_shape_of_the_paint_and_near_1_without_it():
    _, table = made()
    assert row(table, "band: own 1092")["selectivity"] < 0.05
    assert row(table, "band: own 1300")["selectivity"] > 0.85


def test_without_spiked_mockups_each_score_keeps_its_own_unit():
    _, table = made(spiked=False)
    assert [one["unit"] for one in table.rows] == ["reference", "A cm-1", "A cm-1"]
    assert all(np.isnan(one["slope"]) or one["slope"] == 1 for one in table.rows)


def test_the_recommendation_decides_by_order_and_advises_by_the_lowest_limit():
    _, table = made()
    said = table.recommendation()
    assert "net signal decides" in said
    assert "own 1300 sees least" in said
    assert "advice for the next study" in said
    assert said in str(table)


def test_one_blank_is_refused_and_so_are_axes_that_differ():
    rng = np.random.default_rng(2)
    blank, gel = mockup(rng), rk.make_points(GEL, AXIS)
    with pytest.raises(ContractError, match="1 blank mock-ups"):
        rk.blindness(blanks={"paint": [blank]}, references=gel, markers=[ONE])
    with pytest.raises(ContractError, match="wavenumber axis"):
        rk.blindness(
            blanks={"paint": [blank, blank.isel(wavenumber=slice(1, None))]},
            references=gel, markers=[ONE],
        )  # fmt: skip


#: All bands of the gel inside the axis; how many times the net signal's limit lies below the best
#: of them. Five and more on the acrylics. On the alkyd 2.2 times: there the broad, unknowable
#: variation of the paint at the gel's C-O envelope limits the whole spectrum as it does the band.
BANDS = (
    "pva C-O 1092", "pva crystallinity 1142", "pva C-H 1327", "pva CH2 1423", "pva skeletal 836",
    "acetate C=O 1735", "acetate C-O 1245",
)  # fmt: skip
TIMES = {"acrylic": 5.0, "acrylic nBMA": 5.0, "alkyd": 1.5}
SIMULATED = np.arange(800.0, 1900.5, 4.0)


@pytest.fixture(scope="module")
def simulated():
    """24 blank and 12 spiked mock-ups a paint, 36 pixels each, with mock-up variation."""
    blanks, spiked = {}, {}
    for paint in TIMES:

        def one(name, load, paint=paint):
            own = stream(1, paint, name)
            drawn = draw_mockup(paint, SIMULATED, own)
            return simulate_map(
                paint, (6, 6), SIMULATED, residue_ug_cm2=load, mockup=drawn, seed=own
            )[0]

        blanks[paint] = [one(f"b{k}", 0.0) for k in range(24)]
        spiked[paint] = [(load, one(f"s{load}{k}", load)) for load in (5.0, 15.0) for k in range(6)]
    gel = rk.make_points(300 * gel_response("PVA cryogel", SIMULATED), SIMULATED)
    return rk.blindness(
        blanks=blanks, references=gel, markers=BANDS, spiked=spiked, acceptance_limit=2.0
    ).to_frame()


@pytest.mark.parametrize("paint", TIMES)
def test_the_net_signal_sees_less_than_the_best_single_band(simulated, paint, capsys):
    rows = simulated[simulated["paint"] == paint].set_index("score")
    bands = rows["mockup_limit"].drop("net signal")
    ratio = bands.min() / rows.loc["net signal", "mockup_limit"]
    with capsys.disabled():
        print(f" [{paint}: best band {bands.idxmin().removeprefix('band: ')} / net = {ratio:.1f}]")
    assert ratio >= TIMES[paint]


@pytest.mark.parametrize("paint", TIMES)
def test_acetate_1735_alone_is_blind_on_every_paint_with_an_ester(simulated, paint):
    rows = simulated[simulated["paint"] == paint].set_index("score")
    acetate = rows.loc["band: acetate C=O 1735"]
    assert acetate["blind"]
    assert acetate["selectivity"] < 0.5
    assert rows.loc["net signal", "selectivity"] > 0.9
