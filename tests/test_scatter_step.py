"""Scatter correction as a step: reference and kept spectra from files, each with its digest."""

from __future__ import annotations

import numpy as np
import pytest

import residuekit as rk
from residuekit import io, schema
from residuekit.errors import ContractError, ProcedureError, StudyError
from residuekit.spectra.procedure import Procedure
from residuekit.spectra.survival import band_survival
from residuekit.study import load_manifest
from residuekit.study.inspect import check_folder

AXIS = np.linspace(800.0, 1900.0, 276)
PAINT = sum(np.exp(-(((AXIS - c) / w) ** 2)) for c, w in ((900, 30), (1150, 60), (1420, 40)))
AGED = np.exp(-(((AXIS - 1640) / 45) ** 2))
GEL = np.exp(-(((AXIS - 1092) / 25) ** 2)) + 0.4 * np.exp(-(((AXIS - 1735) / 18) ** 2))
LEVEL = 0.1 + 2e-5 * (AXIS - 1000)


def points(rows, quantity="absorbance"):
    return schema.make_points(np.atleast_2d(rows), AXIS, quantity=quantity)


@pytest.fixture
def files(tmp_path):
    """Two blanks (the second of three spectra, one of them missing), the gel, aged paint."""
    second = points(np.array([1.5, 2.5, np.nan])[:, None] * PAINT)
    for name, array in (("one", points(PAINT + LEVEL)), ("two", second), ("gel", points(0.3 * GEL)),
                        ("aged", points(0.2 * AGED))):  # fmt: skip
        io.write(array, tmp_path / f"{name}.nc")
    return {name: str(tmp_path / f"{name}.nc") for name in ("one", "two", "gel", "aged")}


def parameters(files, **changes):
    return {"blanks": [files["one"], files["two"]], "kept": [files["gel"], files["aged"]],
            "order": 1, **changes}  # fmt: skip


def measured(n=40, seed=0):
    """Paint of several thicknesses with gel and ageing on a slope, and what should be left."""
    rng = np.random.default_rng(seed)
    left = 1.5 * (PAINT + rng.uniform(0, 0.2, (n, 1)) * GEL + rng.uniform(0, 0.1, (n, 1)) * AGED)
    slope = rng.uniform(-0.1, 0.1, (n, 2)) @ [np.ones_like(AXIS), (AXIS - 1350) / 550]
    return points(rng.uniform(0.5, 2, (n, 1)) * left + slope), left


def test_thickness_and_slope_go_and_gel_and_ageing_stay(files):
    """The reference is the mean of the two blanks: 1.5 paints and half of the first one's line."""
    array, left = measured()
    found = rk.correct_scatter(array, **parameters(files)).values
    np.testing.assert_allclose(found, left + LEVEL / 2, atol=2e-6)


def test_order_0_with_nothing_kept_is_the_regression_on_the_blank_mean(files):
    """Geladi, MacDougall & Martens 1985: numpy's straight-line fit does the same."""
    array, _ = measured()
    found = rk.correct_scatter(array, [files["one"]], order=0)
    mean = io.read(files["one"]).values[0].astype(float)
    slope, level = np.polyfit(mean, array.values.astype(float).T, 1)
    np.testing.assert_allclose(found, (array - level[:, None]) / slope[:, None], atol=1e-5)


def test_the_history_holds_digests_and_makes_the_same_again_and_no_other(files):
    array, _ = measured()
    found = rk.correct_scatter(array, **parameters(files))
    entry = schema.history(found)[-1]
    assert entry["digests"] == [io.sha256(files[name]) for name in ("one", "two", "gel", "aged")]
    again = Procedure.from_toml(Procedure.from_steps([entry]).to_toml())
    np.testing.assert_array_equal(again.apply(array), found)
    io.write(points(GEL), files["gel"])
    with pytest.raises(ProcedureError, match="another sha256") as caught:
        again.apply(array)
    assert len(caught.value.faults) == 1


def test_the_files_go_through_the_steps_of_the_spectra(files, tmp_path):
    array, _ = measured()
    steps = [{"step": "to_absorbance"}, {"step": "crop", "low": 850, "high": 1800},
             {"step": "smooth", "window": 7}]  # fmt: skip
    last = {"step": "correct_scatter", **parameters(files)}
    found = Procedure.from_steps([*steps, last]).apply(array)
    before = Procedure.from_steps(steps)
    made = {name: str(tmp_path / f"{name}-done.nc") for name in files}
    for name, file in files.items():
        io.write(before.apply(io.read(file)), made[name])
    done = Procedure.from_steps([*steps, {"step": "correct_scatter", **parameters(made)}])
    np.testing.assert_allclose(found, done.apply(array), atol=1e-6)
    assert found.sizes["wavenumber"] < array.sizes["wavenumber"]


def test_blocks_and_lazy_arrays_give_the_same(files):
    array, _ = measured()
    procedure = Procedure.from_steps(
        [{"step": "crop", "low": 850, "high": 1800},
         {"step": "correct_scatter", **parameters(files)}]
    )  # fmt: skip
    lazy = procedure.apply(array.chunk({"spectrum": 7}))
    assert lazy.chunks is not None
    np.testing.assert_allclose(lazy.compute(), procedure.apply(array), atol=1e-6)


def test_a_spectrum_that_holds_no_paint_is_lost_and_touches_no_other(files):
    array, _ = measured(4)
    array.values[1] *= -1
    array.values[2, 7] = np.nan
    array = points(array.values)
    found = rk.correct_scatter(array, **parameters(files))
    assert found["valid"].values.tolist() == [True, False, False, True]


def test_of_a_pure_material_the_polynomial_alone_is_taken_off(files):
    procedure = Procedure.from_steps([{"step": "correct_scatter", **parameters(files)}])
    pure = procedure.for_pure_materials()
    assert pure.steps[0][1]["thickness"] is False
    array = points(np.array([GEL, 0.2 - GEL]) + 0.1 * (AXIS - 1350) / 550)
    found = pure.apply(array).values
    expected = np.array([GEL, -GEL])
    np.testing.assert_allclose(found - found[:, [0]], expected - expected[:, [0]], atol=1e-6)
    assert Procedure().for_pure_materials() == Procedure()


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"blanks": []}, "a list of paths"), ({"kept": ["nowhere.nc"]}, "no file 'nowhere.nc'"),
     ({"blanks": "one.nc"}, "a list of paths"), ({"digests": ["0" * 64]}, "1 digests of 4 files"),
     ({"digests": ["0" * 64] * 4}, "another sha256"),
     ({"digests": ["abc"]}, "64 hexadecimal digits"),
     ({"order": -1}, "a whole number"), ({"thickness": 1}, "true or false")],
)  # fmt: skip
def test_wrong_parameters_are_refused(files, changes, words):
    with pytest.raises(ProcedureError, match=words):
        Procedure.from_steps([{"step": "correct_scatter", **parameters(files, **changes)}]).apply(
            measured(2)[0]
        )


def test_files_that_do_not_fit_are_refused(files, tmp_path):
    def refused(array, words, kind=ProcedureError):
        file = str(tmp_path / "odd.nc")
        io.write(array, file)
        with pytest.raises(kind, match=words):
            rk.correct_scatter(measured(2)[0], [files["one"]], [file])

    refused(schema.make_points(GEL, AXIS + 1.0), "the axis of the spectra")
    refused(schema.make_points(GEL[:-1], AXIS[:-1]), "the axis of the spectra")
    refused(points(10**-GEL, "transmittance"), "of transmittance; needed absorbance")
    refused(points(np.full((2, AXIS.size), np.nan)), "without a valid spectrum")
    refused(rk.smooth(points(GEL)), "after the steps")
    refused(points(2 * PAINT), "mixtures of each other", ContractError)


def test_numbers_changed_outside_are_refused_for_no_file_can_follow(files):
    array, _ = measured(2)
    with pytest.raises(ProcedureError, match="spectra after 'changed outside'"):
        rk.correct_scatter(2 * array, [files["one"]])


def test_a_limit_by_injection_goes_through_it(files):
    rng = np.random.default_rng(1)
    blanks = {
        name: points(measured(4, seed)[1] + 0.01 * rng.normal(size=(4, AXIS.size)))
        for seed, name in enumerate("abc")
    }
    own = {"name": "own", "low": 1050, "high": 1135}
    steps = [{"step": "correct_scatter", **parameters(files)}]
    limit = rk.calibration.from_injection(
        blanks, points(GEL), lambda m: rk.band_score(m, [own]),
        procedure=Procedure.from_steps(steps), loadings=[0.1, 1.0],
    )  # fmt: skip
    assert 0 < limit.decision_limit < limit.detection_limit


def test_a_kept_gel_survives_whole_beside_the_thickness(files):
    blank, _ = measured(20)
    marker = {"name": "C-O", "low": 1050.0, "high": 1135.0}
    procedure = Procedure.from_steps(
        [{"step": "correct_scatter", "blanks": [files["one"]], "kept": [files["gel"]]}]
    )
    survival = band_survival(procedure, blank, points(GEL), [marker], height=0.2)
    assert survival.to_frame()["share"].iloc[0] == pytest.approx(1.0, abs=0.005)


STEP = '{step = "crop", low = 910, high = 1840},'


def with_scatter(study, gel="data/gel.nc"):
    rows = {row["role"]: row["file"] for row in study.rows()}
    study.edit(STEP, f'{STEP}\n    {{step = "correct_scatter", blanks = ["{rows["blank"]}"], '
                     f'kept = ["{gel or rows["reference"]}"]}},')  # fmt: skip


def test_a_study_finds_pins_and_uses_the_files(study):
    with_scatter(study, gel="")
    step, found = load_manifest(study.folder).procedure.steps[1]
    assert step == "correct_scatter"
    assert found["digests"] == [io.sha256(file) for file in (*found["blanks"], *found["kept"])]
    assert "Nothing is wrong" in check_folder(study.folder)


def test_a_file_that_is_not_in_the_study_is_refused_with_its_line(study):
    with_scatter(study, gel="../gel.nc")
    with pytest.raises(StudyError, match="which is not there") as caught:
        load_manifest(study.folder)
    assert caught.value.faults[0].line is not None


@pytest.mark.usefixtures("without_pictures")
def test_a_study_runs_with_it_and_decides_by_the_net_signal(study):
    with_scatter(study, gel="")
    result = study.run()
    assert (result.verdicts["score"] == "net signal").all()
    assert not result.provenance["failures"]
