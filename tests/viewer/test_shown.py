"""What a page shows: bins that keep means, sizes below the cap, flags, limits, texts, files."""

from __future__ import annotations

import base64
import io
import os
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

import residuekit as rk
from residuekit import viewer
from residuekit.errors import ContractError, ReadError, WriteError
from residuekit.schema import make_map, make_points
from residuekit.viewer import bins
from residuekit.viewer.live_page import palette
from residuekit.viewer.shown import KEPT, LEFT_OUT, quiet

BAND = {"name": "own C-O", "low": 1060.0, "high": 1130.0}
PAGE_BYTES = bins.PAGE_MB * 1_000_000


class _Tags(HTMLParser):
    """The tags of a page, and those of them that fetch something."""

    def __init__(self):
        super().__init__()
        self.names, self.fetching, self.policy = set(), [], ""

    def handle_starttag(self, tag, attrs):
        self.names.add(tag)
        if {"src", "href", "data", "action"} & set(dict(attrs)):
            self.fetching.append((tag, attrs))
        if dict(attrs).get("http-equiv") == "Content-Security-Policy":
            self.policy = dict(attrs)["content"]


def _flat(n_y, n_x, n_channels, seed=0, **state):
    rng = np.random.default_rng(seed)
    values = rng.normal(1.0, 0.1, (n_y, n_x, n_channels))
    array = make_map(
        values, 900.0 + np.arange(n_channels), np.arange(n_x) * 2.0, np.arange(n_y) * 2.0
    )
    return array.assign_coords({name: (("y", "x"), given) for name, given in state.items()})


@settings(deadline=None)
@given(
    n_y=st.integers(1, 9), n_x=st.integers(1, 9), n_channels=st.integers(2, 11),
    space=st.integers(1, 5), along=st.integers(1, 4), seed=st.integers(0, 99),
)  # fmt: skip
def test_binning_keeps_the_mean_of_the_valid_pixels(n_y, n_x, n_channels, space, along, seed):
    array = _flat(n_y, n_x, n_channels, seed)
    valid = np.random.default_rng(seed).random((n_y, n_x)) < 0.7
    binned = bins.bin_spectra(array, valid, bins.Bins(space, along))
    weight = bins.bin_pixels(valid.astype(np.int64), space)
    assert binned.shape == (-(-n_y // space), -(-n_x // space), -(-n_channels // along))
    assert weight.sum() == valid.sum()
    if valid.any():
        mean = np.average(binned[weight > 0], axis=0, weights=weight[weight > 0])
        true = array.values[valid].astype(float).mean(axis=0)
        parts = [true[k : k + along].mean() for k in range(0, n_channels, along)]
        np.testing.assert_allclose(mean, parts, rtol=1e-6)


@settings(deadline=None)
@given(size=st.integers(1, 20))
def test_pixels_meet_halfway(size):
    sides = bins.edges(2.0 * np.arange(size))
    assert sides.size == size + 1
    step = 2.0 if size > 1 else 1.0
    assert sides[[0, -1]].tolist() == [-step / 2, 2.0 * (size - 1) + step / 2]
    assert (np.diff(sides) > 0).all()


@pytest.mark.parametrize(
    ("shape", "said"),
    [
        ((24, 24, 751), "24 x 24 pixels, each with its score and its spectrum."),
        ((64, 64, 751), "the mean of 2 x 2 pixels and 2 neighbouring channels."),
        ((256, 200, 60), "the mean of 3 x 3 pixels."),
        ((20, 20, 3000), "the mean of 2 neighbouring channels."),
    ],
)
def test_a_page_stays_below_its_cap_and_says_what_was_averaged(shape, said):
    flag = np.full(shape[:2], 26 if shape[0] > 100 else 0, np.uint16)
    array = _flat(*shape, flag=flag, valid=np.ones(shape[:2], bool))
    text = viewer.view(array, markers=[{"name": "own", "low": 905.0, "high": 920.0}])
    assert said in text.shown.notes[0]
    assert "below 5 MB" in text.shown.notes[0] or shape[0] == 24
    assert text.shown.layers[0].pixels.shape == shape[:2]
    assert len(text.to_html().encode()) < PAGE_BYTES


def test_a_page_can_be_asked_to_stay_below_another_size():
    array = _flat(24, 24, 751)
    small = viewer.view(array, markers=[], most_mb=0.35)
    assert "below 0.35 MB" in small.shown.notes[0]
    assert len(small.to_html().encode()) < 350_000
    with pytest.raises(ContractError, match=r"which need (\d+\.\d) MB.*most_mb=(\d+)") as caught:
        viewer.view(_flat(300, 300, 12), markers=[], most_mb=0.3)
    enough = int(re.search(r"most_mb=(\d+)", str(caught.value)).group(1))
    found = viewer.view(_flat(300, 300, 12), markers=[], most_mb=enough)
    assert len(found.to_html().encode()) < enough * 1_000_000


def test_too_many_point_spectra_are_refused_with_how_many_fit():
    points = make_points(np.ones((6000, 500)), 900.0 + np.arange(500))
    with pytest.raises(ContractError, match=r"isel\(spectrum=slice\(0, (\d+)\)\)") as caught:
        viewer.view(points, markers=[])
    most = int(re.search(r"at most (\d+)", str(caught.value)).group(1))
    assert len(viewer.view(points[:most], markers=[]).to_html()) < PAGE_BYTES


def _ramp():
    """A map, 4 x 6, whose score is 0.01 times the number of its column, with its scores."""
    heights = np.tile(np.arange(6.0), (4, 1))[:, :, None] * np.ones(100) * 0.01
    array = make_map(heights, 1000.0 + np.arange(100), 3.0 * np.arange(6), 3.0 * np.arange(4))
    scores = rk.band_score(array, [BAND | {"low": 1010.0, "high": 1090.0}])
    scores["score"] = scores["score"].copy(data=heights[None, :, :, 0])
    return array, scores


def test_noise_below_the_limit_takes_half_the_scale_and_is_faded():
    array, scores = _ramp()
    shown = viewer.view(array, markers=[], scores=scores, limit=0.06).shown
    layer, other = shown.layers
    low, high = layer.scale
    assert (low, high) == pytest.approx((0.0, 2.5 * 0.06))
    colours = palette(layer)
    faded = [int(colour[1:3], 16) >= 0.6 * 255 - 1 and int(colour[5:7], 16) >= 0.6 * 255 - 1
             for colour in colours]  # fmt: skip
    assert all(faded[: int(0.4 * 256)])
    assert not any(faded[-128:])
    assert "the others are paler" in layer.words
    assert other.scale[1] <= other.pixels.max()
    assert other.fade_limit == -np.inf


def test_flags_are_told_in_words(small_map):
    shown = viewer.view(small_map, markers=[BAND]).shown
    left, kept = (1, 2), (3, 4)
    assert (shown.state[left], shown.state[kept]) == (LEFT_OUT, KEPT)
    words = [shown.state_words[shown.said[at]] for at in (left, kept, (0, 0))]
    assert words == ["left out: noise far above that of the other pixels of the map",
                     "kept: interference fringes", "valid"]  # fmt: skip
    assert np.isnan(shown.layers[0].pixels[left])
    assert np.isfinite(shown.spectra[left[0] * 7 + left[1]]).all()
    assert shown.notes[1].startswith("1 of 35 spectra left out. Dots (1)")


def test_quality_gives_its_flags_to_a_processed_map(small_map):
    raw = small_map.drop_vars(["valid", "flag"]).copy()
    raw.values[2, 3] = 0.5
    shown = viewer.view(raw, quality=rk.check_quality(raw), markers=[BAND]).shown
    assert "a dead or covered detector element" in shown.state_words[shown.said[2, 3]]
    with pytest.raises(ContractError, match="the quality of the same map"):
        viewer.view(raw[:, :5], quality=rk.check_quality(raw))


def test_a_map_without_any_value_can_be_looked_at():
    array = make_map(np.full((3, 3, 20), np.nan), 1000.0 + np.arange(20))
    found = viewer.view(array, markers=[{"name": "own", "low": 1002.0, "high": 1015.0}])
    assert (found.shown.state == LEFT_OUT).all()
    (words,) = found.shown.state_words
    assert "at least one value of the spectrum is missing" in words
    assert found.to_png()[:4] == b"\x89PNG"
    assert "<script" in found.to_html()


def test_a_strip_can_be_clicked_and_says_that_it_is_not_to_scale(small_map):
    strip = viewer.view(small_map[:1], markers=[BAND])
    assert "drawn wider than to scale" in strip.to_html()
    assert "drawn wider than to scale" not in viewer.view(small_map, markers=[BAND]).to_html()
    assert strip.to_png()[:4] == b"\x89PNG"


def test_a_lazy_map_shows_the_same(small_map):
    lazy = small_map.chunk({"y": 2, "x": 3, "wavenumber": 40})
    one, other = (viewer.view(array, markers=[BAND]).shown for array in (small_map, lazy))
    np.testing.assert_array_equal(one.spectra, other.spectra)
    np.testing.assert_array_equal(one.layers[0].pixels, other.layers[0].pixels)


def test_without_markers_the_gel_bands_on_the_axis_can_be_chosen(small_map):
    shown = viewer.view(small_map).shown
    names = [layer.name for layer in shown.layers]
    assert "pva C-O 1092" in names
    assert "acetate C=O 1735" not in names
    assert shown.windows == ()


def test_the_limit_must_be_of_pixels_and_of_a_score_that_is_shown(small_map):
    values = np.random.default_rng(0).normal(0, 0.01, 30)
    pixel, mockup = (
        rk.limits.from_blanks(values, level=level, unit="A cm-1") for level in ("pixel", "mockup")
    )
    layer = viewer.view(small_map, markers=[BAND], limit=pixel).shown.layers[0]
    assert layer.limit == pixel.decision_limit
    with pytest.raises(ContractError, match="a mockup limit"):
        viewer.view(small_map, markers=[BAND], limit=mockup)
    with pytest.raises(ContractError, match="did you mean 'own C-O'"):
        viewer.view(small_map, markers=[BAND], limit={"own CO": 1.0})
    with pytest.raises(ContractError, match="the name of its score"):
        viewer.view(small_map, limit=1.0)


def test_scores_blanks_and_gel_must_belong_to_the_map(small_map, gel):
    scores = rk.band_score(small_map[:, :4], [BAND])
    with pytest.raises(ContractError, match="scores of the same map"):
        viewer.view(small_map, scores=scores)
    with pytest.raises(ContractError, match="a `score` over marker and pixels"):
        viewer.view(small_map, scores=xr.Dataset())
    for other in ({"blanks": small_map[..., 1:]}, {"gel": gel[:, 1:]}):
        with pytest.raises(ContractError, match="the axis of the others"):
            viewer.view(small_map, markers=[BAND], **other)
    with pytest.raises(ContractError, match="no blanks"):
        viewer.view(small_map, markers=[BAND], blanks=[])


@settings(deadline=None)
@given(st.text(alphabet="ab$\\([\n\t\u0007 ", max_size=12))
def test_no_text_is_taken_for_a_formula_or_breaks_a_line(text):
    shown = quiet(text)
    assert not re.search(r"\$\$|\\\(|\\\[|[\x00-\x1f]", shown)
    assert re.sub("[\u200b ]", "", shown) == re.sub(r"\s", "", text).replace("\x07", "□")


def test_the_page_carries_all_it_needs_and_a_policy_against_the_rest(small_map):
    text = viewer.view(small_map, markers=[BAND], title="</title><script>x</script>").to_html()
    tags = _Tags()
    tags.feed(text)
    assert {"script", "meta", "title"} <= tags.names
    assert tags.fetching == []
    assert tags.policy.startswith("default-src 'none'; img-src data: blob:; ")
    assert "unsafe" not in tags.policy
    assert "<script>x" not in text


def test_a_view_shows_itself_as_text_picture_and_page(small_map, gel):
    bundle = viewer.view(small_map, markers=[BAND], gel=gel, title="T & <b>")._repr_mimebundle_()
    assert set(bundle) == {"text/plain", "image/png", "text/html"}
    assert bundle["text/plain"].startswith("View of T & <b>\n  scores: own C-O, mean over")
    picture = Image.open(io.BytesIO(base64.b64decode(bundle["image/png"])))
    assert picture.size[0] > 800
    assert "T &amp; &lt;b&gt;" in bundle["text/html"]
    assert "<b>" not in bundle["text/html"]


def test_a_page_is_written_whole_or_not_at_all(small_map, tmp_path):
    found = viewer.view(small_map, markers=[BAND])
    assert (
        found.save(tmp_path / "map.html").read_text("utf-8").lstrip().startswith("<!DOCTYPE html>")
    )
    assert [path.name for path in tmp_path.iterdir()] == ["map.html"]
    with pytest.raises(WriteError):
        found.save(tmp_path / "absent" / "map.html")


def test_a_file_of_a_run_stands_beside_its_blanks_gel_and_limits(finished):
    result = finished.result
    file = result.provenance["maps"][-1]["file"]
    shown = rk.view_run(result, file).shown
    assert shown.title.startswith(file)
    assert shown.title.endswith(result.provenance["study"]["title"])
    own = result.mockups[result.mockups["role"] == "blank"]
    own = own[own["score"] == own["score"].iloc[0]]
    said = next(note for note in shown.notes if note.startswith("Blank mean: "))
    assert f"the mean spectra of {len(own)} water-only blank mock-ups" in said
    assert f"{own['n_pixels'].sum()} pixels" in said
    names = [layer.name for layer in shown.layers]
    assert names[0] == "net signal"
    assert "band: pva C-O 1092" in names
    assert "pva C-O 1092" not in names
    assert np.isfinite(shown.layers[0].limit)
    spectra = result.spectra
    mockup = xr.load_dataset(result.maps()[-1], engine="h5netcdf").attrs["mockup"]
    own = spectra["spectrum"].values[spectra["mockup"].values == mockup]
    np.testing.assert_allclose(shown.mean(), own[0], rtol=1e-4)
    blank = spectra["spectrum"].values[spectra["role"].values == "blank"].mean(axis=0)
    np.testing.assert_allclose(shown.references["blank"][1], blank, rtol=1e-5)
    assert set(shown.references) == {"blank", "gel"}


def test_a_file_that_is_not_the_run_s_own_is_refused(warm_study):
    result = warm_study.run()
    file = result.provenance["maps"][0]["file"]
    with pytest.raises(ReadError, match="a file that the run has scored"):
        rk.view_run(result.folder, "data/other.nc")
    with (warm_study.folder / file).open("ab") as stream:
        stream.write(b" ")
    with pytest.raises(ReadError, match="changed since the run"):
        rk.view_run(result, file)


def test_all_files_of_a_run_have_one_scale_of_colours(finished):
    result = finished.result
    files = [entry["file"] for entry in result.provenance["maps"]]
    one, other = (rk.view_run(result, files[k]).shown for k in (0, -1))
    scored = [k for k, layer in enumerate(one.layers) if layer.name != "mean over all wavenumbers"]
    assert len(scored) >= 2
    for k in scored:
        assert one.layers[k].scale == other.layers[k].scale
    pixels, limit = [], 0.0
    for path in result.maps():
        scores = result.score_map(path).sel(marker="net signal")
        pixels.append(scores["score"].values[scores["valid"].values])
        limit = max(limit, float(scores["pixel_limit"]))
    low, high = np.quantile(np.concatenate(pixels).astype(float), (0.01, 0.99))
    expected = (low, max(high, low + 2.5 * (limit - low)))
    assert one.layers[0].scale == pytest.approx(expected, rel=1e-6)


def test_further_maps_of_a_file_are_further_choices_named_by_residue(finished):
    """A run with a second residue: its map of the same file stands beside the first."""
    result = finished.result
    record = result.provenance
    entry = record["maps"][-1]
    further = [{**entry, "residue": "second gel"}, {**entry, "layer": "after less before"}]
    second = {**record, "maps": [*record["maps"], *further]}
    shown = rk.view_run(replace(result, provenance=second), entry["file"]).shown
    names = [layer.name for layer in shown.layers]
    assert f"{entry['residue']}, net signal" in names
    assert "second gel, net signal" in names
    assert f"{entry['residue']}, after less before, net signal" in names
    assert len(names) == len(set(names))
    assert np.isfinite(shown.layers[names.index("second gel, net signal")].limit)


def test_the_study_s_picture_lies_under_the_map(finished):
    result = finished.result
    entry = result.provenance["maps"][-1]
    picture = result.folder.parents[1] / "data" / "photo.png"
    since = picture.parent.stat().st_mtime_ns
    Image.new("RGB", (2000, 1000), (170, 180, 160)).save(picture)
    figure = {"image": "data/photo.png", "image_affine": [0.1, 0, 5, 0, -0.1, 40]}
    study = {**result.provenance["study"], "figure": figure}
    made = replace(result, provenance={**result.provenance, "study": study})
    photo = rk.view_run(made, entry["file"]).shown.photo
    assert (photo.columns, photo.rows, photo.affine) == (2000, 1000, (0.1, 0, 5, 0, -0.1, 40))
    assert len(photo.url) < 100_000
    figure["image_mockup"] = "another"
    assert rk.view_run(made, entry["file"]).shown.photo is None
    picture.unlink()
    os.utime(picture.parent, ns=(since, since))  # the study is shared: it is left as it was
    assert rk.view_run(result, entry["file"]).shown.photo is None


def test_an_image_is_a_picture_with_six_numbers(small_map, tmp_path):
    Image.new("RGB", (30, 20)).save(tmp_path / "photo.png")
    with pytest.raises(ContractError, match="image_affine of 2 numbers"):
        viewer.view(small_map, image=tmp_path / "photo.png", image_affine=[1.0, 2.0])
    (tmp_path / "broken.png").write_bytes(b"no picture")
    with pytest.raises(ReadError, match="which is no picture"):
        viewer.view(small_map, image=tmp_path / "broken.png")


def test_several_gels_stand_beside_by_their_names(small_map, gel):
    view = viewer.view(small_map, markers=[], gel={"gel A": gel, "gel B": 2 * gel})
    words = [words for words, _ in view.shown.references.values()]
    assert [one.partition(" ×")[0] for one in words] == ["pure gel A", "pure gel B"]
    assert 'class="gel"' in view.to_html()
