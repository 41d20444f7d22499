"""Names from a table are text: they harm no table, sheet, page, file name or record."""

from __future__ import annotations

import json
from html.parser import HTMLParser

import pandas as pd
import pytest

from residuekit import io
from residuekit.results import open_run
from residuekit.schema import make_points
from residuekit.study import Study

NAMES = (
    "=HYPERLINK(\"http://example.invalid\")", "+1+1", "-2", "@SUM(A1)", "=1",
    "<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "&amp;&lt;b&gt;",
    "../../escape", "C:\\up\\..", "name/with/slashes", "%s %n {0} ${HOME} $(id) `id`",
    "🎨🧽 gel", "m" * 500, "a; b, c | d", "O'Brien \"the\" 'restorer'",
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


@pytest.fixture
def hostile(warm_study):
    """Mock-ups, sessions and a paint with hostile names; one file with an odd one."""
    rows = warm_study.rows()
    mockups = list(dict.fromkeys(row["mockup"] for row in rows if row["mockup"]))
    names = dict(zip(mockups, NAMES, strict=False))
    odd = f"data/{'é' * 40} 🎨 'x' %s $(id).nc"
    (warm_study.folder / rows[0]["file"]).rename(warm_study.folder / odd)
    rows[0]["file"] = odd
    for row in rows:
        row["mockup"] = names.get(row["mockup"], row["mockup"])
        row["session"] = NAMES[5]
        row["soiling"] = "" if row["role"] == "reference" else NAMES[6]
        row["paint"] = row["paint"] and NAMES[0]
    warm_study.write_rows(rows)
    warm_study.edit("title = ", f"title = '''{NAMES[5]}'''\n# ")
    return warm_study


@pytest.fixture
def outcome(hostile):
    return hostile.run()


def test_a_study_with_hostile_names_is_judged_as_any_other(outcome, hostile, tmp_path):
    given = {row["mockup"] for row in hostile.rows() if row["role"] != "reference"}
    assert set(outcome.mockups["mockup"]) == given
    assert set(outcome.verdicts["paint"]) == {NAMES[0]}
    assert outcome.failures == {}
    assert {path.name for path in tmp_path.iterdir()} == {"warm"}
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


def test_what_changed_keeps_a_hostile_file_name_on_its_line(hostile):
    hostile.run()
    first = hostile.rows()[0]["file"]
    hostile.keep(lambda row: row["file"] != first)
    said = hostile.run().changes
    assert f"- gone: `{first}`" in said.splitlines()


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_a_sheet_with_formulas_gives_the_same_measurements_as_text(warm_study, suffix):
    """A cell that begins with = in CSV is the name that was typed, not a formula."""
    rows = warm_study.rows()
    for row in rows:
        row["session"] = "'=1+1"
        row["mockup"] = row["mockup"] and f"+{row['mockup']}"
    if suffix == ".csv":
        warm_study.write_rows(rows)
    else:
        warm_study.table.unlink()
        pd.DataFrame(rows).to_excel(warm_study.table.with_suffix(".xlsx"), index=False)
    manifest = Study.open(warm_study.folder).manifest
    assert {row.session for row in manifest.measurements} == {"'=1+1"}
    assert all(r.mockup.startswith("+") for r in manifest.measurements if r.role != "reference")


def test_a_source_with_a_hostile_name_stays_one_line_of_a_table(tmp_path):
    path = tmp_path / "=cmd '\"🎨.csv"
    io.write(make_points([[0.1, 0.2, 0.3]], [1000.0, 1010.0, 1020.0]), path)
    assert "=cmd" in str(io.describe(path))
    assert io.read(path).shape == (1, 3)
