"""Names from a table are text: they harm no table, sheet, page, file name or record."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residuekit import io
from residuekit.errors import MarkerError, StudyError
from residuekit.markers import resolve
from residuekit.reprs import begins_as_formula
from residuekit.results import open_run
from residuekit.schema import make_points
from residuekit.study import Study, load_manifest, notebooks
from residuekit.study.template import template_notebooks

FORMULAS = (
    "=HYPERLINK(\"http://example.invalid\")", "+1+1", "-2+3", "@SUM(A1)", "=1", "＝1+1",
    "gel; =1+1", "-cmd|' /C calc'!A0",
)  # fmt: skip
UNSEEN = ("two\nlines", "a\tb", "bell\x07", "zero\x00", "re\u202etxt.exe", "li\u2028ne")
HARM = r"spreadsheet would compute|character that is not seen"
NAMES = (
    "C=O 1735", "-2", "'=1+1", "a=b, c-d", "$x^2$ and $$y$$",
    "<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "&amp;&lt;b&gt;",
    "../../escape", "C:\\up\\..", "name/with/slashes", "%s %n {0} ${HOME} $(id) `id`",
    "🎨🧽 gel", "m" * 500, "a; b, c | d", "O'Brien \"the\" 'restorer'", "[x](javascript:alert(1))",
)  # fmt: skip


class Tags(HTMLParser):
    """Every tag and every attribute of a page."""

    def __init__(self):
        super().__init__()
        self.seen: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        self.attributes += attrs


@pytest.fixture(scope="module")
def hostile(warm_copy, tmp_path_factory):
    """Mock-ups, sessions, a paint and a soiling with hostile names; one file with an odd one."""
    study = warm_copy(tmp_path_factory.mktemp("hostile") / "study")
    rows = study.rows()
    mockups = list(dict.fromkeys(row["mockup"] for row in rows if row["mockup"]))
    names = dict(zip(mockups, NAMES, strict=False))
    odd = f"data/{'é' * 40} 🎨 'x' %s $(id).nc"
    (study.folder / rows[0]["file"]).rename(study.folder / odd)
    rows[0]["file"] = odd
    for row in rows:
        row["mockup"] = names.get(row["mockup"], row["mockup"])
        row["session"] = NAMES[5]
        row["soiling"] = "" if row["role"] == "reference" else NAMES[6]
        row["paint"] = row["paint"] and NAMES[11]
    study.write_rows(rows)
    study.edit("title = ", f"title = '''{NAMES[5]}'''\n# ")
    return study


@pytest.fixture(scope="module")
def outcome(hostile):
    return hostile.run()


def test_a_study_with_hostile_names_is_judged_as_any_other(outcome, hostile):
    given = {row["mockup"] for row in hostile.rows() if row["role"] != "reference"}
    assert set(outcome.mockups["mockup"]) == given
    assert set(outcome.verdicts["paint"]) == {NAMES[11]}
    assert outcome.failures == {}
    assert {path.name for path in hostile.folder.parent.iterdir()} == {"study"}
    for path in outcome.folder.rglob("*"):
        assert path.resolve().is_relative_to(hostile.folder.resolve())
        assert len(path.name.encode()) <= 255

    page = (outcome.folder / "report.html").read_text(encoding="utf-8")
    tags = Tags()
    tags.feed(page)
    assert "alert(1)" not in "".join(str(value) for _, value in tags.attributes if value)
    assert not [name for name, _ in tags.attributes if name.startswith("on")]
    assert "<script>alert" not in page
    assert "<script>alert" not in outcome._repr_html_()
    picture = (outcome.folder / "figure.svg").read_text(encoding="utf-8")
    assert "<script" not in picture

    assert json.loads((outcome.folder / "provenance.json").read_text("utf-8"))
    assert "first run" in outcome.changes or outcome.changes.startswith("# What changed")
    assert open_run(hostile.folder).folder == outcome.folder


@pytest.mark.usefixtures("outcome", "without_pictures")
def test_what_changed_keeps_a_hostile_file_name_on_its_line(hostile, tmp_path):
    copy = replace(hostile, folder=tmp_path / "copy")
    shutil.copytree(hostile.folder, copy.folder, symlinks=True)
    first = copy.rows()[0]["file"]
    copy.keep(lambda row: row["file"] != first)
    said = copy.run().changes
    assert f"- gone: `{first}`" in said.splitlines()


def cells(folder):
    """Every cell of every table of a run, as a reader without opinions gives it."""
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            yield from (cell for line in csv.reader(file) for cell in line)


def test_no_table_of_a_run_holds_what_a_spreadsheet_computes(outcome):
    for cell in cells(outcome.folder):
        assert cell[:1] not in set("=+@＝＋－＠")
        assert not cell.startswith("-") or float(cell) < 0


@pytest.mark.parametrize("name", ["mockup", "paint", "soiling", "treatment"])
def test_a_name_that_begins_as_a_formula_is_refused(study, name):
    rows = study.rows()
    blank = next(row for row in rows if row["role"] == "exposed")
    blank[name] = FORMULAS[0]
    study.write_rows(rows)
    with pytest.raises(StudyError) as refusal:
        load_manifest(study.folder)
    line = rows.index(blank) + 2
    found = [fault for fault in refusal.value.faults if "formula" in fault.found]
    assert [(fault.file, fault.line) for fault in found] == [("measurements.csv", line)]
    assert found[0].found.startswith(f"{name} '=HYPERLINK")
    assert "HYPERLINK" in found[0].fix


@pytest.mark.parametrize("text", [*FORMULAS, *UNSEEN])
def test_every_such_name_is_refused(study, text):
    rows = study.rows()
    rows[0]["mockup"] = text
    study.write_rows(rows)
    with pytest.raises(StudyError, match=HARM):
        load_manifest(study.folder)


@pytest.mark.parametrize("text", ["+1+1", "@SUM(A1)", "two\nlines", "re\u202etxt.exe"])
def test_such_a_name_is_refused_from_a_workbook(study, text):
    rows = study.rows()
    rows[0]["mockup"] = text
    study.table.unlink()
    pd.DataFrame(rows).to_excel(study.table.with_suffix(".xlsx"), index=False)
    with pytest.raises(StudyError, match=HARM):
        load_manifest(study.folder)


def test_a_marker_of_ones_own_that_begins_as_a_formula_is_refused():
    for name in (*FORMULAS[:6], *UNSEEN[:2]):
        with pytest.raises(MarkerError, match="does not begin with"):
            resolve([{"name": name, "low": 1050, "high": 1140}])


@given(st.text(max_size=40))
def test_what_is_let_through_begins_with_no_sign_of_a_formula(text):
    first = text.strip()[:1]
    if not begins_as_formula(text):
        assert first not in set("=@＝＠")
        assert first not in set("+-＋－") or not text.strip()[1:].strip()[:1].isalpha()


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_texts_that_no_table_of_a_run_repeats_stay_as_typed(warm_study, suffix):
    """A cell that begins with = in CSV is the text that was typed, not a formula."""
    rows = warm_study.rows()
    for row in rows:
        row["session"] = "'=1+1"
        row["operator"] = "- none -"
    if suffix == ".csv":
        warm_study.write_rows(rows)
    else:
        warm_study.table.unlink()
        pd.DataFrame(rows).to_excel(warm_study.table.with_suffix(".xlsx"), index=False)
    manifest = Study.open(warm_study.folder).manifest
    assert {row.session for row in manifest.measurements} == {"'=1+1"}
    assert {row.further["operator"] for row in manifest.measurements} == {"- none -"}


def test_a_source_with_a_hostile_name_stays_one_line_of_a_table(tmp_path):
    path = tmp_path / "=cmd '\"🎨.csv"
    io.write(make_points([[0.1, 0.2, 0.3]], [1000.0, 1010.0, 1020.0]), path)
    assert "=cmd" in str(io.describe(path))
    assert io.read(path).shape == (1, 3)


def test_an_executed_notebook_and_its_page_hold_names_as_text(outcome, hostile):
    from nbconvert import HTMLExporter

    template = next(path for path in template_notebooks() if path.name.startswith("04"))
    (hostile.folder / "notebooks").mkdir()
    shutil.copyfile(template, hostile.folder / "notebooks" / template.name)
    books = notebooks.prepare(load_manifest(hostile.folder))
    assert notebooks.execute(books, outcome.folder) == {}
    made = outcome.folder / "notebooks" / template.name
    page, _ = HTMLExporter().from_filename(str(made))
    tags = Tags()
    tags.feed(page)
    assert "img" in tags.seen
    assert NAMES[11].split()[0] in page
    assert not [value for name, value in tags.attributes if name == "onerror"]
    assert "<script>alert" not in page
