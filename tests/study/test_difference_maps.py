"""Difference maps of a simulated study before and after treatment, whose truth is known."""

from __future__ import annotations

import shutil
from dataclasses import replace

import numpy as np
import pytest
from pictures import assert_legible

import residuekit as rk
from residuekit.errors import ContractError
from residuekit.figures.difference_panel import difference_rows
from residuekit.report.small_panels import differences_caption, svg
from residuekit.schema import make_map, make_points
from residuekit.simulate import simulate_study
from residuekit.simulate.maps import even_axis
from residuekit.simulate.materials import gel_response
from residuekit.study import Study
from residuekit.study.inspect import check_folder
from residuekit.viewer.live_page import palette
from residuekit.words.codes import Note, sentence
from residuekit.words.differences import COMMENT, WHY
from tests.conftest import StudyCopy, small_design

pytestmark = pytest.mark.usefixtures("without_pictures")

BAND = "band: pva C-O 1092"
LOADING = 6.0
SIDE = 12
CORNER = np.zeros((SIDE, SIDE), bool)
CORNER[:4, SIDE - 4 :] = True
TREATED = "data/alkyd_pva-cryogel-2min-2min_1_map1.nc"


def before_of(file: str) -> str:
    return file.replace("_map1", "_before_map1")


def rewrite(study: StudyCopy, file: str, change) -> None:
    """Write a file again with its values and positions changed."""
    array = rk.read(study.folder / file)
    values, x, y = change(array.values.copy(), array["x"].values, array["y"].values)
    rk.write(make_map(values, array["wavenumber"].values, x, y, technique=array.attrs["technique"]),
             study.folder / file)  # fmt: skip


def with_residue(values, x, y):
    """Residue in the lower right corner alone: few rows from the bottom, the last columns."""
    values[CORNER] += LOADING * gel_response("PVA cryogel", even_axis(*small_design().axis))
    return values, x, y


def made(folder, **design) -> StudyCopy:
    planned = replace(small_design(), before=True, shape=(SIDE, SIDE), **design)
    simulate_study(folder, planned, seed=3)
    return StudyCopy(folder)


@pytest.fixture(scope="module")
def pattern(tmp_path_factory):
    """A residue in one corner of one map of the arm that carries none otherwise; one run."""
    study = made(tmp_path_factory.mktemp("differences") / "study", in_place=True)
    rewrite(study, TREATED, with_residue)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("residuekit.study.run._present", lambda *_: None)
        return study, study.run()


@pytest.fixture
def copy(pattern, tmp_path):
    """A copy that keeps what the run has computed."""
    runs = shutil.ignore_patterns("2*Z*", "latest")
    return StudyCopy(shutil.copytree(pattern[0].folder, tmp_path / "study", ignore=runs))


def difference(result, file=TREATED):
    (entry,) = [one for one in result.map_entries("difference") if one["file"] == file]
    return result.score_map(result.folder / entry["map"])


def after(result, file=TREATED):
    (entry,) = [one for one in result.map_entries() if one["file"] == file]
    return result.score_map(result.folder / entry["map"])


def test_a_residue_in_a_corner_stands_there_and_nowhere_else(pattern):
    _, result = pattern
    found = difference(result).sel(marker="net signal")
    values, limit = found["score"].values, float(found["pixel_limit"])
    assert (values[CORNER] > limit).all()
    assert not (np.abs(values[~CORNER]) > limit).any()
    spread = float(found["standard_error"])
    assert values[CORNER].mean() == pytest.approx(LOADING, abs=0.5)
    apart = values[CORNER].mean() - values[~CORNER].mean()
    error = spread * np.sqrt(1 / CORNER.sum() + 1 / (~CORNER).sum())
    assert apart == pytest.approx(LOADING, abs=4 * error + 0.05 * LOADING)
    mockups = result.mockups.query("mockup == @found.attrs['mockup'] and score == 'net signal'")
    assert values.mean() == pytest.approx(mockups["mean"].iloc[0], abs=1e-4)


def test_each_pixel_is_after_less_before_in_the_unit_of_the_score(pattern):
    study, result = pattern
    states = study.arrays([TREATED, before_of(TREATED)])
    one, other = (rk.band_score(array, ["pva C-O 1092"])["score"].values[0] for array in states)
    found = difference(result).sel(marker=BAND)
    row = result.markers.query("score == @BAND").iloc[0]
    expected = (one - other) / row["slope"] - float(found["blank_change"])
    np.testing.assert_allclose(found["score"].values, expected, rtol=1e-4, atol=1e-3)
    assert str(found["unit"].values) == row["unit"] == "ug cm-2"


def test_texture_of_both_states_cancels_and_noise_of_both_stays(pattern, tmp_path):
    _, result = pattern
    file = TREATED.replace("_1_map", "_2_map")
    ratio = {
        name: float(difference(result, file).sel(marker=name)["score"].std()
                    / after(result, file).sel(marker=name)["score"].std())
        for name in ("net signal", BAND)
    }  # fmt: skip
    assert ratio[BAND] < 0.5  # a band sees the texture of the paint
    assert ratio["net signal"] == pytest.approx(np.sqrt(2), rel=0.15)  # the net signal does not
    assert difference(result, file).attrs["texture_correlation"] > 0.95
    elsewhere = made(tmp_path / "elsewhere").run()
    found = difference(elsewhere, file)
    assert abs(found.attrs["texture_correlation"]) < 0.9
    wide, plain = (one.sel(marker=BAND)["score"].std() for one in (found, after(elsewhere, file)))
    assert float(wide / plain) > 2 * ratio[BAND]
    for one in (difference(result, file), found):
        seen = one.sel(marker="net signal")
        assert float(seen["score"].std()) == pytest.approx(float(seen["standard_error"]), rel=0.2)


def test_the_pixel_limit_of_a_difference_counts_two_pixels(pattern):
    _, result = pattern
    apart, plain = difference(result), after(result)
    assert (apart["pixel_limit"] > plain["pixel_limit"]).all()
    assert (apart["pixel_limit"] < np.sqrt(2) * plain["pixel_limit"] * (1 + 1e-9)).all()
    assert apart.attrs["layer"] == "difference"
    assert apart.attrs["comment"] == COMMENT
    assert "not known to a pixel" in COMMENT
    assert before_of(TREATED).removeprefix("data/") in apart.attrs["before_source"]


def test_every_paired_mockup_has_one_and_the_record_says_where(pattern):
    study, result = pattern
    entries = result.map_entries("difference")
    plain = result.map_entries()
    assert [one["file"] for one in entries] == [one["file"] for one in plain]
    assert all(one["before"] == before_of(one["file"]) for one in entries)
    assert result.maps(layer="difference") == [result.folder / one["map"] for one in entries]
    assert result.maps() == [result.folder / one["map"] for one in plain]
    assert len(result.maps("exposed", "difference")) == len(study.files("exposed"))
    assert not result.verdicts["codes"].str.contains("no-difference-map").any()
    files = sorted(path.name for path in (result.folder / "maps").iterdir())
    assert files == sorted(one["map"].removeprefix("maps/") for one in [*entries, *plain])


def test_grids_that_do_not_agree_are_refused_with_a_note(copy):
    exposed = copy.files("exposed", exposure_min="60")
    blanks = copy.files("blank")
    rewrite(copy, before_of(exposed[0]), lambda v, x, y: (v, x + 25.0, y))
    rewrite(copy, before_of(exposed[1]), lambda v, x, y: (v[:, :-1], x[:-1], y))
    rewrite(copy, before_of(exposed[2]), lambda v, x, y: (v, 1.1 * x, 1.1 * y))
    rewrite(copy, before_of(blanks[0]), lambda v, x, y: (v[:, ::-1], x, y))
    rewrite(copy, before_of(blanks[1]), lambda v, *_: (v, None, None))
    array = rk.read(copy.folder / before_of(blanks[2]))
    rk.write(make_points(array.mean(("y", "x")).values, array["wavenumber"].values,
                         technique=array.attrs["technique"]),
             copy.folder / before_of(blanks[2]))  # fmt: skip
    again = before_of(blanks[3]).replace("map1", "map2")
    rewrite(copy, before_of(blanks[3]), lambda v, x, y: (v, x, y))
    array = rk.read(copy.folder / before_of(blanks[3]))
    noise = np.random.default_rng(1).normal(0, 1e-3, array.shape)
    rk.write(array.copy(data=array.values + noise), copy.folder / again)
    rows = copy.rows()
    copy.write_rows([*rows, {**next(r for r in rows if r["file"] == before_of(blanks[3])),
                             "file": again}])  # fmt: skip
    foretold = check_folder(copy.folder)
    result = copy.run()
    refused = {*exposed, *blanks}
    assert not refused & {one["file"] for one in result.map_entries("difference")}
    assert {one["file"] for one in result.map_entries()} >= refused
    row = result.verdicts.query("exposure_min == 60").iloc[0]
    assert (row["paired"], row["verdict"]) == ("before", "detected")
    notes = [one for one in result.notes(row).remarks if one.code == "no-difference-map"]
    named = {note.numbers["why"]: note.numbers["mockups"] for note in notes}
    wanted = {"place": exposed[0], "size": exposed[1], "step": exposed[2], "turned": blanks[0],
              "unscaled": blanks[1], "points": blanks[2], "several": blanks[3]}  # fmt: skip
    mockups = {row["file"]: row["mockup"] for row in copy.rows()}
    assert named == {why: [mockups[file]] for why, file in wanted.items()}
    seen = [note for note in notes if note.numbers["why"] != "turned"]
    assert all(sentence(note) in foretold for note in seen)
    assert foretold.count("No difference map of") == len(seen)
    again = check_folder(copy.folder)
    assert all(sentence(note) in again for note in seen)
    assert "no-difference-map" in row["codes"]
    assert "Nothing is moved or resampled" in row["reason"]
    second = copy.run()
    assert second.provenance["computed"] == []
    assert second.notes(row).remarks == result.notes(row).remarks
    assert second.provenance["maps"] == result.provenance["maps"]


def test_a_pixel_that_one_state_lacks_is_masked(copy):
    def without(*places):
        def change(values, x, y):
            for place in places:
                values[place] = np.nan
            return values, x, y

        return change

    rewrite(copy, TREATED, without((2, 3)))
    rewrite(copy, before_of(TREATED), without((5, 7), (0, 0)))
    found = difference(copy.run())
    lost = np.zeros((SIDE, SIDE), bool)
    lost[[2, 5, 0], [3, 7, 0]] = True
    np.testing.assert_array_equal(np.isnan(found["score"].values), np.stack([lost] * 3))
    np.testing.assert_array_equal(found["valid"].values, ~lost)


def test_nothing_stale_is_shown_when_a_map_before_changes(copy, tmp_path):
    first = copy.run()
    assert first.provenance["computed"] == []
    held = {one["file"]: (first.folder / one["map"]).read_bytes()
            for one in first.map_entries("difference")}  # fmt: skip

    def exchanged(values, x, y):
        values[[0, 9]] = values[[9, 0]]
        return values, x, y

    rewrite(copy, before_of(TREATED), exchanged)
    second = copy.run()
    changed = [one["file"] for one in second.map_entries("difference")
               if (second.folder / one["map"]).read_bytes() != held[one["file"]]]  # fmt: skip
    assert TREATED in changed
    old, new = difference(first)["score"].values, difference(second)["score"].values
    inner = slice(1, 9)
    np.testing.assert_allclose(new[:, inner], old[:, inner], atol=1e-3)
    assert np.abs(new[1, [0, 9]] - old[1, [0, 9]]).max() > 1
    fresh = StudyCopy(shutil.copytree(copy.folder, tmp_path / "fresh",
                                      ignore=shutil.ignore_patterns("runs")))  # fmt: skip
    third = fresh.run()
    for one in third.map_entries("difference"):
        assert (third.folder / one["map"]).read_bytes() == (
            second.folder / one["map"]
        ).read_bytes(), one["file"]


def test_two_workers_give_the_same_maps_and_notes(copy, tmp_path):
    turned = before_of(copy.files("blank")[0])
    rewrite(copy, turned, lambda v, x, y: (v[::-1], x, y))
    results = []
    for workers in (1, 2):
        study = shutil.copytree(copy.folder, tmp_path / f"workers {workers}",
                                ignore=shutil.ignore_patterns("runs"))  # fmt: skip
        results.append(Study.open(study).run(workers=workers))
    one, two = results
    assert one.provenance["maps"] == two.provenance["maps"]
    for entry in one.map_entries("difference"):
        assert (one.folder / entry["map"]).read_bytes() == (two.folder / entry["map"]).read_bytes()
    assert one.provenance["notes"] == two.provenance["notes"]
    assert '"turned"' in (two.folder / "provenance.json").read_text("utf-8")


def test_the_viewer_has_it_as_a_choice_on_one_scale_around_zero(pattern):
    _, result = pattern
    shown = [rk.view_run(result, file).shown for file in (TREATED, result.map_entries()[0]["file"])]
    layers = [{layer.name: layer for layer in one.layers}["difference, net signal"]
              for one in shown]  # fmt: skip
    assert layers[0].scale == layers[1].scale
    low, high = layers[0].scale
    assert low == -high
    assert layers[0].diverging
    assert not shown[0].layers[0].diverging
    assert layers[0].scale != shown[0].layers[0].scale
    assert f"{CORNER.sum()} of {CORNER.size} pixels valid in both maps" in layers[0].words
    assert "not known to a pixel" in layers[0].words
    colours = palette(layers[0])
    middle = len(colours) // 2
    red, _, blue = (int(colours[-1][k : k + 2], 16) for k in (1, 3, 5))
    assert red > blue
    red, _, blue = (int(colours[0][k : k + 2], 16) for k in (1, 3, 5))
    assert blue > red
    assert min(int(colours[middle][k : k + 2], 16) for k in (1, 3, 5)) > 240
    assert (
        rk.view_run(result, TREATED).to_png()
        != rk.view_run(result, TREATED.replace("_1_map", "_2_map")).to_png()
    )


def test_the_panel_shows_the_mapped_mockups_and_its_caption_what_it_leaves_open(pattern):
    _, result = pattern
    figure = rk.differences_figure(result)
    assert_legible(figure)
    assert svg(figure) == svg(rk.differences_figure(result))
    (row,) = difference_rows(result)
    assert [words for words, _ in row.maps] == [
        "blank", "exposed 2 min", "exposed 60 min", "spiked 2 µg cm⁻²"
    ]  # fmt: skip
    said = differences_caption(result)
    assert COMMENT in said
    assert said.endswith("10 further maps under maps/.")
    narrow = rk.differences_figure(result, width_mm=85)
    assert_legible(narrow)
    ax = rk.plot_map(difference(result), marker="net signal")
    low, high = ax.child_axes[0].get_ylim()
    assert low == -high


def test_a_finding_sums_up_the_maps(pattern):
    _, result = pattern
    (found,) = [one for one in rk.trends.findings(result) if one.code == "differences"]
    assert len(found.table) == len(result.map_entries("difference"))
    own = found.table.set_index("mockup").loc["alkyd_pva-cryogel-2min-2min_1"]
    assert (own["above"], own["below"], own["pixels"]) == (CORNER.sum(), 0, CORNER.size)
    assert f"{CORNER.sum()} of {3 * CORNER.size} pixels" in " ".join(found.sentences)


def test_a_study_without_states_before_has_none(finished):
    result = finished.result
    assert result.map_entries("difference") == []
    assert rk.trends.difference_maps(result) == []
    with pytest.raises(ContractError, match="no difference map"):
        rk.differences_figure(result)


def test_the_report_and_the_run_folder_show_them(pattern, tmp_path):
    from residuekit.figures import write_figure
    from residuekit.report import write_panels, write_report

    _, result = pattern
    study = {**result.provenance["study"], "figure": {"also": ["differences"]}}
    asked = replace(result, provenance={**result.provenance, "study": study})
    write_figure(asked, tmp_path)
    write_panels(asked, tmp_path)
    assert {path.suffix for path in tmp_path.glob("differences.*")} == {".pdf", ".svg", ".png"}
    page = write_report(asked, tmp_path)
    assert "Before and after, pixel by pixel" in page
    assert COMMENT in page
    assert "Where paired maps differ from before treatment" in page


def test_each_reason_has_its_words():
    for why in WHY:
        said = sentence(Note("no-difference-map", {"why": why, "mockups": ["a", "b"]}))
        assert said.startswith("No difference map of a, b: ")
        assert "It needs " in said
