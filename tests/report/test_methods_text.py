import json
import math
import re

import pandas as pd
import pytest
from made_run import make_run

from residuekit.report import write_methods

#: Numbers of the text that are no result: what the text itself says.
OF_THE_METHOD = {
    "3.29": "residuekit.verdict.LIMIT_FACTOR",
    "95": "1 - alpha in per cent",
    "5": "alpha in per cent",
    "1": "the number of the step, and of the reference spectra",
    "2": "the number of kinds",
}


def raw_numbers(folder):
    """Every number in the result files, and every word of them that holds digits."""
    numbers, words = set(), set()
    for path in sorted(folder.glob("*.csv")):
        frame = pd.read_csv(path)
        for column in frame.select_dtypes("number"):
            numbers |= {float(value) for value in frame[column] if math.isfinite(value)}
        words |= set(re.findall(r"[\w.]*\d[\w.]*", path.read_text(encoding="utf-8")))
    text = (folder / "provenance.json").read_text(encoding="utf-8")
    words |= set(re.findall(r"[\w.]*\d[\w.]*", text))
    stack = [json.loads(text)]
    while stack:
        item = stack.pop()
        stack += item.values() if isinstance(item, dict) else item if isinstance(item, list) else []
        if isinstance(item, int | float) and not isinstance(item, bool):
            numbers.add(float(item))
    return numbers, words


def counts(result):
    """What may be counted: files, pixels, mock-ups by role, arms, the layout of the maps."""
    quality = result.provenance["quality"]
    found = {len(result.provenance["maps"]), len(quality), len(result.verdicts)}
    found |= {sum(row["n_pixels"] for row in quality)}
    found |= {sum(row["n_pixels"] - row["n_valid"] for row in quality)}
    own = result.mockups.drop_duplicates(["paint", "mockup", "role"])
    found |= set(own.groupby(["paint", "role"]).size())
    for path in result.maps():
        import xarray as xr

        with xr.open_dataset(path) as opened:
            found |= set(opened.sizes.values())
            found.add(int(opened["x"][1] - opened["x"][0]))
    found |= set(result.spectra["loading_ug_cm2"].values)
    return {float(value) for value in found if math.isfinite(value)}


def test_each_number_printed_stands_in_the_result_files(tmp_path):
    result = make_run(tmp_path, paints=("alkyd", "acrylic"), failures={"data/x.nc": "broken"})
    text = write_methods(result, tmp_path)
    numbers, words = raw_numbers(tmp_path)
    numbers |= counts(result)
    printed = {f"{value:.3g}" for value in numbers} | {f"{value:g}" for value in numbers}
    found = re.findall(r"(?<![\w.])[-−]?\d[\d.]*\d|(?<![\w.])[-−]?\d", text)
    assert len(found) > 100
    strange = [
        token
        for token in found
        if token.replace("−", "-") not in printed
        and token not in words
        and token not in OF_THE_METHOD
        and not any(token in word for word in words)
    ]
    assert strange == []


def test_the_text_holds_verdicts_limits_procedure_markers_controls_and_hashes(tmp_path):
    result = make_run(tmp_path, paints=("alkyd", "acrylic"))
    text = write_methods(result, tmp_path)
    assert (tmp_path / "methods.md").read_text(encoding="utf-8") == text
    plain = text.replace("\\", "")
    for row in result.verdicts.to_dict("records"):
        assert row["reason"].replace("ug cm-2", "µg cm⁻²") in plain
    for name, sha in result.provenance["inputs"].items():
        assert f"| `{name}` | {sha} |" in plain
    for words in (
        "crop: low = 800, high = 3800", "4 water-only blank mock-ups", "4 mock-ups", "noncentral t",
        "Clopper and Pearson", "Satterthwaite", "share one marginal level", "2 µg cm⁻²",
        "Invented.",
        "acetate C=O 1735: a single mock-up would need 1.52 µg cm⁻², blind", "net signal",
        "not the work of art", "safety data sheets", "mean of its arm", "4 arms in all",
        "8 spiked mock-ups (2 and 6 µg cm⁻²)", "numpy 2.1.0",
    ):  # fmt: skip
        assert words in plain, words


@pytest.mark.parametrize(
    ("made", "words"),
    [
        ({"acceptance": None}, "No acceptance limit was set beforehand"),
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
    outside = re.sub(r"`[^`]*`", "", text).replace("\\<b\\>", "")
    assert "<b>" not in outside
    assert [line for line in text.splitlines() if line.startswith("## ")] == [
        "## Question and samples", "## Measurement and procedure", "## Markers and scores",
        "## Limits and verdicts", "## Findings", "## Quality and exclusions", "## Cautions",
        "## Versions and data",
    ]  # fmt: skip
