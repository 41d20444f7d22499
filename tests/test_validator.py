"""One validator: every field of every table refuses what does not fit, with its place and example;
no fault hides another; the line of every value in a TOML text is found."""

from __future__ import annotations

import ast
import json
import tomllib
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from residuekit.errors import ContractError, Fault, ReadError
from residuekit.io import options
from residuekit.schema import NEEDED_CELLS
from residuekit.spectra.parameters import METHODS, RULES, STEPS, complete_parameters
from residuekit.study import measurements
from residuekit.study.settings import FIELDS as STUDY
from residuekit.study.settings import read_settings
from residuekit.toml_lines import lines_of, load_toml
from residuekit.trial import table as trial
from residuekit.validator import (
    CALL,
    CELLS,
    Field,
    Place,
    check,
    choice,
    flag,
    listed,
    number,
    require,
    table,
    tables,
    text,
)

QUIET = settings(max_examples=15, deadline=None)
KINDS = [
    options.TextOptions, options.SheetOptions, options.BlockOptions, options.DatasetOptions,
    options.PathOptions, options.NumpyOptions, options.FlatOptions, options.FolderOptions,
]  # fmt: skip
READS: dict[str, Any] = {"toml": lambda text: tomllib.loads(f"v = {text}")["v"],
                         "call": ast.literal_eval, "cells": str}  # fmt: skip
#: Every table of fields, flat: (how it is written, name, field).
FLAT = [
    *(("toml", name, one) for part in STUDY.values() for name, one in (part.fields or {}).items()),
    *(("toml", name, one) for name, one in RULES.items()),
    *(("call", name, one) for kind in KINDS for name, one in options.fields_of(kind).items()),
    *(("cells", name, one) for name, one in measurements.FIELDS.items()),
    *(("cells", name, one) for name, one in trial.FIELDS.items()),
]
PLACES = {"toml": Place("f.toml"), "call": replace(CALL, file="f.toml"),
          "cells": replace(CELLS, file="f.toml")}  # fmt: skip
each_field = pytest.mark.parametrize(
    ("how", "name", "one"), FLAT, ids=[f"{how} {name}" for how, name, _ in FLAT]
)

words = st.text("abcXYZ äé#=[]{}.,'\"\\", max_size=6)
anything = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**9), 10**9), st.floats(), words,
    st.lists(st.one_of(words, st.floats(), st.booleans(), st.none()), max_size=3),
    st.dictionaries(words, st.integers(), max_size=2),
)  # fmt: skip


def accepts(how: str, one: Field, value: Any) -> bool:
    _, faults = check({"it": value}, {"it": one}, PLACES[how])
    return not faults


@each_field
def test_the_example_of_a_field_is_itself_accepted(how, name, one):
    assert accepts(how, one, READS[how](one.example)), name


@each_field
@QUIET
@given(data=st.data())
def test_a_value_that_does_not_fit_is_one_fault_with_place_and_what_to_type(how, name, one, data):
    raw = data.draw(words if how == "cells" else anything)
    place = replace(PLACES[how], lines={(): 3, (name,): 7})
    values, faults = check({name: raw}, {name: one}, place)
    if not faults:
        assert values[name] == (one.read(raw) if how == "cells" else raw) or raw != raw
        return
    assert values.get(name) == one.default
    for fault in faults:
        assert (fault.file, fault.line) == ("f.toml", 7)
        assert name in fault.found
        assert repr(raw) in fault.found or any(repr(item) in fault.found for item in raw)
        assert one.example in fault.fix or "did you mean" in fault.fix or "choose" in fault.fix \
            or one.each.example in fault.fix  # fmt: skip


@each_field
def test_every_field_has_something_that_it_refuses(how, name, one):
    wrong: list[Any] = ["no such word" if one.choices else "two"] if how == "cells" else [{}, "ü"]
    free = how == "cells" and one.read is str
    assert free or any(not accepts(how, one, value) for value in wrong), name


@QUIET
@given(which=st.sets(st.sampled_from(sorted(RULES))), unknown=st.sets(st.sampled_from("vwxyz")))
def test_no_fault_is_lost_among_others(which, unknown):
    stated = dict.fromkeys([*which, *unknown], object())
    lines = {(name,): line for line, name in enumerate(stated, start=1)}
    values, faults = check(stated, RULES, Place("p.toml", lines))
    assert sorted(fault.line for fault in faults) == sorted(lines.values())
    assert not values


SPOILT = {
    ("question", "treatment"): "3", ("question", "working_exposure_min"): "0",
    ("question", "acceptance_limit_ug_cm2"): '"0.5"', ("question", "acceptance_reason"): "[]",
    ("markers", "use"): "3", ("markers", "scores"): '["bnad"]', ("limits", "alpha"): "0.5",
    ("limits", "beta"): "true", ("quality", "min_snr"): "-1", ("figure", "width_mm"): "300",
    ("figure", "image_affine"): '"none"', ("figure", "image_mockup"): "1.5",
    ("limits", "gamma"): "0.1",
}  # fmt: skip


@settings(QUIET, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(which=st.sets(st.sampled_from(sorted(SPOILT))))
def test_each_fault_of_a_study_toml_stands_on_its_own_line(tmp_path, which):
    sound = {("question", "treatment"): '"gel"', ("markers", "use"): '["pva C-O 1092"]'}
    lines = ["[procedure]", "steps = []"]
    expected = []
    for part in ("question", "markers", "limits", "quality", "figure"):
        lines.append(f"[{part}]  # {part} = [")
        for way, typed in {**sound, **{key: SPOILT[key] for key in which}}.items():
            if way[0] == part:
                lines.append(f"{way[1]} = {typed}")
                if way in which:
                    expected.append(len(lines))
    (tmp_path / "study.toml").write_text("\n".join(lines), encoding="utf-8")
    _, place, faults = read_settings(tmp_path)
    assert {fault.file for fault in faults} <= {"study.toml"} == {place.file}
    assert sorted(fault.line for fault in faults) == sorted(expected)


@pytest.mark.parametrize("name", STUDY)
def test_a_table_that_is_none_is_one_fault_and_the_rest_is_checked(tmp_path, name):
    toml = f"{name} = 3\nlimits.alpha = 7" if name != "limits" else "limits = 3\nfigur = 7"
    (tmp_path / "study.toml").write_text(toml, encoding="utf-8")
    _, _, faults = read_settings(tmp_path)
    assert (1, f"{name} = 3") in [(fault.line, fault.found) for fault in faults]
    assert 2 in [fault.line for fault in faults]


def test_a_number_that_no_computer_holds_is_refused():
    for huge in (10**400, -(10**400), float("inf"), float("nan")):
        assert not number(example="1").fits(huge)


@pytest.mark.parametrize(
    ("name", "cell"),
    [(name, "two") for name, one in measurements.FIELDS.items() if one.fits("two") is False],
)
def test_a_wrong_cell_is_told_with_its_line_beside_all_others(tmp_path, name, cell):
    row = {"file": "a.nc", "role": "exposed", "mockup": "m", "paint": "p", "treatment": "t",
           "exposure_min": "2", "clearance_min": "2,5"}  # fmt: skip
    rows = [row, {**row, name: cell}, {**row, "mockup": "", name: cell}]
    head = list(measurements.FIELDS)
    text = "\n".join(";".join(one.get(key, "") for key in head) for one in rows)
    (tmp_path / "measurements.csv").write_text(f"{';'.join(head)}\n{text}\n", "utf-8")
    table, read, faults = measurements.read_measurements(tmp_path)
    assert [one.clearance_min for one in read if not one.doubtful] == [2.5]
    own = [fault for fault in faults if f"{name} '{cell}'" in fault.found]
    assert [fault.line for fault in own] == [3, 4]
    assert {fault.file for fault in faults} == {table}
    if name != "role":
        assert [f.line for f in faults if "an empty mockup in a row of role" in f.found] == [4]


@pytest.mark.parametrize("role", ["", *NEEDED_CELLS])
def test_a_mend_of_an_empty_cell_types_no_answer(tmp_path, role):
    head = ["file", *dict.fromkeys(name for own in NEEDED_CELLS.values() for name in own[1:])]
    text = f"role,{','.join(head)}\n{role},a.nc{',' * (len(head) - 1)}\n"
    (tmp_path / "measurements.csv").write_text(text, "utf-8")
    _, _, faults = measurements.read_measurements(tmp_path)
    empty = [fault for fault in faults if fault.found.startswith("an empty")]
    assert len(empty) == len(NEEDED_CELLS.get(role, ("file", "role"))) - 1
    for fault in empty:
        name = fault.found.split()[2]
        assert fault.fix.startswith(f"{name}: ")
        if name == "role":
            assert all(word in fault.fix for word in NEEDED_CELLS)
        else:
            assert measurements.FIELDS[name].example not in fault.fix.split()


@pytest.mark.parametrize("name", [n for n, one in trial.FIELDS.items() if not one.fits("two")])
def test_a_wrong_cell_of_a_trial_is_told_with_its_line(tmp_path, name):
    text = f"treatment,mockup,paint,{name}\ngel,m1,alkyd,\ngel,m2,alkyd,two\n,m3,alkyd,two\n"
    (tmp_path / "trial.csv").write_text(text, "utf-8")
    _, faults = trial.examine_trial(tmp_path)
    assert [(f.line, f.found) for f in faults] == [
        (3, f"{name} 'two'"), (4, "an empty treatment"), (4, f"{name} 'two'"),
    ]  # fmt: skip


def test_all_options_that_are_wrong_are_told_at_once(tmp_path):
    stated = options.TextOptions(quantity="absorbence", percent="no", decimal=";", x_unit="mm")
    with pytest.raises(ReadError) as refused:
        options.checked(tmp_path / "t.csv", stated)
    found = sorted(fault.found for fault in refused.value.faults)
    assert found == ["decimal=';'", "percent='no'", "quantity='absorbence'", "x_unit='mm'"]
    assert {fault.file for fault in refused.value.faults} == {str(tmp_path / "t.csv")}


def test_the_defaults_of_all_steps_keep_their_fields():
    given = {"crop": {"low": 1, "high": 2}, "resample": {"spacing": 1}}
    given |= {"subtract_vapour": {"file": "v"}, "correct_scatter": {"blanks": ["b"]}}
    for step in set(STEPS) - set(METHODS):
        complete = complete_parameters(step, given.get(step, {}))
        assert not check({k: v for k, v in complete.items() if v is not None}, RULES, Place())[1]


# arrays of tables

RESIDUES = {
    "residue": tables({
        "material": text(needed=True),
        "left_by": listed(text("the name of a treatment", '"gel"'), least=1),
        "limit": number(above=0, example="0.5", default=1.0),
    }),
    "reading": table({"percent": flag(), "quantity": choice(("absorbance", "reflectance"))}),
}  # fmt: skip


def faults_of(text: str) -> tuple[dict[str, Any], list[Fault]]:
    return check(load_toml(text), RESIDUES, Place("s.toml", lines_of(text)))


def test_each_table_of_an_array_is_checked_in_its_own_lines():
    text = (
        '[[residue]]\nmaterial = "PVA"\n\n[[residue]]\nleft_by = [\n  "gel",\n  3]\nlimt = 1\n'
        '[reading]\npercent = "yes"\nquantity = "reflectence"\n'
    )
    _, faults = faults_of(text)
    assert [(fault.line, fault.found) for fault in faults] == [
        (8, "the unknown key 'limt' in [residue 2]"), (4, "no material in [residue 2]"),
        (7, "3 in left_by"), (10, "percent = 'yes'"), (11, "quantity = 'reflectence'"),
    ]  # fmt: skip
    assert faults[-1].fix == "did you mean 'reflectance'?"


def test_values_that_are_right_come_with_the_defaults_of_those_left_out():
    values, faults = faults_of('[[residue]]\nmaterial = "PVA"\n')
    assert not faults
    assert values == {"residue": [{"material": "PVA", "limit": 1.0}], "reading": {}}


def test_an_argument_is_refused_by_its_name():
    one = number("a rate", above=0, below=0.5, example="0.05")
    assert require(0.1, "alpha", one, ContractError) == 0.1
    with pytest.raises(ContractError, match=r"alpha=0\.7; needed a rate"):
        require(0.7, "alpha", one, ContractError)


# the lines of a TOML text

keys = st.one_of(st.sampled_from(["a", "b-1", "7"]), words.map(lambda word: word + "k"))
scalars = st.one_of(
    words.map(lambda one: json.dumps(one, ensure_ascii=False)),
    st.sampled_from([
        "1_000", "-0.5e3", "inf", "true", "1979-05-27 07:32:00.5", "'a = [1]'", '"""\n[x]\na=1"""',
        "'''\nk = \"\"\"\n'''", '""', '"""a""""',
    ]),
)  # fmt: skip
nested = st.recursive(
    scalars,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(keys, inner, max_size=3),
    ),
    max_leaves=6,
)
tables_of_text = st.dictionaries(keys, nested, max_size=4)


class Written:
    """A TOML text, and the line of each way to a value as it was written."""

    def __init__(self) -> None:
        self.text = ""
        self.lines: dict[Any, int] = {}

    @property
    def line(self) -> int:
        return self.text.count("\n") + 1

    def write(self, way: tuple[Any, ...], value: Any, can_break: bool = True) -> None:
        if isinstance(value, str):
            self.text += value
        elif isinstance(value, list):
            self.text += "["
            for place, item in enumerate(value):
                self.text += " # ]\n  " if can_break else " "
                self.lines[(*way, place)] = self.line
                self.write((*way, place), item, can_break)
                self.text += ","
            self.text += "]"
        else:
            self.text += "{"
            for count, (key, item) in enumerate(value.items()):
                self.text += ", " if count else ""
                self.assign(way, key, item, can_break=False)
            self.text += "}"

    def assign(self, way: tuple[Any, ...], key: str, value: Any, can_break: bool = True) -> None:
        self.lines[(*way, key)] = self.line
        self.text += f"{json.dumps(key, ensure_ascii=False)} = "
        self.write((*way, key), value, can_break)


def ways(value: Any, way: tuple[Any, ...] = ()) -> set[Any]:
    items = value.items() if isinstance(value, dict) else enumerate(value) \
        if isinstance(value, list) else ()  # fmt: skip
    found = {way} if way else set()
    return found.union(*(ways(item, (*way, key)) for key, item in items))


@settings(QUIET, max_examples=200)
@given(top=tables_of_text, single=tables_of_text, several=st.lists(tables_of_text, max_size=3))
def test_the_line_of_every_value_is_found(top, single, several):
    made = Written()
    for key, value in top.items():
        made.assign((), f"top {key}", value)
        made.text += "  # a = 1\n"
    made.text += "\n"
    for head, way, held in [
        ("[single.'x.y']", ("single", "x.y"), single),
        *(("[[several]]", ("several", place), one) for place, one in enumerate(several)),
        *([("[several.last]", ("several", len(several) - 1, "last"), single)] if several else []),
    ]:
        made.lines[way] = made.line
        for short in range(1, len(way)):
            made.lines.setdefault(way[:short], made.line)
        made.text += f"{head}\n"
        for key, value in held.items():
            made.assign(way, key if key != "last" else "first", value)
            made.text += "\n"
    found = lines_of(made.text)
    assert set(found) == ways(tomllib.loads(made.text))
    assert found == made.lines


def test_text_that_is_not_toml_is_refused_with_its_line():
    with pytest.raises(ContractError) as refused:
        load_toml("a = 1\nb = [\n}", "s.toml", ContractError)
    (fault,) = refused.value.faults
    assert (fault.file, fault.line) == ("s.toml", 3)
