import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made_run import make_run, notes_on

from residuekit.figures import write_figure
from residuekit.figures.written import RECORD
from residuekit.report import page as report_page
from residuekit.report import page_pictures as pictures
from residuekit.report import write_report

VOID = {"meta", "img", "br", "link", "hr"}
#: Where a page could ask something of a network.
ASKING = ("src", "href", "action", "srcset", "data", "poster", "background", "formaction")


class Page(HTMLParser):
    """The tags of a page, whether they close in order, and its text."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.words, self.errors = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("strong", "span"):
            self.words.append(" ")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.errors.append(tag)

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    def all(self, *names):
        return [attrs for tag, attrs in self.tags if tag in names]

    @property
    def text(self):
        return " ".join("".join(self.words).split())


def made(folder, **options):
    result = make_run(folder, **options)
    write_figure(result, folder)
    return result, write_report(result, folder)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    return made(tmp_path_factory.mktemp("page") / "run", paints=("alkyd", "acrylic"))


def without_figure(folder):
    """A run folder whose figure is not drawn, which is quick."""
    (folder / RECORD).write_text(json.dumps({"not_drawn": "the test needs none"}), "utf-8")


# what the page is


def test_the_page_is_whole_and_asks_nothing_of_a_network(written):
    text = written[1]
    page = Page(text)
    assert page.errors == []
    assert page.open == []
    assert not {"script", "iframe", "base"} & {tag for tag, _ in page.tags}
    asked = [attrs[name] for _, attrs in page.tags for name in ASKING if attrs.get(name)]
    beside = [target for target in asked if target in ("report.css", "figure.png")]
    assert len(asked) == 5
    assert beside == ["report.css", "figure.png"]
    for target in [target for target in asked if target not in beside]:
        assert target.startswith("data:image/svg+xml;base64,")
    assert not [attrs for _, attrs in page.tags if "url(" in (attrs.get("style") or "")]
    outside = re.sub(r"base64,[\w+/=]+", "", text)
    assert not re.search(r"https?:|//\w", outside)
    style = text[text.index("<style>") : text.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    assert "@media print" in style
    assert len(text.encode()) < 1_000_000


def test_the_page_has_a_policy_of_its_own_that_its_style_keeps(written):
    result, text = written
    page = Page(text)
    (policy,) = [m["content"] for m in page.all("meta") if "http-equiv" in m]
    style = re.search(r"<style>(.*?)</style>", text, re.S)[1]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy == (
        f"default-src 'self'; img-src 'self' data:; style-src 'self' 'sha256-{digest}'"
    )
    assert (result.folder / "report.css").read_text("utf-8") == style
    assert not [attrs for _, attrs in page.tags if "style" in attrs]


def test_answer_figure_and_a_line_an_arm_come_first_and_the_rest_is_folded(written):
    result, text = written
    first = text[text.index("<main>") : text.index('id="cannot-say"')]
    assert first.index("headline") < first.index("<figure>") < first.index('class="verdicts"')
    assert first.count("Why, and what it cannot exclude") == len(result.verdicts)
    folded = re.findall(r"<details[^>]*><summary><h2", text)
    assert len(folded) == len(re.findall("<h2", text)) - 2


def test_it_is_short_on_a_telephone_and_on_paper_and_shows_its_picture_under_a_policy(
    written, browser
):
    folder = written[0].folder

    def strict_server(route):
        headers = {"Content-Security-Policy": "default-src 'self'"}
        route.fulfill(path=folder / route.request.url.rpartition("/")[2], headers=headers)

    page = browser.new_page(viewport={"width": 400, "height": 800})
    page.goto((folder / "report.html").as_uri())
    assert page.evaluate("document.documentElement.scrollHeight") < 6000
    assert page.evaluate("document.documentElement.scrollWidth") <= 400
    assert page.pdf(prefer_css_page_size=True).count(b"/Type /Page\n") <= 4
    page.close()
    strict = browser.new_page(viewport={"width": 1280, "height": 800})
    strict.route("**/*", strict_server)
    strict.goto("http://study.invalid/report.html")
    picture = strict.locator("object").bounding_box()
    assert picture["width"] > 300
    assert picture["height"] > 300
    shown = strict.evaluate("getComputedStyle(document.querySelector('.first')).display")
    assert shown == "grid"
    strict.close()


def test_on_a_small_screen_no_picture_and_no_line_of_an_arm_is_cut(written, browser):
    """On a wide one the figure is no smaller than in print, 170 mm: its letters can be read."""
    page = browser.new_page(viewport={"width": 760, "height": 800})
    page.goto((written[0].folder / "report.html").as_uri())
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true })")
    cut = page.evaluate(
        "[...document.querySelectorAll('.first .wide, figure .wide')]"
        ".map((one) => one.scrollWidth - one.clientWidth)"
    )
    assert len(cut) > 3
    assert max(cut) <= 0
    page.set_viewport_size({"width": 1280, "height": 800})
    assert page.locator(".first object").bounding_box()["width"] > 170 / 25.4 * 96
    page.close()


def test_the_pictures_inside_ask_nothing_either(written):
    for coded in re.findall(r"base64,([\w+/=]+)", written[1]):
        picture = base64.b64decode(coded).decode("utf-8")
        if "figure_1" in picture and "<desc>" in picture:
            assert "<title>Due-diligence figure</title>" in picture
        targets = re.findall(r"(?:href|src)=\"([^\"]*)\"|url\(([^)]*)\)", picture)
        assert all(t.startswith(("#", "data:")) for pair in targets for t in pair if t)
        assert "<script" not in picture


def test_the_page_can_be_read_aloud(written):
    page = Page(written[1])
    assert page.all("html") == [{"lang": "en"}]
    assert len(page.all("title")) == len(page.all("h1")) == len(page.all("main")) == 1
    assert all(attrs.get("scope") in ("row", "col") for attrs in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table")) >= 4
    assert len(page.all("details")) == len(page.all("summary"))
    assert all(len(attrs["alt"]) > 60 for attrs in page.all("img"))
    named = {attrs["aria-labelledby"] for attrs in page.all("section")}
    assert named == {attrs["id"] for attrs in page.all("h2")}
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    scrolling = [attrs for attrs in page.all("div") if attrs.get("class") == "wide"]
    assert scrolling
    assert all(attrs["tabindex"] == "0" and attrs["aria-label"] for attrs in scrolling)


@pytest.mark.parametrize("look", ["light", "dark"])
@pytest.mark.parametrize("width", [400, 768, 1280])
def test_an_accessibility_checker_finds_no_barrier(written, browser, barriers, width, look):
    page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=look)
    page.goto((written[0].folder / "report.html").as_uri())
    assert barriers(page) == []
    page.close()


def test_in_the_dark_the_page_is_dark_and_its_pictures_stand_on_white(written, browser):
    looks = {}
    for look in ("light", "dark"):
        page = browser.new_page(viewport={"width": 768, "height": 800}, color_scheme=look)
        page.goto((written[0].folder / "report.html").as_uri())
        looks[look] = page.evaluate(
            "[document.body, ...document.querySelectorAll('figure img, object')]"
            ".map((one) => getComputedStyle(one).backgroundColor)"
        )
        if look == "dark":
            page.emulate_media(media="print")
            printed = page.evaluate("getComputedStyle(document.body).backgroundColor")
        page.close()
    white = "rgb(255, 255, 255)"
    assert looks["light"][0] == printed == white
    assert looks["dark"][0] == "rgb(22, 21, 20)"
    assert len(looks["dark"]) > 2
    assert set(looks["dark"][1:]) == {white}


def test_both_looks_have_texts_of_seven_to_one_and_headings_of_twice_that():
    """WCAG 2: contrast is the ratio of relative luminances, each plus 0.05."""
    style = (files("residuekit.data") / "report.css").read_text(encoding="utf-8")
    light, dark = (
        dict(re.findall(r"--(\w+): (#\w+)", block))
        for block in re.findall(r":root \{(.*?)\}", style, re.S)
    )
    assert light.keys() == dark.keys()

    def luminance(colour):
        full = colour[1:] if len(colour) == 7 else "".join(2 * one for one in colour[1:])
        parts = np.array([int(full[k : k + 2], 16) / 255 for k in (0, 2, 4)])
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return linear @ [0.2126, 0.7152, 0.0722]

    for look in (light, dark):
        paper = luminance(look["paper"])
        for name in ("ink", "soft", "found", "clean", "open", "focus"):
            low, high = sorted([paper, luminance(look[name])])
            assert (high + 0.05) / (low + 0.05) > (14 if name == "ink" else 6.5), name


# what it says


def test_the_answer_for_the_working_exposure_comes_first(written):
    result, text = written
    words = Page(text).text
    headline = words[words.index("In a minute") + 12 :]
    limit = "detection limit 0.81 µg cm⁻², 4 mock-ups against 4 blanks"
    assert headline.startswith(
        "After the working exposure of 2 min, residue of PVA cryogel is not detected on alkyd "
        f"({limit}) and acrylic ({limit}). Compared with blanks of unstated exposure."
    )
    order = ["In a minute", "What this cannot say", "What was tested", "Controls",
             "What each score can detect", "Limits", "Calibration", "Series and drift", "Quality",
             "What changed", "The numbers", "Procedure", "Where it comes from"]  # fmt: skip
    heads = re.findall(r"<h2 id=\"[\w-]+\">([^<]*)</h2>", text)
    assert heads == order
    for row in result.verdicts.to_dict("records"):
        assert row["reason"].replace("ug cm-2", "µg cm⁻²") in words


def test_no_absence_stands_without_its_limits_and_its_n(written):
    words = Page(written[1]).text
    summary = words[words.index("In a minute") : words.index("What this cannot say")]
    assert summary.count("4 / 4") == summary.count("0 of 4; share at most 53%") == 4
    bound = "(95% confidence, 5.4 degrees of freedom). Detection limit 0.81 µg cm⁻²"
    assert summary.count(bound) == 4
    assert summary.count("Mean of 4 mock-ups less that of 4 blank mock-ups") == 4
    assert summary.count("None of 4 mock-ups stood out") == 4
    assert summary.count("Up to 53% of such mock-ups could still do so (95% confidence).") == 4
    assert (
        summary.count("95 times in 100; less may be missed. Up to 55% of such mock-ups could") == 4
    )
    assert "52.7" not in summary
    assert summary.count("4 maps, 256 pixels") == 4
    assert "not the work of art" in words


def with_verdicts(folder, **columns):
    result = make_run(folder)
    without_figure(folder)
    table = result.verdicts
    for name, values in columns.items():
        table[name] = values
    return Page(write_report(replace(result, verdicts=table), folder)).text


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        (
            {"verdict": ["detected", "not detected"], "estimate": 3.0, "upper_bound": 3.4},
            "is detected on alkyd (3.00 µg cm⁻², 4 mock-ups against 4 blanks)",
        ),
        (
            {"verdict": "inconclusive"},
            "is inconclusive on alkyd. Compared with blanks of unstated exposure. Other arms: 1",
        ),
        ({"verdict": "not assessable"}, "is not assessable on alkyd."),
        ({"exposure_min": 5.0}, "The working exposure of 2 min with PVA cryogel was not tested"),
        ({"treatment": "another gel"}, "was not tested: nothing here answers for it"),
        (
            {"verdict": ["not detected", "detected"]},
            "Detected: alkyd after 60 min of PVA cryogel.",
        ),
        ({"clearance_min": [0.0, 2.0], "exposure_min": 2.0}, "alkyd, cleared 0 min (detection"),
    ],
)  # fmt: skip
def test_every_kind_of_answer_is_said_in_a_sentence(tmp_path, columns, words):
    assert words in with_verdicts(tmp_path / "run", **columns)


def test_the_detection_limit_promises_a_decision_and_no_verdict(written):
    text = Page(written[1]).text
    assert "is above the decision limit with 95% probability. Identification limit: it is" in text


def test_without_a_working_exposure_there_is_no_single_answer(tmp_path):
    result = make_run(tmp_path)
    without_figure(tmp_path)
    study = {**result.provenance["study"], "working_exposure_min": None}
    told = replace(result, provenance={**result.provenance, "study": study})
    assert "No working exposure was stated" in Page(write_report(told, tmp_path)).text


def test_many_places_are_counted_with_their_worst_limit(tmp_path):
    result = make_run(tmp_path, paints=tuple(f"paint {k}" for k in range(8)), exposures=(2.0,))
    without_figure(tmp_path)
    words = Page(write_report(result, tmp_path)).text
    assert "not detected on 8 of 8 arms (detection limits up to 0.81 µg cm⁻²; 4 mock-ups" in words


def test_limits_of_arm_mockup_and_pixel_stand_apart_each_with_its_method(written):
    words = Page(written[1]).text
    limits = words[words.index("Limits Alkyd") : words.index("Calibration")]
    for said in ("arm's mean pair of tests", "one mock-up pair of tests", "one pixel normal",
                 "one mock-up Currie", "ISO 11843-2, constant", "DIN 32645", "Hubaux and Vos",
                 "Probability of detection: not possible here"):  # fmt: skip
        assert said in limits, said


def test_the_note_on_the_blanks_is_said_once_under_the_controls(written):
    words = Page(written[1]).text
    said = "how long the water-only blanks were exposed is not stated"
    assert words.count(said) == 1
    assert words.index("Controls Alkyd") < words.index(said) < words.index("What each score can")


def with_blanks_of(folder, exposures):
    """The page of a run whose water-only blanks had these exposures (arms: 2 and 60 min)."""
    result = make_run(folder)
    without_figure(folder)
    times = iter(exposures)
    record = dict(result.provenance)
    record["measurements"] = [
        {**row, "exposure_min": next(times)} if row["role"] == "blank" else row
        for row in record["measurements"]
    ]
    record["notes"] = notes_on(result.verdicts.to_dict("records"), record["measurements"])
    return Page(write_report(replace(result, provenance=record), folder)).text


def test_the_matrix_effect_stands_in_the_page_as_sentence_table_and_panel(tmp_path):
    result = make_run(tmp_path)
    without_figure(tmp_path)
    record = dict(result.provenance)
    notes = json.loads((Path(__file__).parents[1] / "words" / "notes.json").read_text("utf-8"))
    note = ["matrix-effect", {**notes["matrix-effect"], "low": "-inf", "high": "inf"}]
    record["notes"] = [{**one, "remarks": [*one["remarks"], note]} for one in record["notes"]]
    page = Page(write_report(replace(result, provenance=record), tmp_path))
    assert page.text.count("Per loading, 6 spiked mock-ups") == 0
    assert page.text.count("per loading, 6 spiked mock-ups answer 0.82 times as strongly") == 1
    assert "0.001500 ± 0.000060 (6) 0.001830 ± 0.000050 (3) 0.82 not bounded" in page.text
    assert [one["alt"] for one in page.all("img") if "Ratios of responses" in one["alt"]]
    assert not page.errors


@pytest.mark.parametrize(
    ("exposures", "words"),
    [
        ((2.0, 2.0, 60.0, 60.0), "exposed for 2 and 60 min; arms with fewer than three of their"),
        ((2.0, 2.0, 2.0, 2.0), "of their own exposure (60 min) are compared with all of them."),
        ((2.0, 2.0, 2.0, None), "of their own exposure (60 min) are compared with all of them."),
    ],
)
def test_blanks_of_another_exposure_are_told(tmp_path, exposures, words):
    assert words in with_blanks_of(tmp_path, exposures)


@pytest.mark.parametrize(
    ("exposures", "words"),
    [
        ((2.0, 2.0, 2.0, 2.0), "4 mock-ups against 4 blanks). Other arms"),
        ((60.0, 60.0, 60.0, 60.0), "against 4 blanks). Compared with blanks of 60 min. Other"),
        ((2.0, 2.0, 60.0, None),
         ". Compared with blanks of 2 and 60 min and of unstated exposure. Other"),
    ],
)  # fmt: skip
def test_the_headline_says_where_blanks_are_of_another_exposure(tmp_path, exposures, words):
    text = with_blanks_of(tmp_path, exposures)
    assert words in text
    assert text.count("no untreated blanks, so what water itself does to the paint is unknown") == 1


def test_works_of_the_table_of_limits_are_listed(written):
    text = Page(written[1]).text
    for work in ("ISO 11843-2:2000. Capability", "without its corrigendum",
                 "DIN 32645:2008-11. Chemische", "Hubaux, A. and Vos, G."):  # fmt: skip
        assert work in text
    assert "exact delta" not in text
    assert "in place of delta" not in text


def test_what_the_quality_check_said_of_each_file_appears(written):
    words = Page(written[1]).text
    assert "data/alkyd_exposed2_1.nc 3 of 64 pixels noisy: left out." in words
    assert "noisy noise far above that of the other pixels of the map 40 120" in words


def test_what_changed_is_told(tmp_path):
    result = make_run(tmp_path)
    without_figure(tmp_path)
    (tmp_path / "changes.md").write_text(
        "# What changed\n\nSince the run of yesterday:\n\n- new: `data/<b>.nc`\n\n## Verdicts\n\n"
        "No verdict and no arm changed.\n", encoding="utf-8",
    )  # fmt: skip
    words = Page(write_report(result, tmp_path)).text
    assert "Since the run of yesterday: New: data/<b>.nc Verdicts No verdict and no arm" in words


def test_prose_has_one_minus_and_one_unit(written):
    page = Page(written[1])
    assert "ug cm-2" not in page.text
    assert not re.findall(r"(?<![\w.-])-\d", page.text)


def test_names_of_the_study_are_only_ever_text(tmp_path):
    nasty = '<script>alert("1")</script>'
    _, text = made(
        tmp_path,
        paints=(f"{nasty} & $title",),
        treatment=nasty,
        title=f"{nasty} $figure",
        markers=(f"{nasty} 1092",),
        failures={f"data/{nasty}.nc": nasty},
        further={nasty: f'" onload="{nasty}'},
    )
    page = Page(text)
    assert page.errors == []
    assert "script" not in {tag for tag, _ in page.tags}
    assert not [name for _, attrs in page.tags for name in attrs if name.startswith("on")]
    assert nasty in page.text
    assert "$title" in page.text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"blanks": False}, "The figure could not be drawn: found alkyd without a blank mock-up"),
        ({"failures": {"data/x.nc": "the file ends early"}}, "the file ends early"),
        ({"acceptance": None}, "The study states no acceptance limit, so nothing can be"),
        ({"points": True}, "Point spectra only"),
        ({"spiked": False}, "There are no spiked mock-ups"),
    ],
)
def test_what_is_missing_is_said(tmp_path, options, words):
    assert words in Page(made(tmp_path, **options)[1]).text


@pytest.mark.parametrize(
    ("spiked", "scale", "words"),
    [
        (False, "", "spiked mock-ups: scores keep their own unit, and there is"),
        (False, "reference film", "spiked mock-ups: loadings rest on reference films"),
        (True, "", "The spiked mock-ups of no stratum give its deciding score a slope"),
    ],
)
def test_why_nothing_is_calibrated_is_said_as_it_is(tmp_path, spiked, scale, words):
    result = make_run(tmp_path, spiked=spiked)
    without_figure(tmp_path)
    tables = {"verdicts": result.verdicts.assign(unit="reference"),
              "scores": result.scores.assign(scale=scale)}  # fmt: skip
    study = {**result.provenance["study"], "scale_margin": 3.0}
    record = {**result.provenance, "study": study}
    said = Page(write_report(replace(result, **tables, provenance=record), tmp_path)).text
    assert words in said
    assert ("own unit, and there is nothing to calibrate" in said) is (not spiked and not scale)


# a large study


def test_a_large_study_stays_small(tmp_path, monkeypatch):
    result = make_run(tmp_path, paints=("alkyd", "acrylic"), exposures=(2.0, 10.0, 60.0))
    without_figure(tmp_path)
    repeat = {name: pd.concat([getattr(result, name)] * 50, ignore_index=True)
              for name in ("verdicts", "scores", "mockups")}  # fmt: skip
    record = dict(result.provenance)
    record["quality"] = [
        {**row, "words": ["Vapour lines. " * 10]} for row in record["quality"] * 200
    ]
    record["inputs"] = {f"data/{k}.nc": "0" * 64 for k in range(20_000)}
    monkeypatch.setattr(report_page, "findings", lambda _: [])
    text = write_report(replace(result, **repeat, provenance=record), tmp_path)
    assert len(text.encode()) < 2_000_000
    words = Page(text).text
    for said in ("100 further arms in verdicts.csv", "further rows in mockups.csv"):
        assert said in words, said
    assert re.search(r"\d+ further rows in provenance.json", words)


def test_a_figure_of_many_pages_stays_within_one_bound(tmp_path):
    """Pages of 0.9 MB each: five stand on the page, the sixth is left to its file."""
    captions = {f"caption{end}": {} for end in ("", *(f"-{k}" for k in range(2, 7)))}
    record = {"height_mm": [100.0] * 6, "captions": captions}
    (tmp_path / RECORD).write_text(json.dumps(record), encoding="utf-8")
    for end in ("", *(f"-{k}" for k in range(2, 7))):
        (tmp_path / f"figure{end}.svg").write_bytes(b" " * 4_000_000)
        (tmp_path / f"figure{end}.png").write_bytes(b" " * 900_000)
    pages = pictures.main_figure(tmp_path, [])["pages"]
    assert [page["picture"] and page["picture"].kind for page in pages] == ["png"] * 5 + [None]
    assert sum(len(page["picture"].coded) for page in pages[:5]) < 7_000_000


def test_the_report_on_200_maps_is_small_and_short_to_lay_out(tmp_path, browser):
    result = make_run(tmp_path, paints=("alkyd", "acrylic", "oil", "casein", "vinyl"),
                      exposures=(2.0, 5.0, 10.0, 20.0, 40.0, 60.0), loads=(1.0, 2.0, 6.0),
                      shape=(4, 4), masked=0)  # fmt: skip
    assert len(result.provenance["maps"]) == 200
    without_figure(tmp_path)
    text = write_report(result, tmp_path)
    # The pages of the figure take at most 4/3 of their bound beside this.
    assert len(text.encode()) < 10_000_000 - pictures.MOST_TOGETHER * 4 / 3 - 1_000_000
    page = browser.new_page(viewport={"width": 400, "height": 800})
    page.goto((tmp_path / "report.html").as_uri())
    assert page.evaluate("document.getElementsByTagName('*').length") < 25_000
    assert page.evaluate("document.documentElement.scrollHeight") < 20_000
    assert page.evaluate("document.documentElement.scrollWidth") <= 400
    page.close()


def test_a_figure_too_large_for_the_page_gives_way(tmp_path, monkeypatch):
    result = make_run(tmp_path)
    write_figure(result, tmp_path)
    monkeypatch.setattr(pictures, "MOST_BYTES", (tmp_path / "figure.svg").stat().st_size - 1)
    sizes = (tmp_path / "figure.svg").stat().st_size, (tmp_path / "figure.png").stat().st_size
    expected = "data:image/png;base64" if sizes[1] < sizes[0] else "too large for this page"
    assert expected in write_report(result, tmp_path)
    monkeypatch.setattr(pictures, "MOST_BYTES", 1)
    assert "too large for this page" in write_report(result, tmp_path)
