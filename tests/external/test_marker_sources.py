"""The table of markers against the published band positions it was made from.

shared/bands/bands.csv holds what was read in each source, position and assignment in its words (for
example SAAT2014: Saat and Johan 2014, doi 10.1155/2014/439839, Table 2), with our remarks apart;
shared/bands/disagreements.csv where positions differ from memory.
"""

import csv
import re
from pathlib import Path

import pytest

from residuekit import markers as mk

pytestmark = pytest.mark.source("computed", "", "counts and wording of shared/bands")

BANDS = Path(__file__).resolve().parents[2] / "shared/bands"

#: Each disagreement (material, value from memory) and the marker that must answer for it.
ANSWERS = {
    ("PVA fully hydrolysed, OH", "3280"): "pva OH 3288",
    ("PVA fully hydrolysed", "850"): "pva skeletal 836",
    ("PVA fully hydrolysed, C-O marker", "1085-1095 (1090)"): "pva C-O 1092",
    ("PVA, C=O", "1732-1737"): "acetate C=O 1735",
    ("PVA, 1247", "acetate C-O 1240-1250"): "acetate C-O 1245",
    ("CMC, COO- asym", "1590-1600"): "cmc COO- asym 1605",
    ("CMC", "1415"): "cmc COO- sym 1415",
    ("CMC", "1325"): "cmc carboxymethyl 1325",
    ("EDTA, COO- asym", "1580-1600"): "edta COO- asym 1590",
    ("PDMS, Si-O", "1090"): "pdms Si-O-Si 1090",
    ("PEG/ethoxylate", "1110-1115"): "peo C-O-C 1110",
    ("ethoxylate", "963 (crystalline)"): "peo CH2 963",
    ("calcite, nu3", "1410-1430"): "calcite CO3 1421",
    ("gypsum, sulfate bend", "670"): "gypsum SO4 670",
    ("hydrozincite, nu3 component 2", "1385-1390"): "hydrozincite CO3 1361",
    ("silica, amorphous", "800"): "silica Si-O 800",
    ("alkyd, C=O", "1722-1730"): "alkyd C=O 1726",
    ("agar, glycosidic", "1150"): "agar C-O-C 1140",
}


def rows(name):
    with open(BANDS / name, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def listed(material):
    return [one for one in mk.markers().values() if one.material == material]


def present(row):
    """Not the rows that say where a material has no peak."""
    return row["strength"] != "absent"


def span(row):
    low, high = float(row["low"]), float(row["high"])
    return f"{low:g}" if low == high else f"{low:g}-{high:g}"


def test_every_row_of_a_source_is_printed_by_a_marker_in_its_words():
    read = {
        (row["material"], row["source_key"], span(row), row["assignment"])
        for row in rows("bands.csv") if row["provenance"] == "published" and present(row)
    }  # fmt: skip
    printed = {(one.material, *entry) for one in mk.markers().values() for entry in one.printed}
    assert printed == read
    assert len(read) == 130


def test_what_is_printed_lies_in_the_range_of_its_marker():
    for one in mk.markers().values():
        assert one.sources == tuple(dict.fromkeys(key for key, *_ in one.printed)), one.name
        for _, position, _ in one.printed:
            numbers = [float(number) for number in position.split("-")]
            assert one.range[0] <= min(numbers) <= max(numbers) <= one.range[1], one.name


def is_printed(one):
    """Whether a source that was read at first hand prints this position and this assignment."""
    return any(
        min(numbers) <= one.position <= max(numbers)
        for key, position, assignment in one.printed
        for numbers in [[float(number) for number in position.split("-")]]
        if assignment == one.assignment and "second hand" not in mk.sources()[key].get("thin", "")
    )


@pytest.mark.parametrize("one", mk.markers().values(), ids=lambda one: one.name)
def test_provenance_is_what_one_source_prints_of_position_and_assignment(one):
    assert is_printed(one) == (one.provenance == "published")


@pytest.mark.parametrize(
    ("name", "printed"),
    [
        ("pva C-O 1092", {"1080": "C-O-H", "1095": "C-C stretch region"}),
        ("acetate C=O 1735", {"1722": "C=O", "1739": "acetate C=O"}),
        ("peo CH2 963", {"950.3": "CH=CH out-of-plane"}),
        ("peo CH2 842", {"845.8": "ring/ether C-O"}),
        ("agar sulfate 845", {"840-850": "alpha linkage"}),
    ],
)
def test_what_no_source_prints_stands_beside_what_they_print(name, printed):
    one = mk.marker(name)
    assert one.provenance == "from memory"
    assert {position: assignment for _, position, assignment in one.printed} == printed


def test_every_marker_source_is_in_the_bibliography_and_says_where_that_is_unconfirmed(works):
    by_marker_key = {
        entry["keywords"].removeprefix("marker source "): entry
        for entry in works.values() if entry.get("keywords", "").startswith("marker source")
    }  # fmt: skip
    assert set(by_marker_key) == set(mk.sources())
    for key, source in mk.sources().items():
        confirmed = by_marker_key[key]["note"].startswith("verified")
        assert confirmed == ("record is not confirmed" not in source.get("thin", "")), key


def test_every_remembered_position_lies_in_a_marker_of_its_material():
    remembered = [row for row in rows("bands.csv") if row["provenance"] == "memory"]
    lost = [
        row for row in remembered
        if not any(
            one.range[0] <= float(row["low"]) <= float(row["high"]) <= one.range[1]
            for one in listed(row["material"])
        )
    ]  # fmt: skip
    assert not lost
    assert len(remembered) == 175


def test_how_many_markers_have_which_provenance():
    text = (Path(mk.__file__).parent / "data/markers.toml").read_text(encoding="utf-8")
    kinds = [one.provenance for one in mk.markers().values()]
    counted = {kind: kinds.count(kind) for kind in ("published", "from memory")}
    assert counted == {
        kind: text.count(f'\nprovenance = "{kind}"') for kind in ("published", "from memory")
    }
    assert counted == {"published": 82, "from memory": 177}


def test_every_source_resolves_and_none_is_idle():
    cited = {key for one in mk.markers().values() for key in one.sources}
    named = {key for key in mk.sources() for one in mk.markers().values() if key in one.note}
    assert cited <= set(mk.sources())
    assert set(mk.sources()) == cited | named


def test_sources_agree_with_the_record_of_what_was_read():
    record = {row["source_key"]: row for row in rows("sources.csv")}
    for key, source in mk.sources().items():
        assert key in record
        assert source["citation"]
        assert source["read"]
        assert source.get("doi") or source.get("address")
        assert source.get("doi", "") in record[key]["doi_or_address"]


def test_nothing_rests_on_a_quotation_of_an_unnamed_paper():
    weak = [row["source_key"] for row in rows("sources.csv") if row["citation"].startswith("WEAK")]
    assert len(weak) == 5
    assert not set(weak) & set(mk.sources())


@pytest.mark.parametrize("row", rows("disagreements.csv"), ids=lambda row: row["material"])
def test_a_disagreement_is_covered_by_the_range_or_told_in_the_note(row):
    one = mk.marker(ANSWERS[row["material"], row["from_memory"]])
    said = [
        float(number)
        for cell in (row["published"], row["from_memory"])
        for number in re.findall(r"\d{3,4}(?:\.\d+)?", cell)
    ]
    outside = [number for number in said if not one.range[0] <= number <= one.range[1]]
    assert said
    assert all(f"{number:g}" in one.note for number in outside), (outside, one.note)
    assert row["source_key"] in one.note or row["source_key"] in one.sources
