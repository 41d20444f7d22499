"""The procedure: TOML and history round trips, all faults at once with their place, one apply."""

import tomllib

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

import residuekit as rk
from residuekit import schema
from residuekit.errors import ContractError, ProcedureError
from residuekit.spectra.procedure import Procedure

AXIS = np.linspace(900.0, 1900.0, 201)

STUDY = """title = "a study of a tram shelter that never stood"   # step = "no step"
[procedure]
steps = [
    # {step = "smooth"},
    {step = "crop", low = 950, high = 1_850},
    {step = "correct_baseline", method = "arpls", smoothness = 1e3},
    {method = "two-point", left = [1000, 1010], "step" = "correct_baseline", right = [1800, 1810]},
    {step = "normalise"}, {step = "smooth", window = 11},
]
[markers]
use = []
"""

number = st.floats(1e-6, 1e9)
interval = st.tuples(st.floats(0, 1900), st.floats(1, 100)).map(lambda p: [p[0], p[0] + p[1]])
STEPS = st.one_of(
    interval.map(lambda p: {"step": "crop", "low": p[0], "high": p[1]}),
    st.floats(0, 0.999).map(lambda level: {"step": "to_absorbance", "stray_level": level}),
    number.map(lambda s: {"step": "correct_baseline", "smoothness": s}),
    st.tuples(interval, interval).map(
        lambda p: {"step": "correct_baseline", "method": "two-point", "left": p[0], "right": p[1]}
    ),
    st.integers(0, 20).map(
        lambda order: {"step": "correct_baseline", "method": "polynomial", "order": order}
    ),
    st.sampled_from(["vector", "snv", "area"]).map(lambda m: {"step": "normalise", "method": m}),
    interval.map(
        lambda p: {"step": "normalise", "method": "internal standard", "low": p[0], "high": p[1]}
    ),
    st.integers(2, 20).map(lambda half: {"step": "smooth", "window": 2 * half + 1}),
)


def absorbance() -> xr.DataArray:
    rng = np.random.default_rng(4)
    band = np.exp(-(((AXIS - 1090) / 20) ** 2))
    return schema.make_map(0.2 + band + rng.normal(0, 0.001, (2, 3, AXIS.size)), AXIS)


@settings(max_examples=50, deadline=None)
@given(steps=st.lists(STEPS, max_size=5))
def test_a_procedure_written_as_toml_reads_back_the_same(steps):
    procedure = Procedure.from_steps(steps)
    text = procedure.to_toml()
    assert Procedure.from_toml(text) == procedure
    assert Procedure.from_toml(text).to_toml() == text
    for written, (_, parameters) in zip(
        tomllib.loads(text)["procedure"]["steps"], procedure.steps, strict=True
    ):
        assert set(written) - {"step"} == {k for k, v in parameters.items() if v is not None}


def test_a_study_file_gives_its_steps_and_defaults_are_filled_in(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(STUDY, encoding="utf-8")
    for source in (path, str(path), STUDY):
        procedure = Procedure.from_toml(source)
        assert [name for name, _ in procedure.steps] == [
            "crop", "correct_baseline", "correct_baseline", "normalise", "smooth"
        ]  # fmt: skip
        assert procedure.steps[0][1] == {"low": 950, "high": 1850}
        assert procedure.steps[4][1] == {"window": 11, "order": 2, "derivative": 0}
    assert Procedure.from_toml(path).lines == (5, 6, 7, 8, 8)
    assert Procedure.from_toml(path) == Procedure.from_toml(STUDY)


def test_applying_is_calling_the_steps_one_after_the_other():
    expected = (
        absorbance()
        .pipe(rk.crop, 950, 1850)
        .pipe(rk.correct_baseline, "arpls", smoothness=1e3)
        .pipe(rk.correct_baseline, "two-point", left=[1000, 1010], right=[1800, 1810])
        .pipe(rk.normalise)
        .pipe(rk.smooth, 11)
    )
    result = Procedure.from_toml(STUDY).apply(absorbance())
    xr.testing.assert_identical(result, expected)


def test_the_history_of_an_array_is_the_procedure_that_makes_it():
    procedure = Procedure.from_toml(STUDY)
    result = procedure.apply(absorbance())
    again = Procedure.from_steps(schema.history(result))
    assert again == procedure
    xr.testing.assert_identical(again.apply(absorbance()), result)


def test_a_descending_file_gives_the_same_result():
    descending = schema.make_map(absorbance().values[..., ::-1], AXIS[::-1])
    procedure = Procedure.from_toml(STUDY)
    xr.testing.assert_identical(procedure.apply(descending), procedure.apply(absorbance()))


def test_no_steps_are_a_procedure_too():
    nothing = Procedure.from_toml("[procedure]\nsteps = []")
    assert nothing == Procedure()
    xr.testing.assert_identical(nothing.apply(absorbance()), absorbance())
    assert Procedure.from_toml(nothing.to_toml()) == nothing


def test_all_faults_of_all_steps_come_at_once_with_file_and_line(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(
        STUDY.replace("crop", "cropp").replace("smoothness", "smothness").replace("= 11", "= 12"),
        encoding="utf-8",
    )
    with pytest.raises(ProcedureError) as caught:
        Procedure.from_toml(path)
    faults = caught.value.faults
    assert [fault.line for fault in faults] == [5, 6, 8]
    assert {fault.file for fault in faults} == {str(path)}
    assert "in step 1, a step 'cropp'" in faults[0].found
    assert faults[1].fix == "did you mean 'smoothness'?"
    assert "in step 5, smooth with window = 12" in faults[2].found


def test_an_unknown_key_and_an_entry_that_is_no_step_hide_no_other_fault():
    text = "[procedure]\nstepps = 1\nsteps = [\n3,\n{step = 'smooth', window = 8},\n{low = 1}]"
    with pytest.raises(ProcedureError) as caught:
        Procedure.from_toml(text)
    assert [fault.line for fault in caught.value.faults] == [2, 4, 5, 6]


def test_a_procedure_with_faults_cannot_be_made_by_hand_either():
    with pytest.raises(ProcedureError, match="in step 2"):
        Procedure((("smooth", {}), ("smooth", {"order": -1})))


def test_steps_of_one_line_arrays_of_tables_have_their_lines():
    text = '[[procedure.steps]]\nstep = "smooth"\n\n[[procedure.steps]]\nstep = "smoothe"\n'
    with pytest.raises(ProcedureError) as caught:
        Procedure.from_toml(text)
    assert [fault.line for fault in caught.value.faults] == [5]


@pytest.mark.parametrize(
    ("text", "words", "line"),
    [
        ("[procedure]\nsteps = [}", "not TOML", 2),
        ("[procedure]\nsteps = [", "not TOML", None),
        ("[procedures]\nsteps = []", "no list of steps", None),
        ("[procedure]\nstep = []", "no list of steps", 1),
        ("procedure = 3", "no list of steps", 1),
        ("[procedure]\nsteps = []\nstepps = []", "the unknown key 'stepps' in [procedure]", 3),
        ("[procedure]\nsteps = [{low = 1}]", "{'low': 1} as a step", 2),
        ("[procedure]\nsteps = ['crop']", "'crop' as a step", 2),
    ],
)
def test_a_text_that_holds_no_procedure_is_refused(text, words, line):
    with pytest.raises(ProcedureError) as caught:
        Procedure.from_toml(text)
    (fault,) = caught.value.faults
    assert words in fault.found
    assert fault.line == line


def test_a_missing_and_an_unreadable_file_are_named(tmp_path):
    binary = tmp_path / "study.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    for path in (tmp_path / "absent.toml", binary):
        with pytest.raises(ProcedureError) as caught:
            Procedure.from_toml(path)
        assert caught.value.faults[0].file == str(path)


def test_a_step_that_does_not_fit_the_data_is_named_by_number_file_and_line(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(
        '[procedure]\nsteps = [\n{step = "smooth"},\n{step = "crop", low = 3000, high = 3800},\n]',
        encoding="utf-8",
    )
    with pytest.raises(ProcedureError) as caught:
        Procedure.from_toml(path).apply(absorbance())
    (fault,) = caught.value.faults
    assert fault.found.startswith("in step 2, no channel from 3000 to 3800")
    assert (fault.file, fault.line) == (str(path), 4)
    reflectance = schema.make_map(absorbance().values, AXIS, quantity="reflectance")
    with pytest.raises(ContractError, match="in step 1"):
        Procedure.from_steps([{"step": "to_absorbance"}]).apply(reflectance)


def test_the_text_the_page_and_the_table_show_every_parameter():
    procedure = Procedure.from_toml(STUDY)
    text, page, table = repr(procedure), procedure._repr_html_(), procedure.to_frame()
    assert text.splitlines()[0] == "Procedure of 5 steps"
    assert text.splitlines()[2] == (
        '  2. correct_baseline: method = "arpls", smoothness = 1000.0, tolerance = 0.001, '
        "max_iterations = 50"
    )
    assert page.count("<li>") == 5
    assert "method = &quot;arpls&quot;" in page
    assert list(table.columns) == ["number", "step", "parameter", "value"]
    assert len(table) == sum(len(parameters) for _, parameters in procedure.steps)
    row = table[(table["number"] == 2) & (table["parameter"] == "max_iterations")]
    assert row["value"].item() == 50
