"""Planning: mock-ups, limits and chances against simulated studies and the verdict itself."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import residuekit.cli as cli
from residuekit import plan
from residuekit.decision.assessment import Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.panel_layout import panel_means, within_panels
from residuekit.decision.verdict import judge
from residuekit.errors import ContractError, WriteError
from residuekit.kernels.slope import Slope
from residuekit.plan import Design, Effort, Pilot

PILOT = Pilot(mockup=0.3, map=0.2, noise=30.0, n_mockups=20, source="invented")


def draw_scores(rng, pilot, design, count, loading=0.0):
    """Mean scores of mock-ups by what the pilot says: mock-ups, maps, pixels at their scans."""
    means = loading + pilot.mockup * rng.standard_normal(count)
    maps = means[:, None] + pilot.map * rng.standard_normal((count, design.maps))
    noise = pilot.noise / np.sqrt(design.scans)
    pixels = rng.standard_normal((count, design.maps, design.pixels))
    return (maps[..., None] + noise * pixels).mean(axis=(1, 2))


def simulated_assessments(design, studies, loading=0.0, spiked=True, limit=None):
    rng = np.random.default_rng(7)
    loads = np.repeat([1.0, 3.0], 3)
    for _ in range(studies):
        blanks = draw_scores(rng, PILOT, design, design.blanks)
        exposed = draw_scores(rng, PILOT, design, design.mockups, loading)
        known = Slope(1.0, 0.0, 6)
        if spiked:
            response = draw_scores(rng, PILOT, design, 6, loads) - blanks.mean()
            yield assess(blanks, exposed, assess_blindness(blanks), Rules(),
                         loadings=loads, spiked=response, unit="ug cm-2")  # fmt: skip
        else:
            rules = Rules(acceptance_limit=limit)
            yield assess(blanks, exposed, assess_blindness(blanks, known), rules, unit="ug cm-2")


@pytest.mark.source("computed", "schuirmann1987", "27, 8, 5, 4 mock-ups")
def test_mockups_needed_are_those_of_the_one_sample_t_test(shared):
    """27, 8, 5, 4 at 80 % power: the one-sample t test of equivalence."""
    assert [plan.mockups_needed(ratio) for ratio in (0.5, 1.0, 1.5, 2.0)] == [27, 8, 5, 4]
    example = json.loads((shared / "checks" / "check_values.json").read_text())["equivalence"]
    assert plan.mockups_needed(example["limit"] / example["s"]) == 4


@settings(max_examples=15, deadline=None)
@given(ratio=st.floats(0.2, 5.0), power=st.floats(0.5, 0.95), alpha=st.floats(0.01, 0.2))
def test_no_fewer_mockups_would_do_and_these_do(ratio, power, alpha):
    """Against scipy's own noncentral t."""
    from scipy import stats

    def reached(n):
        return stats.nct.sf(stats.t.ppf(1 - alpha, n - 1), n - 1, ratio * np.sqrt(n))

    n = plan.mockups_needed(ratio, power, alpha)
    assert reached(n) >= power - 1e-6
    assert n == 2 or reached(n - 1) < power + 1e-6


@pytest.mark.parametrize("arguments", [(0.0,), (-1.0,), (1.0, 1.2), (1.0, 0.8, 0.7), (1e-4,)])
def test_numbers_out_of_range_are_refused(arguments):
    with pytest.raises(ContractError):
        plan.mockups_needed(*arguments)


@pytest.mark.parametrize("design", [Design(6, 6, 2, 64, 16), Design(3, 4, 1, 36, 64)])
def test_the_predicted_limit_is_the_median_of_500_simulated_studies(design):
    limits = [one.detection_limit for one in simulated_assessments(design, 500)]
    assert plan.detection_limit(PILOT, design) == pytest.approx(np.median(limits), rel=0.15)
    above = np.mean(limits > np.float64(plan.detection_limit(PILOT, design, share=0.95)))
    assert above < 0.12


def test_power_is_the_share_of_simulated_studies_that_see_the_loading():
    design, loading = Design(6, 6, 2, 64, 16), 0.7
    seen = np.mean(
        [a.estimate > a.decision_limit for a in simulated_assessments(design, 500, loading)]
    )
    assert plan.power(PILOT, design, loading) == pytest.approx(seen, abs=0.06)
    assert plan.power(PILOT, design, 0.0) < 0.05


def test_the_chance_of_absence_is_the_share_of_clean_arms_judged_so():
    design, limit = Design(6, 6, 2, 64, 16), 2.0
    verdicts = [
        judge([one]).verdict
        for one in simulated_assessments(design, 500, spiked=False, limit=limit)
    ]
    share = np.mean([verdict == "not detected" for verdict in verdicts])
    assert 0.3 < share < 0.98
    assert plan.chance_of_absence(PILOT, design, limit) == pytest.approx(share, abs=0.06)
    assert plan.chance_of_absence(PILOT, Design(2, 6), limit) == 0.0


@settings(max_examples=20, deadline=None)
@given(
    maps=st.integers(1, 4), pixels=st.integers(1, 500), scans=st.integers(1, 256),
    name=st.sampled_from(["maps", "pixels", "scans"]),
)  # fmt: skip
def test_more_of_anything_never_raises_the_limit(maps, pixels, scans, name):
    design = Design(6, 6, maps, pixels, scans)
    more = dataclasses.replace(design, **{name: 2 * getattr(design, name)})
    assert plan.detection_limit(PILOT, more) <= plan.detection_limit(PILOT, design)
    assert Effort().hours(more) > Effort().hours(design)


def test_the_scatter_of_pilot_blanks_is_taken_apart():
    rng = np.random.default_rng(3)
    of_mockup, of_map, noise = 0.5, 0.3, 2.0
    scores = [
        [mean + of_map * rng.standard_normal() + noise * rng.standard_normal((6, 6))
         for _ in range(3)]
        for mean in of_mockup * rng.standard_normal(400)
    ]  # fmt: skip
    found = plan.from_blanks(scores, noise=noise, scans=16, slope=2.0)
    assert found.mockup == pytest.approx(of_mockup / 2, rel=0.1)
    assert found.map == pytest.approx(of_map / 2, rel=0.1)
    assert found.noise == pytest.approx(noise / 2 * 4)
    assert found.n_mockups == 400


def test_with_one_map_a_mockup_noise_alone_is_taken_off():
    rng = np.random.default_rng(3)
    scores = [[rng.standard_normal((8, 8))] for _ in range(50)]
    found = plan.from_blanks(scores, noise=1.0, scans=1)
    assert found.map == 0.0
    assert found.mockup < 0.1


@pytest.mark.parametrize("scores", [[[[1.0]], [[2.0]]], [[[1.0]], [[2.0]], [[1.0], [2.0]]]])
def test_blanks_too_few_or_uneven_are_refused(scores):
    with pytest.raises(ContractError, match="equally many maps"):
        plan.from_blanks(scores, noise=1.0, scans=1)


@pytest.fixture(scope="module")
def simulated():
    return plan.from_simulator("acrylic", n_mockups=8, shape=(6, 6), axis=(900.0, 1500.0, 8.0))


def test_the_pilot_of_the_simulator_is_repeatable_and_known_by_its_source(simulated):
    again = plan.from_simulator("acrylic", n_mockups=8, shape=(6, 6), axis=(900.0, 1500.0, 8.0))
    assert simulated == again
    assert "invented" in simulated.source
    assert min(simulated.mockup, simulated.noise) > 0


def test_noise_of_the_simulator_s_pilot_falls_with_its_scans(simulated):
    fewer = plan.from_simulator(
        "acrylic", n_mockups=8, shape=(6, 6), axis=(900.0, 1500.0, 8.0), scans=16
    )
    assert fewer.noise == pytest.approx(simulated.noise, rel=0.5)


def test_designs_are_compared_and_the_least_that_is_enough_is_named():
    found = plan.compare_designs(PILOT, 1.2, maps=(1, 2), scans=(16, 64))
    frame = found.to_frame()
    assert frame["hours"].is_monotonic_increasing
    assert len(frame) == 20
    row = found.row_of(found.best)
    assert row["chance_of_absence"] >= 0.8
    assert (frame.loc[frame["hours"] < row["hours"], "chance_of_absence"] < 0.8).all()
    assert row["share_upper_bound"] == pytest.approx(1 - 0.05 ** (1 / found.best.mockups))
    assert "least that is enough" in str(found)
    assert "of such mock-ups would be." in found.advice
    assert "a design is enough where the latter is 80% or more" in str(found)
    assert "<table" in found._repr_html_()


def test_a_limit_in_nm_is_that_of_an_even_film():
    """1 nm of density 1.3 is 0.13 ug cm-2."""
    nm = plan.compare_designs(PILOT, 10.0, unit="nm", mockups=(6,), maps=(1,))
    assert nm.wished == pytest.approx(1.3)
    row = nm.rows[0]
    assert row["detection_limit_nm"] == pytest.approx(row["detection_limit"] / 0.13)


def test_where_nothing_is_enough_it_is_said():
    found = plan.compare_designs(PILOT, 0.01, mockups=(3, 6), maps=(1,))
    assert found.best is None
    assert found.advice.startswith("No design here is enough")


def test_what_to_change_first_follows_the_largest_scatter():
    noisy = Pilot(0.01, 0.01, 200.0, 20, "invented")
    patchy = Pilot(0.01, 1.0, 0.1, 20, "invented")
    effort = Effort(minutes_per_map=0.0)
    by_mockups = plan.what_to_change(Pilot(1.0, 0.01, 0.1, 20, "invented"), Design(), effort=effort)
    assert by_mockups[0]["doubled"] == "mock-ups and blanks"
    design = Design(12, 12, 1, 16, 4)
    quick = plan.what_to_change(noisy, design, effort=Effort(minutes_per_map=30.0))
    assert quick[0]["doubled"] in ("pixels", "scans")
    maps = plan.what_to_change(patchy, design, effort=effort)
    gains = {row["doubled"]: row["gain"] for row in maps}
    assert gains["maps"] > gains["scans"]


def test_hours_add_up():
    effort = Effort(seconds_per_scan=0.5, pixels_at_once=16, minutes_per_map=6.0)
    assert effort.hours(Design(3, 3, 2, 100, 72)) == pytest.approx(12 * (0.1 + 7 * 72 * 0.5 / 3600))


@pytest.mark.parametrize("wrong", [{"unit": "nn"}, {"wished": -1.0}, {"mockups": ()}])
def test_wrong_use_is_refused(wrong):
    with pytest.raises(ContractError):
        plan.compare_designs(PILOT, **{"wished": 1.0, **wrong})
    with pytest.raises(ContractError, match="blanks = 1"):
        Design(blanks=1)


def test_film_signals_stand_beside_the_thin_film_approximation():
    """1, 10, 100 nm of gel on clear paint; ATR and reflection within 6 %, others within 35 %."""
    found = plan.film_signals(thickness_nm=(1.0, 10.0, 100.0)).to_frame()
    assert found["mode"].nunique() == 5
    close = found["mode"].str.startswith("ATR") | (found["mode"] == "external reflection")
    assert (abs(found.loc[close, "ratio"] - 1) < 0.06).all()
    assert (abs(found["ratio"] - 1) < 0.35).all()
    signal = found.pivot(index="mode", columns="thickness_nm", values="signal")
    np.testing.assert_allclose(signal[10.0] / signal[1.0], 10.0, rtol=0.02)


def test_a_paint_that_absorbs_at_the_band_takes_from_the_signal_in_atr():
    clear, dark = (plan.film_signals(paint=n).to_frame() for n in (1.5, 1.5 + 0.05j))
    in_atr = clear["mode"].str.startswith("ATR")
    assert (dark["signal"] < 0.85 * clear["signal"])[in_atr].all()


def test_a_material_that_the_table_does_not_have_is_refused():
    with pytest.raises(ContractError, match="did you mean"):
        plan.marker_index("poly(vinyl acetat)", [1000.0])


def test_the_figure_shows_why_a_design_is_the_least_that_is_enough():
    """The diamond is above the chance that is enough, and no design of fewer hours is."""
    found = plan.compare_designs(PILOT, 1.2, maps=(1, 2))
    limits, chances = plan.plan_figure(found).axes
    best = found.row_of(found.best)
    for ax, name in ((limits, "detection_limit"), (chances, "chance_of_absence")):
        (diamond,) = [line for line in ax.lines if line.get_marker() == "D"]
        assert diamond.get_xydata().tolist() == [[best["mockups"], best[name]]]
        drawn = [line.get_ydata().tolist() for line in ax.lines if len(line.get_xdata()) == 5]
        for maps in (1, 2):
            assert [row[name] for row in found.rows if row["maps"] == maps] in drawn
    levels = [[line.get_ydata()[0] for line in ax.lines if list(line.get_xdata()) == [0, 1]]
              for ax in (limits, chances)]  # fmt: skip
    assert levels == [[1.2], [0.8]]


def test_the_figure_shades_what_the_pilot_leaves_open():
    found = plan.compare_designs(PILOT, 1.2, maps=(1,))
    low, high = found.pilot_factors()
    assert low < 1 < high
    limits, chances = plan.plan_figure(found).axes
    (band,) = limits.collections
    wanted = [row["detection_limit"] * factor for row in found.rows for factor in (low, high)]
    corners = band.get_paths()[0].vertices
    assert np.isclose(np.array(wanted)[:, None], corners[:, 1]).any(axis=1).all()
    (band,) = chances.collections
    row = found.row_of(found.best)
    ends = [plan.chance_of_absence(PILOT, found.best, 1.2 / factor) for factor in (low, high)]
    at = band.get_paths()[0].vertices
    assert np.isin(ends, at[at[:, 0] == row["mockups"], 1]).all()
    assert ends[0] > row["chance_of_absence"] > ends[1]


def test_the_figure_says_each_line_s_least_mockups_and_where_the_pilot_is_from():
    found = plan.compare_designs(PILOT, 1.2, maps=(1, 2))
    said = [text.get_text() for text in plan.plan_figure(found).texts]
    best = found.row_of(found.best)
    assert "Pilot: invented" in said
    assert said[0].startswith(f"Least that is enough for 1.2 µg cm⁻²: {best['mockups']} exposed")
    assert sum(" scans: " in text and text.endswith(" h") for text in said) == 2
    nothing = plan.plan_figure(plan.compare_designs(PILOT, 0.01, mockups=(3, 6), maps=(1,)))
    said = [text.get_text() for text in nothing.texts]
    assert "No design here is enough for 0.01 µg cm⁻²" in said
    assert "least that is enough" not in said
    with pytest.raises(ContractError, match="120 or more"):
        plan.plan_figure(found, width_mm=80)


def test_the_command_prints_the_table_and_draws_the_picture(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(plan, "from_simulator", lambda *_: PILOT)
    picture = tmp_path / "plan.png"
    code = cli.main(["plan", "--limit", "10", "--unit", "nm", "--mockups", "3", "6", "--maps", "1",
                     "--figure", str(picture)])  # fmt: skip
    shown = capsys.readouterr().out
    assert code == cli.DONE
    assert "detection_limit" in shown
    assert "What to change first" in shown
    assert picture.stat().st_size > 5000


def test_a_picture_that_cannot_be_written_is_refused(tmp_path):
    found = plan.compare_designs(PILOT, 1.2, mockups=(3, 6), maps=(1,))
    for place in (tmp_path / "plan.txt", tmp_path / "absent" / "plan.png"):
        with pytest.raises(WriteError):
            plan.write_figure(found, place)
    assert list(tmp_path.iterdir()) == []


def test_the_command_takes_a_finished_run_for_its_pilot(finished, capsys):
    code = cli.main(
        ["plan", "--limit", "2", "--run", str(finished.result.folder), "--mockups", "6"]
    )
    assert code == cli.DONE
    said = capsys.readouterr().out
    assert "of a run" in said
    assert "What states before treatment or panels would bring is not known" in said


def test_the_command_says_what_pairing_would_bring(finished, capsys, monkeypatch):
    table, result = finished.result.mockups.copy(), finished.result
    blanks = table["role"] == "blank"
    own = table.loc[blanks, "unpaired"].to_numpy()
    table.loc[blanks, "before"] = own + 0.01 * np.random.default_rng(2).standard_normal(own.size)
    paired = dataclasses.replace(result, mockups=table)
    monkeypatch.setattr("residuekit.results.open_run", lambda _: paired)
    assert cli.main(["plan", "--limit", "2", "--run", "a-run", "--mockups", "6"]) == cli.DONE
    said = capsys.readouterr().out
    assert "Measuring each mock-up before treatment too lowers the limits: by 4 blanks" in said
    (gain,) = plan.gains_from_run(paired, design=Design(mockups=6, blanks=6))
    assert gain.advice in said
    table["block"] = ["A", "B"] * (len(table) // 2) + ["A"] * (len(table) % 2)
    ways = [gain.way for gain in plan.gains_from_run(dataclasses.replace(paired, mockups=table))]
    assert ways == ["before", "block"]


PAIRED, WITHIN = (
    dataclasses.replace(PILOT, paired=way, panels=k) for way, k in (("before", 1), ("block", 4))
)


@pytest.mark.parametrize("design", [Design(6, 6), Design(5, 8)])
def test_a_plan_within_panels_holds_in_simulated_studies_on_panels(design):
    """Two blanks on each panel; 400 clean studies, each judged as a run judges it. Without the
    degree of freedom that each panel takes, the limit would be lower by a tenth and more."""
    rng, sd = np.random.default_rng(11), WITHIN.scatter(design)
    lie, wished = WITHIN.layout(design), 7.0 * sd
    of_blanks, of_exposed = lie.places()
    assert set(lie.blanks) == {2}
    limits, absent = [], 0
    for _ in range(400):
        panel = 9 * rng.standard_normal(len(lie.blanks))
        blanks = panel[of_blanks] + sd * rng.standard_normal(lie.n)
        exposed = panel[of_exposed] + sd * rng.standard_normal(lie.m)
        names = [*map(str, of_blanks)]
        beside = panel_means(blanks[:, None], names, [*map(str, of_exposed)])[:, 0]
        within = within_panels(blanks[:, None], names)[:, 0]
        slope = Slope(1.0, 0.0, 6, highest=wished)
        numbers = assess(
            within, exposed - beside + within.mean(), assess_blindness(within, slope),
            Rules(acceptance_limit=wished), film=slope, panels=lie,
        )  # fmt: skip
        limits.append(numbers.detection_limit)
        absent += judge([numbers]).verdict == "not detected"
    assert plan.detection_limit(WITHIN, design) == pytest.approx(np.median(limits), rel=0.06)
    assert plan.detection_limit(WITHIN, design) > 1.1 * plan.detection_limit(PILOT, design)
    chance = plan.chance_of_absence(WITHIN, design, wished)
    assert chance == pytest.approx(absent / 400, abs=0.06)
    assert plan.power(WITHIN, design, wished) < plan.power(PILOT, design, wished)


def test_a_plan_of_pairs_counts_pairs_and_the_hours_of_both_states():
    found, plain = (plan.compare_designs(one, 1.2, maps=(1,)) for one in (PAIRED, PILOT))
    for row, other in zip(found.rows, plain.rows, strict=True):
        assert row["counted"] == "pairs"
        assert row["hours"] == pytest.approx(2 * other["hours"])
        assert row["detection_limit"] == other["detection_limit"]
        assert "counted" not in other
    assert "mock-ups, each measured before treatment and after it, 1 map each" in found.advice
    assert "count pairs of both states" in str(found)
    assert "count pairs of both states" in found._repr_html_()
    (limits, _) = plan.plan_figure(found).axes
    assert limits.get_xlabel() == "exposed mock-ups, pairs"
    assert plain.counted == ""


def test_a_plan_within_panels_says_what_its_mockups_are():
    found = plan.compare_designs(WITHIN, 1.2, mockups=(4, 6), maps=(1,))
    assert {row["counted"] for row in found.rows} == {"within panels"}
    assert "laid out on panels with two blanks each" in found.advice
    assert "each panel takes a degree of freedom" in str(found)
    low, high = found.pilot_factors()
    fixed = plan.compare_designs(PILOT, 1.2, mockups=(4,), maps=(1,)).pilot_factors()
    assert low < fixed[0] < fixed[1] < high


def test_the_pilot_of_a_paired_run_says_that_it_is(finished):
    """Blanks that are left out do not count, nor does a run of arms paired in other ways."""
    result, table = finished.result, finished.result.mockups.copy()
    blanks = table["role"] == "blank"
    table.loc[blanks, "before"] = 0.1
    table.loc[table["mockup"] == table.loc[blanks, "mockup"].iloc[0], "before"] = np.nan
    table["block"] = ["A", "B"] * (len(table) // 2) + ["A"] * (len(table) % 2)

    def pilot(*ways):
        run = dataclasses.replace(
            result, mockups=table, verdicts=result.verdicts.assign(paired=[*ways])
        )
        return plan.from_run(run, scans=64)

    plain, before, within = pilot("", ""), pilot("before", "before"), pilot("block", "block")
    assert (before.paired, before.n_mockups, before.freedom) == ("before", 3, 2)
    assert before.noise == pytest.approx(plain.noise * np.sqrt(2))
    assert before.scatter(Design(4, 4, 1, 64, 64)) == pytest.approx(
        plain.scatter(Design(4, 4, 1, 64, 64))
    )
    assert (within.paired, within.n_mockups, within.freedom) == ("block", 4, 2)
    assert "state before treatment" in before.source
    assert "within their panels" in str(within)
    assert pilot("block", "") == plain
    assert "paired" not in str(plain)


def test_the_pilot_of_a_run_gives_back_the_limit_of_its_blanks(finished):
    """A single mock-up of the run's own design has the scatter that its mock-up limit says."""
    result = finished.result
    pilot = plan.from_run(result, scans=64)
    row = result.markers[result.markers["deciding"]].iloc[0]
    assert pilot.n_mockups == 4
    scatter = pilot.scatter(Design(4, 4, 1, 64, 64))
    assert scatter == pytest.approx(row["mockup_limit"] / 3.29, rel=1e-6)
    with pytest.raises(ContractError, match="on the paint 'oil'"):
        plan.from_run(result, scans=64, paint="oil")


@pytest.mark.parametrize("words", [["--limit", "-1"], ["--limit", "1", "--unit", "kg"], []])
def test_wrong_use_of_the_command_ends_in_2(words):
    with pytest.raises(SystemExit) as end:
        cli.main(["plan", *words])
    assert end.value.code == 2
