"""The table of markers, its names and windows; own bands; every fault at once."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit import markers as mk
from residuekit.errors import MarkerError
from residuekit.marker_fields import GROUPS
from residuekit.markers import Marker, marker, marker_weights, resolve

OWN = {"name": "own C-D 2150", "low": 2050, "high": 2250}
GEL_AND_LOAD = (
    "poly(vinyl alcohol), fully hydrolysed",
    "poly(vinyl alcohol), partly hydrolysed (residual acetate)",
    "poly(vinyl acetate)", "borax-PVA", "agar", "gellan", "xanthan",
    "hydroxypropyl methylcellulose", "methyl cellulose", "hydroxypropyl cellulose",
    "carboxymethyl cellulose", "PDMS", "poly(acrylic acid) / polyacrylate", "PVP", "pHEMA",
    "ammonium citrates", "EDTA salts", "ethoxylate surfactant / PEG",
)  # fmt: skip


def faults(*use):
    with pytest.raises(MarkerError) as caught:
        resolve(use)
    return [str(fault) for fault in caught.value.faults]


def test_the_two_fixed_names_and_their_windows():
    first, second = resolve(["pva C-O 1092", "acetate C=O 1735"])
    assert (first.low, first.high, first.measure, first.unit) == (1050, 1140, "area", "A cm-1")
    assert (second.low, second.high, second.position) == (1715, 1760, 1735)


def test_each_marker_holds_its_position_range_and_what_is_needed_to_judge_it():
    for one in mk.markers().values():
        low, high = one.range
        assert one.low <= low <= one.position <= high <= one.high, one.name
        assert one.group in GROUPS, one.name
        assert one.name.split()[-1] == f"{one.position:.0f}", one.name
        assert one.sources or one.provenance == "from memory", one.name
        assert one.provenance in ("published", "from memory"), one.name
        assert one.reason.endswith("."), one.name


def test_each_gel_and_load_has_at_least_two_markers():
    held = [one.material for one in mk.markers().values() if one.group in ("gel", "load")]
    assert set(held) == set(GEL_AND_LOAD)
    assert min(held.count(material) for material in GEL_AND_LOAD) >= 2


def test_the_file_lists_each_material_once_from_high_to_low():
    materials = [one.material for one in mk.markers().values()]
    changes = [a for a, b in zip(materials, [*materials[1:], ""], strict=True) if a != b]
    assert len(changes) == len(set(changes))
    for material in changes:
        positions = [m.position for m in mk.markers().values() if m.material == material]
        assert positions == sorted(positions, reverse=True), material


def test_no_name_stands_twice_in_the_file():
    listed = [entry for material in mk._table()["material"] for entry in material["marker"]]
    assert len(listed) == len(mk.markers())


def test_own_bands_tables_and_markers_work_alike():
    table, made = resolve(
        [OWN, Marker("own ring 1512", 1500, 1524, measure="height", position=1512)]
    )
    assert table == Marker("own C-D 2150", 2050.0, 2250.0)
    assert table.provenance == "own band"
    assert made.unit == "A"
    assert resolve("pva C-O 1092") == resolve([marker("pva C-O 1092")])
    assert hash(Marker(**OWN, anchors=[[2000, 2040], [2260, 2300]]))
    assert resolve([]) == ()


SHARED_BY_MANY = ("OH ", "water", "CH ", "CH2 ", "CH3 ", "C-H ", "sulfate", "SO4")
#: Narrow enough to tell their material, or told by what stands about them in the table.
TELLING = (
    "pdms CH3 1260", "peo CH2 1343", "peo CH2 963", "peo CH2 842", "oil =CH 3009", "oil =CH 914",
    "alkyd CH 742", "kaolin OH 3695", "kaolin OH 3670", "kaolin OH 3651", "kaolin OH 3620",
    "hydrozincite OH 1047", "hydrozincite OH 950", "kaolin Al-OH 912", "silica Si-OH 935",
    "agar C-OH 1074", "phema C-OH 1075", "peo C-OH 1068", "starch C-OH 994",
)  # fmt: skip


def test_water_hydroxyl_hydrocarbon_and_sulfate_bands_are_unspecific():
    named = {name for name in mk.markers() if any(word in name for word in SHARED_BY_MANY)}
    unspecific = {one.name for one in mk.markers().values() if one.unspecific}
    assert named - set(TELLING) <= unspecific
    assert not unspecific & set(TELLING)
    assert unspecific - named == {"citrate NH4+ 3100", "peo chain 723"}
    assert not marker("pva C-O 1092").unspecific


def test_an_unspecific_band_is_never_the_first_choice_and_says_so():
    asked = resolve(["agar water 1645", "agar C-O 1040", "agar sulfate 1250", "pva C-O 1092"])
    ordered = [one.name for one in mk.in_deciding_order(asked)]
    assert ordered == ["agar C-O 1040", "pva C-O 1092", "agar water 1645", "agar sulfate 1250"]
    assert "unspecific: many materials absorb here: never the first choice" in str(asked[0])
    assert "unspecific" not in str(asked[1])
    assert mk.to_frame(asked)["unspecific"].tolist() == [True, False, True, False]


def test_an_unknown_name_is_answered_with_the_nearest():
    assert "did you mean 'pva C-O 1092'?" in faults("pva CO 1092")[0]
    assert "to_frame" in faults("zzzz")[0]


def test_every_fault_of_every_entry_comes_at_once():
    told = faults(
        "pva CO 1092", {"nmae": "a", "low": "x"}, 5,
        {"name": "b", "low": True, "high": math.nan, "group": "gell", "sources": "SAAT2014"},
        {"name": "c", "low": 2, "high": 1}, OWN, OWN,
    )  # fmt: skip
    words = (
        "did you mean 'pva", "did you mean 'name'?", "without 'name'", "without 'high'",
        "low = 'x'", "5 for a marker", "low = True", "high = nan", "'gell'", "'SAAT2014'",
        "2 to 1", "2 times",
    )  # fmt: skip
    for word in words:
        assert sum(word in line for line in told) == 1, word
    assert len(told) == len(words)


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ({"position": 1000}, "outside the window"),
        ({"measure": "height"}, "height without a position"),
        ({"measure": "volume"}, "'area' or 'height'"),
        ({"anchors": [[2000, 2060], [2050, 2300]]}, "first interval below the second"),
        ({"anchors": [[2000, 2060]]}, "two intervals"),
        ({"anchors": [2000, 2300]}, "two intervals"),
        ({"name": "a; b"}, "without a semicolon"),
        ({"name": " "}, "without a semicolon"),
        ({"note": 3}, "needed text"),
        ({"unspecific": "yes"}, "true or false"),
        ({"printed": [["a book", 1092]]}, "[source, position, assignment]"),
        ({"name": "pva C-O 1092"}, "another name"),
    ],
)
def test_what_does_not_fit_is_refused(extra, words):
    told = faults({**OWN, **extra})
    assert len(told) == 1
    assert words in told[0]


def test_a_name_of_the_table_never_means_another_band():
    wider = dataclasses.replace(marker("pva C-O 1092"), low=1000)
    assert "another name" in faults(wider)[0]


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from([*OWN, "measure", "anchors", "position", "sources", "zzz"]),
        st.one_of(
            st.none(), st.booleans(), st.floats(), st.text(max_size=3), st.lists(st.floats())
        ),
    )
)
def test_any_table_is_a_marker_or_a_told_fault(table):
    try:
        made = resolve([table])[0]
    except MarkerError:
        return
    assert made.low < made.high
    assert made.name == table["name"]


def test_weights_measure_area_and_height_in_one_matrix():
    axis = np.arange(900.0, 1300.0, 2.0)
    height = Marker("own height 1092", 1050, 1140, measure="height", position=1092)
    weights = marker_weights([marker("pva C-O 1092"), height], axis)
    band = np.exp(-0.5 * ((axis - 1092) / 8) ** 2)
    area, top = weights @ band
    assert area == pytest.approx(8 * math.sqrt(2 * math.pi), rel=0.01)
    assert top == pytest.approx(1, rel=0.01)
    assert marker_weights([], axis).shape == (0, axis.size)


def test_every_marker_that_leaves_the_axis_is_named():
    with pytest.raises(MarkerError) as caught:
        marker_weights(resolve(["pva OH 3288", "pva C-O 1092", OWN]), np.arange(900.0, 1800.0, 4.0))
    told = [str(fault) for fault in caught.value.faults]
    assert len(told) == 2
    assert "'pva OH 3288'" in told[0]
    assert "900 to 1796 cm-1" in told[0]


def test_a_marker_says_what_it_is_in_text_and_html():
    one = marker("acetate C=O 1735")
    for said in (str(one), one._repr_html_()):
        assert "1715 to 1760" in said
        assert "10.1155/2014/439839" in said
        assert "alignment of cells and columns was inferred" in said
        assert "EVA2015 1739 (acetate C=O); SAAT2014 1722 (C=O)" in said
        assert "the name is agreed and stays" in said
    own = Marker("a < b", 1, 2, anchors=((0, 1), (2, 3)), sources=("a notebook",))
    assert "a &lt; b" in own._repr_html_()
    assert "0 to 1 and 2 to 3" in str(own)
    assert "a notebook" in str(own)


def test_the_frame_has_a_row_a_marker():
    frame = mk.to_frame()
    assert list(frame["name"]) == list(mk.markers())
    assert mk.to_frame(["pva C-O 1092"])["sources"].item() == "HAN2015; SAAT2014"


def test_what_is_handed_out_can_be_changed_without_harm():
    mk.markers().clear()
    mk.sources()["SAAT2014"].clear()
    assert "citation" in mk.sources()["SAAT2014"]
    assert "pva C-O 1092" in mk.markers()
