"""A study without spiked mock-ups whose loadings rest on reference films. Invented data."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from matplotlib.text import Text

import residuekit as rk
from residuekit import io, schema
from residuekit.errors import StudyError
from residuekit.figures.contents import plan_figure
from residuekit.report.facts import sight_sentences, strata
from residuekit.simulate.materials import gel_response
from residuekit.study import Study
from residuekit.study.inspect import check_folder
from residuekit.words import common as words

FILM = 50.0


pytestmark = pytest.mark.usefixtures("without_pictures")


@pytest.fixture
def both(warm_study):
    """The small study, its spiked mock-ups among it; its reference is a film of 50 ug cm-2."""
    (file,) = warm_study.files("reference")[:1]
    pure = io.read(warm_study.folder / file)
    axis = pure[schema.WAVENUMBER].values
    io.write(
        rk.make_points(FILM * gel_response("PVA cryogel", axis), axis, quantity="absorbance"),
        warm_study.folder / "data" / "film.csv",
    )
    rows = [row for row in warm_study.rows() if row["role"] != "reference"]
    blank = dict.fromkeys(rows[0], "")
    rows.append({**blank, "role": "reference", "file": "data/film.csv",
                 "treatment": "PVA cryogel", "loading_ug_cm2": f"{FILM:g}"})  # fmt: skip
    more = dict.fromkeys(("thickness_nm", "loading_error_percent"), "")
    warm_study.write_rows([{**row, **more} for row in rows])
    return warm_study


@pytest.fixture
def filmed(both):
    """... without its spiked mock-ups."""
    both.keep(lambda row: row["role"] != "spiked")
    return both


def _limit(study, value):
    study.edit("acceptance_limit_ug_cm2 = 4.0", f"acceptance_limit_ug_cm2 = {value:g}")


def _arm(result, exposure):
    frame = result.verdicts
    return frame[frame["exposure_min"] == exposure].iloc[0]


def test_an_absence_on_a_film_scale_needs_the_margin(filmed):
    _limit(filmed, 400.0)
    first = _arm(filmed.run(), 2.0)
    assert (first["scale"], first["unit"], first["verdict"]) == (
        "reference film", "ug cm-2", "not detected",
    )  # fmt: skip
    assert "film-scale" in first["codes"]
    reach = max(first["detection_limit"], first["upper_bound"])
    assert first["scale_margin"] == pytest.approx(400.0 / reach)
    for times, verdict in ((2.9, "inconclusive"), (3.1, "not detected")):
        filmed.edit("acceptance_limit_ug_cm2 = ", f"acceptance_limit_ug_cm2 = {times * reach} # ")
        found = _arm(filmed.run(), 2.0)
        assert found["verdict"] == verdict
        assert ("film-margin" in found["codes"]) == (verdict == "inconclusive")
    filmed.edit("[limits]", "[limits]\nscale_margin = 3.3")
    assert _arm(filmed.run(), 2.0)["verdict"] == "inconclusive"


def test_a_film_gives_the_loading_of_a_residue_that_answers_as_it_does(filmed, finished):
    found, spiked = (_arm(one, 60.0) for one in (filmed.run(), finished.result))
    assert found["verdict"] == spiked["verdict"] == "detected"
    assert found["estimate"] == pytest.approx(spiked["estimate"], rel=0.15)


def test_a_thickness_with_a_density_is_a_loading_and_a_limit_in_nm_too(filmed):
    by_loading = _arm(filmed.run(), 2.0)
    filmed.change(lambda row: row["role"] == "reference", loading_ug_cm2="", thickness_nm="400")
    with pytest.raises(StudyError, match="thickness_nm 400 without a density of 'PVA cryogel'"):
        Study.open(filmed.folder)
    filmed.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_nm = 32\ndensity_g_cm3 = 1.25")
    manifest = Study.open(filmed.folder).manifest
    assert manifest.acceptance_limit == pytest.approx(4.0)
    by_thickness = _arm(filmed.run(), 2.0)
    for name in ("estimate", "detection_limit", "upper_bound", "scale_margin"):
        assert by_thickness[name] == pytest.approx(by_loading[name], rel=1e-6)


def test_loadings_are_told_in_nm_where_the_density_is_known(filmed):
    from residuekit.report.facts import arm_sentences, limit_sentences
    from residuekit.words.answer import how_to_read
    from residuekit.words.caption import caption, short_caption
    from residuekit.words.methods import acceptance_limit

    filmed.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_nm = 32\ndensity_g_cm3 = 1.25")
    result = filmed.run()
    row = _arm(result, 60.0)
    said = " ".join(arm_sentences(result, row.to_dict()))
    nm = words.number(10 * row["upper_bound"] / 1.25, 2)
    assert "As an even film of 1.25 g cm⁻³: mean" in said
    assert f"upper bound {nm}, detection limit" in said
    mean = words.number(8 * row["estimate"], 2)
    assert f"As an even film of 1.25 g cm⁻³: mean {mean}, upper bound {nm}," in row.reason
    assert "Acceptance limit: 4 µg cm⁻² (32 nm)." in acceptance_limit(result.provenance["study"])
    assert "reference films of the pure material" in " ".join(limit_sentences(result))
    study, plan = result.provenance["study"], plan_figure(result)
    for text in (how_to_read(study), caption(plan, study), short_caption(plan, study)):
        assert "1 µg cm⁻² is an even film of 8 nm." in text


def test_check_says_what_the_loadings_rest_on(filmed):
    assert (
        "scale of PVA cryogel on alkyd: reference film (1 reference film), so “not detected” needs "
        "detection limit and upper bound 3 times below the acceptance limit"
    ) in check_folder(filmed.folder)
    filmed.change(lambda row: row["role"] == "reference", loading_ug_cm2="")
    assert "scale of PVA cryogel on alkyd: none, so nothing" in check_folder(filmed.folder)


def test_check_of_spiked_mockups(warm_study):
    assert "spiked (4 mock-ups), so loadings are held" in check_folder(warm_study.folder)
    warm_study.edit("acceptance_limit_ug_cm2 = ", "# ")
    assert "nothing can be “not detected”" in check_folder(warm_study.folder)


def test_a_declared_error_of_the_loading_widens_the_bound_alone(filmed):
    plain = _arm(filmed.run(), 60.0)
    filmed.change(lambda row: row["role"] == "reference", loading_error_percent="30")
    wide = _arm(filmed.run(), 60.0)
    assert wide["upper_bound"] > plain["upper_bound"]
    assert wide["detection_limit"] == pytest.approx(plain["detection_limit"])
    added = wide["standard_error"] ** 2 - plain["standard_error"] ** 2
    assert math.sqrt(added) == pytest.approx(0.3 * wide["estimate"], rel=1e-6)


def test_the_declared_error_of_spiked_loadings_enters_the_bound(warm_study):
    plain = _arm(warm_study.run(), 60.0)
    warm_study.write_rows([
        {**row, "loading_error_percent": "20" * (row["role"] == "spiked")}
        for row in warm_study.rows()
    ])  # fmt: skip
    wide = _arm(warm_study.run(), 60.0)
    assert wide["scale"] == plain["scale"] == "spiked"
    added = wide["standard_error"] ** 2 - plain["standard_error"] ** 2
    assert math.sqrt(added) == pytest.approx(0.2 * wide["estimate"], rel=1e-6)


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ({"thickness_nm": "50"}, "loading_ug_cm2 and thickness_nm in one row"),
        ({"loading_ug_cm2": "", "loading_error_percent": "5"},
         "loading_error_percent without a loading"),
    ],
)  # fmt: skip
def test_cells_that_contradict_each_other_are_refused(filmed, cells, said):
    filmed.change(lambda row: row["role"] == "reference", **cells)
    with pytest.raises(StudyError, match=said):
        Study.open(filmed.folder)


def test_a_thickness_of_what_is_no_film_is_refused(filmed):
    filmed.change(lambda row: row["role"] == "exposed", thickness_nm="50")
    with pytest.raises(StudyError, match="thickness_nm in a row of role exposed"):
        Study.open(filmed.folder)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("acceptance_limit_nm = 32", "acceptance_limit_nm without density_g_cm3"),
        ("acceptance_limit_ug_cm2 = 4\nacceptance_limit_nm = 32", "one in nm"),
    ],
)
def test_a_limit_in_nm_needs_a_density_and_stands_alone(filmed, typed, said):
    filmed.edit("acceptance_limit_ug_cm2 = 4.0", typed)
    with pytest.raises(StudyError, match=said):
        Study.open(filmed.folder)


def test_a_film_of_another_technique_than_the_maps_is_refused(filmed):
    path = filmed.folder / "data" / "film.nc"
    film = io.read(filmed.folder / "data" / "film.csv")
    io.write(film.assign_attrs(technique="atr"), path)
    filmed.change(lambda row: row["role"] == "reference", file="data/film.nc")
    for attempt in (lambda: check_folder(filmed.folder), filmed.run):
        with pytest.raises(StudyError, match="a film of known loading in atr, beside"):
            attempt()
    filmed.change(lambda row: row["role"] == "reference", loading_ug_cm2="")
    assert "none, so nothing" in check_folder(filmed.folder)


def test_methods_say_what_a_residue_in_the_paint_would_answer_under_atr(filmed, monkeypatch):
    from residuekit.report import facts

    result = filmed.run()
    assert "mixed layer" not in " ".join(facts.limit_sentences(result))
    monkeypatch.setattr(facts, "layouts", lambda _: facts.Layouts({"atr": 3}))
    said = " ".join(facts.limit_sentences(result))
    assert "0.62 times as strongly (diamond); 0.30 times as strongly (germanium)" in said


@pytest.mark.parametrize(
    ("technique", "told"),
    [
        ("atr", {3.1: "answer 0.62 (diamond, covered) or 0.30 (germanium, not covered) times as",
                 3.5: "answer 0.62 (diamond, covered) or 0.30 (germanium, covered) times as"}),
        ("reflection", {3.1: "answer 0.40 (reflection, covered) times as strongly as a film."}),
        ("transmission", {3.1: ""}),
    ],
)  # fmt: skip
def test_the_verdict_says_beside_its_margin_what_sunk_residue_would_answer(filmed, technique, told):
    from residuekit.report.facts import arm_sentences

    _limit(filmed, 400.0)
    rows = []
    for row in filmed.rows():
        own = Path(row["file"]).with_suffix(".nc")
        array = io.read(filmed.folder / row["file"])
        io.write(array.assign_attrs(technique=technique), filmed.folder / own)
        rows.append({**row, "file": str(own)})
    filmed.write_rows(rows)
    result = filmed.run()
    row = _arm(result, 2.0).to_dict()
    for margin, words_of_it in told.items():
        said = arm_sentences(result, {**row, "scale_margin": margin})
        assert "wrong by a factor of up to" in said[0]
        assert words_of_it in said[1]
        assert ("Residue spread over" in " ".join(said)) == bool(words_of_it)
    spiked = arm_sentences(result, {**row, "scale": "spiked"})
    assert "Residue spread over" not in " ".join(spiked)


def test_a_film_scale_has_no_detection_curve_and_its_slope_is_called_that_of_films(filmed):
    result = filmed.run()
    (stratum,) = strata(result)
    said = sight_sentences(result, stratum)
    known = words.freedom_words(result.markers["slope_degrees_of_freedom"].iloc[0])
    assert f"({', '.join(filter(None, ['by reference films', known]))})." in said[0]
    assert [block.spiking for block in plan_figure(result).blocks] == [None]


def test_check_warns_of_a_thin_film_in_transflection(filmed):
    film = io.read(filmed.folder / "data" / "film.csv")
    io.write(film.assign_attrs(technique="transflection"), filmed.folder / "data" / "film.nc")
    filmed.change(lambda row: row["role"] == "reference", file="data/film.nc")
    assert "data/film.nc is a film of less than 100 µg cm⁻² in transflection" in check_folder(
        filmed.folder
    )
    filmed.change(lambda row: row["role"] == "reference", loading_ug_cm2="200")
    assert "in transflection: on a bare mirror" not in check_folder(filmed.folder)


def test_spiked_mockups_beside_a_film_are_compared_with_it(both, finished):
    """The film is said to hold twice what it holds: mock-ups answer twice as strongly."""
    from residuekit.report.beside_films import matrix_sentences, matrix_table
    from residuekit.report.methods import supplement_sections
    from residuekit.report.small_panels import matrix_figure

    both.change(lambda row: row["role"] == "reference", loading_ug_cm2=f"{2 * FILM:g}")
    result = both.run()
    table = matrix_table(result)
    assert table is not None
    ((place, score, spiked, film, ratio, interval),) = table.rows
    assert (place, score) == ("Alkyd", _arm(result, 2.0)["score"])
    assert (spiked[-3:], film[-3:]) == ("(4)", "(1)")
    low, high = (float(one) for one in interval.split(" to "))
    assert 1 < low < float(ratio) < high
    assert float(ratio) == pytest.approx(2.0, rel=0.1)
    (said,) = matrix_sentences(result)
    assert said.startswith(f"alkyd: per loading, 4 spiked mock-ups answer {ratio}")
    assert said[7:] in str(supplement_sections(result))
    assert _arm(result, 2.0)["scale"] == "spiked"
    figure = matrix_figure(result)
    assert figure is not None
    assert any("reference films" in one.get_text() for one in figure.findobj(Text))
    assert matrix_table(finished.result) is None
    assert matrix_figure(finished.result) is None
    assert not [*matrix_sentences(finished.result)]
