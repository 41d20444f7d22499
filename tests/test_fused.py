"""The fused way: block by block, lazily, in processes and on a cluster, with the same numbers."""

import json
import weakref

import numpy as np
import pytest
import xarray as xr

from residuekit import schema
from residuekit.decision.net import net_signal
from residuekit.decision.score_maps import band_score, score_by_net
from residuekit.errors import ProcedureError
from residuekit.spectra import procedure as procedures
from residuekit.spectra.procedure import Procedure

AXIS = np.linspace(900.0, 1900.0, 251)
PROCEDURE = Procedure.from_steps(
    [
        {"step": "crop", "low": 910, "high": 1880},
        {"step": "correct_baseline", "method": "asymmetric least squares", "smoothness": 1e4},
        {"step": "smooth", "window": 7},
        {"step": "normalise", "method": "internal standard", "low": 1500, "high": 1600},
    ]
)
MARKERS = [{"name": "low", "low": 1050.0, "high": 1130.0},
           {"name": "high", "low": 1690.0, "high": 1780.0}]  # fmt: skip


def score(block: xr.DataArray) -> xr.Dataset:
    return band_score(block, MARKERS)


def make_map(quantity: str = "absorbance") -> xr.DataArray:
    """13 x 11 spectra; some flat, saturated or missing, one invalid for another reason."""
    rng = np.random.default_rng(8)
    values = 0.2 + 0.1 * np.sin(AXIS / 500) + rng.normal(0, 0.001, (13, 11, AXIS.size))
    for centre in (1090, 1550, 1735):
        values += rng.uniform(0.2, 0.6, (13, 11, 1)) * np.exp(-(((AXIS - centre) / 18) ** 2))
    values[0, 3] = 0.3
    values[5, 5, 100] = np.nan
    values[6, 6, 0] = np.nan
    values[7, :, 60:70] = 4.0
    if quantity == "transmittance":
        values = 10**-values
        values[9, 2, 40] = 0.0
    array = schema.make_map(values, AXIS, np.arange(11.0), np.arange(13.0), quantity=quantity)
    array["valid"][2, 2], array["flag"][2, 2] = False, schema.FLAGS["noisy"][0]
    return array


def step_by_step(procedure: Procedure, array: xr.DataArray) -> xr.DataArray:
    for name, parameters in procedure.steps:
        array = procedures.STEPS[name](array, **parameters)
    return array


def assert_same(found: xr.DataArray, expected: xr.DataArray) -> None:
    xr.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-6)
    assert found.name == expected.name
    assert found.attrs == expected.attrs
    assert found["flag"].attrs.keys() == expected["flag"].attrs.keys()
    for name in ("valid", "flag"):
        np.testing.assert_array_equal(found[name], expected[name])


@pytest.fixture(params=[1, 10, 4096])
def at_once(request, monkeypatch):
    monkeypatch.setattr(procedures, "SPECTRA_AT_ONCE", request.param)


@pytest.mark.usefixtures("at_once")
def test_blocks_of_any_size_give_what_the_steps_give_one_after_the_other():
    array = make_map()
    assert_same(PROCEDURE.apply(array), step_by_step(PROCEDURE, array))


@pytest.mark.usefixtures("at_once")
def test_scores_block_by_block_are_those_of_the_processed_map():
    array = make_map()
    expected = score(PROCEDURE.apply(array))
    found = PROCEDURE.score(array, score)
    xr.testing.assert_allclose(found, expected, rtol=1e-6)
    assert found["score"].dims == expected["score"].dims
    assert json.loads(found.attrs["history"]) == json.loads(expected.attrs["history"])


def test_the_first_step_may_change_the_quantity_and_flag_spectra():
    array = make_map("transmittance")
    procedure = Procedure.from_steps([{"step": "to_absorbance", "stray_level": 0.001},
                                      {"step": "crop", "low": 1000, "high": 1800}])  # fmt: skip
    found = procedure.apply(array)
    assert_same(found, step_by_step(procedure, array))
    assert int(found["flag"][9, 2]) & schema.FLAGS["saturated"][0]


def test_points_keep_their_names():
    points = schema.make_points(make_map().values[4], AXIS, [f"spot {i}" for i in range(11)])
    found = PROCEDURE.apply(points)
    assert_same(found, step_by_step(PROCEDURE, points))
    xr.testing.assert_identical(found["spectrum"].drop_vars(["valid", "flag"]),
                                points["spectrum"].drop_vars(["valid", "flag"]))  # fmt: skip


@pytest.mark.parametrize("scheduler", ["synchronous", "threads", "processes"])
def test_a_lazy_map_stays_lazy_and_gives_the_same_numbers(scheduler):
    import dask

    array = make_map()
    lazy = array.chunk({"y": 5, "x": 4, "wavenumber": 100})
    found, scored = PROCEDURE.apply(lazy), PROCEDURE.score(lazy, score)
    assert found.chunks is not None
    assert scored["score"].chunks is not None
    with dask.config.set(scheduler=scheduler):
        assert_same(found.compute(), PROCEDURE.apply(array))
        xr.testing.assert_allclose(scored.compute(), PROCEDURE.score(array, score), rtol=1e-6)


class Counted:
    """A lazy map of blocks that count how many of them are held at once."""

    def __init__(self, array: xr.DataArray, size: int):
        import dask.array as da

        self.alive = self.most = self.made = 0
        self._values, shape = array.values.astype(np.float32), array.shape[:-1]
        chunks = tuple((size,) * (n // size) for n in shape)
        blocks = da.map_blocks(
            self._block, chunks=(*chunks, array.shape[-1:]), dtype=np.float32,
            meta=np.empty((0, 0, 0), np.float32),
        )  # fmt: skip
        self.array = schema.make_map(blocks, AXIS, array["x"].values, array["y"].values)

    def _block(self, block_info=None):
        place = tuple(slice(*ends) for ends in block_info[None]["array-location"])
        block = self._values[place].copy()
        self.alive, self.made = self.alive + 1, self.made + 1
        self.most = max(self.most, self.alive)
        weakref.finalize(block, self._gone)
        return block

    def _gone(self):
        self.alive -= 1


@pytest.mark.parametrize("way", ["bands", "net signal"])
def test_a_large_lazy_map_is_scored_and_its_scores_written_block_by_block(way, tmp_path):
    import dask

    array = make_map().isel(y=slice(0, 12), x=slice(0, 10)).drop_vars(["valid", "flag"])
    array = schema.make_map(array.values, AXIS, array["x"].values, array["y"].values)
    net = net_signal(PROCEDURE.apply(array)[0, :2], PROCEDURE.apply(array)[8:])
    one = score if way == "bands" else lambda block: score_by_net(block, net)
    counted = Counted(array, 2)
    scored = PROCEDURE.score(counted.array, one)
    assert counted.made == 0
    with dask.config.set(scheduler="threads", num_workers=2):
        scored.to_netcdf(tmp_path / "scores.nc", engine="h5netcdf")
    assert counted.made == 30  # each block once, for scores, errors, valid and flag together
    assert counted.most <= 6
    with xr.open_dataset(tmp_path / "scores.nc", engine="h5netcdf") as found:
        expected = one(PROCEDURE.apply(array))
        for name in ("score", "standard_error", "valid", "flag", "y", "x", "marker", "unit"):
            np.testing.assert_array_equal(found[name].values, expected[name].values, name)


def test_flags_may_be_chunked_otherwise_than_values():
    array = make_map()
    lazy = array.chunk({"y": 5, "x": 4})
    lazy = lazy.assign_coords(valid=array["valid"].chunk({"y": 3}), flag=array["flag"])
    assert_same(PROCEDURE.apply(lazy).compute(), PROCEDURE.apply(array))


def test_a_cluster_gives_the_same_numbers():
    from dask.distributed import Client, LocalCluster

    array = make_map()
    with (
        LocalCluster(n_workers=2, threads_per_worker=2, dashboard_address=None) as cluster,
        Client(cluster),
    ):
        lazy = array.chunk({"y": 5, "x": 4})
        found, scored = PROCEDURE.apply(lazy).compute(), PROCEDURE.score(lazy, score).compute()
    assert_same(found, PROCEDURE.apply(array))
    xr.testing.assert_allclose(scored, PROCEDURE.score(array, score), rtol=1e-6)


def test_nothing_is_computed_before_it_is_asked_for_but_a_step_that_cannot_be_is_refused_at_once():
    import dask.array as da

    def explode(_block):
        raise AssertionError("computed")

    values = da.ones((4, 4, AXIS.size), chunks=2, dtype=np.float32).map_blocks(
        explode, dtype=np.float32, meta=np.empty((0, 0, 0), np.float32)
    )
    lazy = schema.make_map(values, AXIS)
    assert PROCEDURE.apply(lazy).shape == (4, 4, 243)
    with pytest.raises(ProcedureError, match="in step 1"):
        Procedure.from_steps([{"step": "crop", "low": 1, "high": 2}]).apply(lazy)


def test_an_error_inside_a_block_names_the_step():
    stiff = Procedure.from_steps([{"step": "crop", "low": 910, "high": 1880},
                                  {"step": "correct_baseline", "smoothness": 1e20}])  # fmt: skip
    with pytest.raises(ProcedureError, match="in step 2, a baseline so stiff"):
        stiff.apply(make_map())
