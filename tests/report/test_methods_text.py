import json
import math
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_run import make_run

from residuekit.figures import write_figure
from residuekit.kernels.paint_change import CHANGE_LENGTH, CHANGE_SHARE
from residuekit.report import write_caption, write_methods
from residuekit.report.references import NAMED, listed, works
from residuekit.reprs import to_error
from residuekit.schema import JUDGED_COLUMNS
from residuekit.trends import findings
from residuekit.words.answer import lower_bound
from residuekit.words.caption import MOST_WORDS, short_caption
from residuekit.words.common import in_words

#: Numbers that the text itself says, and where they come from.
OF_THE_METHOD = {
    3.29: "residuekit.decision.verdict.LIMIT_FACTOR",
    256.0: "sha256",
    100.0: "in so many of 100 cases",
    100 * CHANGE_SHARE: "residuekit.kernels.paint_change, as declared",
    CHANGE_LENGTH: "residuekit.kernels.paint_change, as declared",
    2.0: "the unit mm2 or cm2 in a name, and the kinds of limits",
    16269.0: "ISO 16269",
    0.7: "the least ratio of gel and foreign matter",
    1974.0: "a year",
    1.0: "the number of the step, and of the reference spectra",
}
NUMBER = re.compile(r"(?<![\w.,])−?\d+(?:\.\d+)?(?:e−?\d+)?(?![\w])")


def numbers_of(folder, result):
    """Every number of the result files that a text may print, and what may be counted in them."""
    found = set(OF_THE_METHOD)
    for path in sorted(folder.glob("*.csv")):
        frame = pd.read_csv(path)
        for column in frame.select_dtypes("number"):
            found |= {float(value) for value in frame[column] if math.isfinite(value)}
    record = result.provenance
    stack = [record[name] for name in ("study", "procedure", "markers", "n_arms")]
    if (folder / "figure.json").is_file():
        stack.append(json.loads((folder / "figure.json").read_text(encoding="utf-8")))
    while stack:
        item = stack.pop()
        stack += item.values() if isinstance(item, dict) else item if isinstance(item, list) else []
        if isinstance(item, int | float) and not isinstance(item, bool):
            found.add(float(item))
    rows, quality = result.verdicts.to_dict("records"), record["quality"]
    found |= {lower_bound(row) for row in rows}
    found |= {100 * row["share_upper_bound"] for row in rows}
    alpha, beta = record["study"]["alpha"], record["study"]["beta"]
    found |= {100 * row["share_upper_bound"] / (1 - beta) for row in rows}
    found |= {100 * (1 - (1 - alpha) ** record["n_arms"])}
    found |= {100 * alpha, 100 * (1 - alpha), 100 * (1 - beta)}
    found |= {len(record["maps"]), len(quality), len(rows), len(record["inputs"])}
    found |= set(result.verdicts["verdict"].value_counts())
    found |= {sum(row["n_pixels"] for row in quality), sum(bool(row["words"]) for row in quality)}
    found |= {sum(row["n_pixels"] - row["n_valid"] for row in quality)}
    own = result.mockups.drop_duplicates(["paint", "mockup", "role"])
    found |= set(own.groupby(["paint", "role"]).size())
    found |= set(result.spectra["loading_ug_cm2"].values)
    for path in result.maps():
        with xr.open_dataset(path) as opened:
            found |= set(opened.sizes.values())
            if "x" in opened.coords:
                steps = [float(opened[name][1] - opened[name][0]) for name in ("x", "y")]
                sides = [step * opened.sizes[n] for step, n in zip(steps, ("x", "y"), strict=True)]
                found |= {*steps, sides[0] * sides[1] / 1e6, *(side / 1000 for side in sides)}
    return {float(value) for value in found if math.isfinite(value)}


def strangers(text, known):
    """The numbers of a text that are no known number to the digits they are printed with."""
    return [token for token in NUMBER.findall(text) if not within(token, known)]


def within(token, known):
    """Whether a printed number is a known one, rounded to the digits that are printed."""
    shown = token.replace("−", "-")
    digits, _, power = shown.partition("e")
    step = 10.0 ** (int(power or 0) - len(digits.partition(".")[2]))
    return any(abs(float(shown) - value) <= 0.5 * step * (1 + 1e-6) for value in known)


def without_names(text, result):
    """The text without the names in it, the works, the series (tested by themselves), hashes."""
    names = {str(m["name"]) for m in result.provenance["markers"]}
    names |= {str(name) for name in result.mockups["mockup"]}
    names |= set(NAMED) | {work.formatted for work in works().values()}
    names |= {result.provenance["started"], result.provenance["residuekit"], "Python 3.11.0",
              *(f"{n} {v}" for n, v in result.provenance["packages"].items())}  # fmt: skip
    for finding in findings(result):
        for sentence in finding.sentences:
            said = in_words(sentence)
            names |= {said, said[0].upper() + said[1:]}
    for name in sorted(names, key=len, reverse=True):
        text = text.replace(name, " ")
    return re.sub(r"\b[0-9a-f]{64}\b|cm⁻[¹²]|mm²", " ", text)


def plain(markdown):
    return re.sub(r"\\(?=[\W_])", "", markdown)


def from_latex(text):
    """LaTeX as `as_latex` writes it, back to plain text."""
    text = re.sub(r"\\allowbreak\{\}|\\item\{\}|\{\\sloppy |\\par\}|(?<!\\)%.*", "", text)
    back = {r"$\mu$": "µ", "$-$": "−", r"$\times$": "×", r"$\pm$": "±", r"$\infty$": "∞",
            "$^{-2}$": "⁻²", "$^{-1}$": "⁻¹", "$^{2}$": "²", "--": "–", "``": "“", "''": "”",
            "{[}": "[", "{]}": "]"}  # fmt: skip
    for command, letter in back.items():
        text = text.replace(command, letter)
    return re.sub(r"\\(?=[_%&#${}])", "", text)


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run") / "made"
    result = make_run(folder, paints=("alkyd", "acrylic"), failures={"data/x.nc": "broken"})
    write_figure(result, folder)
    return folder, result, write_methods(result, folder), write_caption(folder)


def test_the_caption_begins_with_one_that_fits_a_journal(told):
    short, full = told[3].split("## In full")
    assert len(short.split()) <= 180
    for row in told[1].verdicts.to_dict("records"):
        assert f"n = {row['n_mockups']}: {row['verdict']} (DL " in short
    assert len(short.split()) < len(full.split())


def sentences(markdown):
    """The sentences of a text in Markdown, without headings, tables and the list of works."""
    text = re.sub(r"## (Further r|R)eferences.*?(?=\n#|\Z)", "", plain(markdown), flags=re.DOTALL)
    lines = (line for line in text.splitlines() if line and not line.startswith(("#", "|")))
    parts = (re.split(r"(?<=[.?!])\s+(?=[A-Z0-9Δ±(])", line.strip("*- ")) for line in lines)
    return [said for part in parts for said in part]


def test_the_methods_are_short_and_the_supplement_repeats_none_of_their_sentences(told):
    texts = [(told[0] / name).read_text("utf-8") for name in ("methods.md", "supplement.md")]
    assert "\n".join(texts) == told[2]
    assert len(texts[0].split()) <= 1400  # 1,500 with what a study adds: a reason, a technique
    own, other = map(sentences, texts)
    assert set(own) & set(other) == set()
    twice = {said for said in own if own.count(said) > 1}
    assert {said for said in twice if not said.startswith(("Controls: ", "Arms: "))} == set()


def test_the_sentences_of_methods_and_supplement_have_18_words_on_average(told):
    said = sentences(told[2])
    assert len(said) > 60
    assert sum(len(one.split()) for one in said) / len(said) <= 18


def test_with_many_strata_the_methods_stay_as_short(tmp_path):
    result = make_run(tmp_path, paints=tuple(f"paint {letter}" for letter in "abcdefgh"))
    write_methods(result, tmp_path)
    texts = [(tmp_path / name).read_text("utf-8") for name in ("methods.md", "supplement.md")]
    assert len(texts[0].split()) <= 1500
    assert [text.count("**Paint h.** Controls") for text in texts] == [0, 1]


def test_a_slope_is_printed_with_its_error_and_its_degrees_of_freedom(told):
    (row,) = told[1].markers.query("deciding and paint == 'alkyd'").to_dict("records")
    slope, error = (to_error(row[name], row["slope_se"]) for name in ("slope", "slope_se"))
    said = f"Slope {slope} ± {error} × pure gel per µg cm⁻² (7 degrees of freedom)."
    assert said in plain(told[2])


def test_with_many_arms_the_short_caption_leaves_their_numbers_to_the_table():
    row = {"verdict": "not detected", "n_mockups": 4, "estimate": 0.1, "detection_limit": 0.5,
           "upper_bound": 0.4, "standard_error": 0.1}  # fmt: skip
    group = SimpleNamespace(words="exposed 2 min", values=np.zeros(4), verdict=row)
    block = SimpleNamespace(words="alkyd", unit="ug cm-2", maps=(), groups=[group] * 9)
    plan = SimpleNamespace(lettered=list(zip("ABCD", [block] * 4, strict=True)), blocks=[block] * 4,
                           unit="ug cm-2", acceptance_limits=[2.0], residues=("gel",),
                           left_out=())  # fmt: skip
    said = short_caption(plan, {"treatment": "gel", "alpha": 0.05})
    assert len(said.split()) <= MOST_WORDS
    assert "(D) alkyd. The verdicts with their limits stand in the table." in said


def test_each_number_of_the_methods_and_of_the_caption_stands_in_the_result_files(told):
    folder, result, methods, caption = told
    known = numbers_of(folder, result)
    for text in (methods, caption):
        text = without_names(plain(text), result)
        assert len(NUMBER.findall(text)) > 20
        assert strangers(text, known) == []


def test_a_number_that_no_file_holds_would_be_found(told):
    folder, result, methods, _ = told
    known = numbers_of(folder, result)
    assert strangers(f"{methods} 123.456 and −77.7", known)[-2:] == ["123.456", "−77.7"]


def test_the_latex_says_the_same_numbers_as_the_markdown(told):
    folder, _, methods, caption = told
    for text, names in ((methods, ("methods.tex", "supplement.tex")), (caption, ("caption.tex",))):
        written = "\n".join((folder / name).read_text(encoding="utf-8") for name in names)
        # The full caption stands below the one for a journal, behind signs of a comment.
        shown = from_latex(re.sub(r"^% ", "", written, flags=re.MULTILINE))
        own = plain(text)
        own = re.sub(r"^\d+\. ", "", own, flags=re.MULTILINE)
        assert NUMBER.findall(shown) == NUMBER.findall(own)


def test_each_arm_is_told_with_its_own_numbers_to_two_digits_of_their_error(told):
    _, result, methods, _ = told
    paragraphs = [p for p in plain(methods).split("\n\n") if ": not detected.**" in p]
    assert len(paragraphs) == len(result.verdicts) == 4
    for text, row in zip(paragraphs, result.verdicts.to_dict("records"), strict=True):
        said = [float(n.replace("−", "-")) for n in NUMBER.findall(text.split(".** ")[1])]
        expected = [
            row["n_mockups"], row["n_blank_mockups"], row["estimate"], row["standard_error"],
            row["upper_bound"], 95, 5.4, row["detection_limit"], row["identification_limit"], 2, 4,
            row["mockup_decision_limit"], 100 * row["share_upper_bound"], 95,
            row["mockup_detection_limit"], 95, 100, 100 * row["share_upper_bound"] / 0.95,
            95, row["tolerance_bound"], 95, 4, 256,
        ]  # fmt: skip
        assert len(said) == len(expected)
        for shown, value in zip(said, expected, strict=True):
            assert abs(shown - value) <= (0.501 if value > 50 else 0.00501)


def test_a_detected_residue_has_a_lower_bound_beside_the_acceptance_limit(told):
    _, result, _, _ = told
    table = result.verdicts.assign(
        verdict="detected",
        estimate=2.75,
        upper_bound=3.03,
        against_acceptance="above",
        reason="Seen.",
    )
    text = plain(write_methods(replace(result, verdicts=table), told[0]))
    write_methods(result, told[0])
    bounds = "Lower bound 2.47, upper bound 3.03 µg cm⁻²"
    assert f"{bounds} (95% confidence each, 5.4 degrees of freedom)" in text
    assert "Even the lower bound lies above the acceptance limit of 2 µg cm⁻²." in text
    table = table.assign(estimate=1.9, upper_bound=2.2)
    text = plain(write_methods(replace(result, verdicts=table), told[0]))
    write_methods(result, told[0])
    assert "The mean may lie above or below the acceptance limit" in text


def test_the_text_holds_procedure_markers_controls_works_and_few_hashes(told):
    text = plain(told[2])
    for words in (
        "crop: low = 800, high = 3800", "4 water-only blank mock-ups", "noncentral t",
        "Clopper and Pearson 1934", "Satterthwaite 1946", "Currie 1968", "Lorber 1986",
        "Patterson and Thompson 1971", "The two tests are equally strict", "a slope. The metric",
        "2 µg cm⁻²", "Invented.", "not the work of art",
        "Band: acetate C=O 1735: 1.5 µg cm⁻²; blind", "safety data sheets", "mean of its arm",
        "4 arms in all", "8 spiked mock-ups (2 and 6 µg cm⁻²)", "numpy 2.1.0",
        "An arm is one paint",
        "field 0.04 mm²", "has no column mockup_area_cm2", "not stated, so every arm is compared",
        "stand in provenance.json", "as reference lists give them",
    ):  # fmt: skip
        assert words in text, words
    assert len(re.findall(r"\b[0-9a-f]{64}\b", text)) <= 3
    assert "Ledoit" not in text
    assert "Savitzky" not in text


def test_what_weakens_an_absence_stands_beside_it(told):
    folder, result, _, _ = told
    table = result.verdicts.assign(verdict="not detected", score="net signal")
    why = [
        ["within-acceptance", {"acceptance_limit": 2.0, "unit": "ug cm-2", "scale_margin": 2.4}],
        ["scatter-above-blanks", {"ratio": 5.0, "chance": 0.01}],
    ]
    notes = [
        {**{name: row[name] for name in JUDGED_COLUMNS}, "why": why, "remarks": []}
        for row in table.to_dict("records")
    ]
    record = {**result.provenance, "notes": notes}
    text = plain(write_methods(replace(result, verdicts=table, provenance=record), folder))
    assert "The exposed mock-ups scatter 5 times as widely" in text
    assert "Below the decision limit; detection limit" not in text
    write_methods(result, folder)


def test_the_text_says_whether_the_paints_variation_was_measured(told):
    folder, result, _, _ = told
    row = {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0}
    for dof, words in ((4, "measured, with 4 degrees of freedom among such replicates"),
                       (1, "declared, with only 1 degree of freedom")):  # fmt: skip
        found = {**row, "degrees_of_freedom": dof, "measured": dof >= 3}
        record = {**result.provenance, "paint_variation": [found]}
        text = plain(write_methods(replace(result, provenance=record), folder))
        assert f"how mock-ups differ is {words}" in text
    write_methods(result, folder)


@pytest.mark.parametrize(
    ("made", "said", "absent"),
    [
        ({"reference": False}, "Nothing can be called detected",
         ("generalised least squares", "net signal, or else", "Lawson and Hanson",
          "Patterson and Thompson", "That band comes first")),
        ({"spiked": False}, "Without a known loading scores keep their own unit.",
         ("slope that turns", "error of the slope", "response to", "That band comes first")),
        ({"points": True}, "each a single spectrum",
         ("blank maps", "maps failed", "Patterson and Thompson")),
    ],
)  # fmt: skip
def test_a_method_that_was_not_used_is_not_described(told, tmp_path, made, said, absent):
    text = plain(write_methods(make_run(tmp_path, **made), tmp_path))
    assert said in text
    assert said not in told[2]
    for words in absent:
        assert words in told[2], words
        assert words not in text, words


def test_where_loadings_rest_on_films_the_slope_is_theirs(tmp_path):
    result = make_run(tmp_path, spiked=False)
    scores = result.scores.assign(scale="reference film", identification_limit=math.nan)
    study = {**result.provenance["study"], "scale_margin": 3.0}
    record = {**result.provenance, "study": study}
    text = plain(write_methods(replace(result, scores=scores, provenance=record), tmp_path))
    assert "The slope that turns scores into loadings is the mean response per loading of" in text
    assert "its response to reference films cannot be" in text
    assert "straight line through zero" not in text
    assert "The identification limit is" not in text


@pytest.mark.parametrize(
    ("way", "first", "compared", "counts"),
    [
        ("before", 0, "All arms are paired with the state before treatment (3 files of it). Each",
         "4 blanks, each against its own state before"),
        ("before", 3, "\nAcrylic, PVA cryogel 60 min, cleared 2 min: paired with the state before",
         ""),
        ("block", 0, "All arms are compared within panels. Each", "4 blanks, within panels"),
    ],
)  # fmt: skip
def test_how_arms_are_paired_is_told_and_stands_with_their_counts(
    told, way, first, compared, counts
):
    folder, result, methods, _ = told
    assert "paired with" not in methods
    assert "within panels" not in methods
    ways = [""] * first + [way] * (len(result.verdicts) - first)
    listed = result.provenance["measurements"]
    record = {**result.provenance,
              "measurements": [*listed, *[{**listed[0], "role": "before"}] * 3]}  # fmt: skip
    table = result.verdicts.assign(paired=ways)
    text = plain(write_methods(replace(result, verdicts=table, provenance=record), folder))
    write_methods(result, folder)
    assert compared in text
    assert counts in text.split("## Findings")[1].split("##")[0]


def test_steps_of_the_procedure_bring_their_works(told):
    folder, result, _, _ = told
    steps = [{"step": "correct_baseline", "method": "arpls", "smoothness": 1e5},
             {"step": "smooth", "window": 9, "order": 2, "derivative": 0}]  # fmt: skip
    text = plain(
        write_methods(replace(result, provenance={**result.provenance, "procedure": steps}), folder)
    )
    write_methods(result, folder)
    assert "1. correct_baseline: method = arpls, smoothness = 100000.0 (Baek 2015)" in text
    assert "2. smooth: window = 9, order = 2, derivative = 0 (Savitzky and Golay 1964)" in text
    assert listed(["Baek 2015"])[0] in text
    assert listed(["Savitzky and Golay 1964"])[0] in text


def test_what_further_columns_tell_of_the_instrument_is_told_and_the_rest_asked_for(tmp_path):
    further = {"instrument": "an invented one", "resolution_cm1": "4", "scans": "64",
               "mockup_area_cm2": "4"}  # fmt: skip
    text = plain(write_methods(make_run(tmp_path, further=further), tmp_path))
    assert "Instrument: an invented one (21 files)." in text
    assert "Scans: 64 (21 files)." in text
    assert "does not hold the detector, the aperture" in text
    assert "the number of scans" not in text
    assert "cover 0.04 mm² together, 0.01% of its surface" in text


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ({"acceptance": None}, "The study states no acceptance limit"),
        ({"reference": False}, "no reference spectrum"),
        ({"points": True}, "point spectra"),
        ({"failures": {"data/a|b.nc": "found | nothing"}}, "data/a\\|b.nc"),
        ({"blanks": False}, "Controls: 8 spiked mock-ups"),
    ],
)
def test_what_is_missing_is_said(tmp_path, made, words):
    assert words in write_methods(make_run(tmp_path, **made), tmp_path)


def test_names_cannot_break_the_markdown(tmp_path):
    result = make_run(tmp_path, paints=("<b>*a*|b`_",), title="# one\n\n## two [x](y)")
    text = write_methods(result, tmp_path)
    assert "<b>" not in text.replace("\\<b\\>", "")
    assert "[x](y)" not in text
    assert [line for line in text.splitlines() if line.startswith("## ")] == [
        "## Question and samples", "## Measurement and procedure", "## Markers and scores",
        "## Limits and verdicts", "## Findings", "## Quality and exclusions", "## Cautions",
        "## Versions and data", "## References",
        "## Samples", "## What each score can see", "## Arms and findings", "## Files left out",
        "## Hashes", "## Further references",
    ]  # fmt: skip


def test_sentences_start_with_a_capital_and_units_are_written_one_way(told):
    text = plain(told[2])
    assert "ug cm-2" not in text
    assert not re.search(r"(?<![\w.])-\d", text)
    for line in text.splitlines():
        if line and not line.startswith(("|", "- ", "#", "1.")):
            first = line.lstrip("*")[0]
            assert not first.islower() or line.startswith("residuekit"), line
