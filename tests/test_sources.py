"""The tests say where their expected values are from, and none claims more than it has."""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from residuekit.markers import sources
from residuekit.report.references import NAMED
from residuekit.report.references import works as cited_works

TESTS = Path(__file__).parent
KINDS = ("published", "from memory", "common practice", "computed")
#: What a value from outside must stand behind, and the test that holds it.
NEEDED = {
    "decision and detection limit": "test_din_32645_published_limits",
    "tolerance factor": "test_the_tolerance_factor_of_the_nist_handbook",
    "conformity": "test_conformity_of_a_voltage_and_the_bound_that_touches_its_limit",
    "risks": "test_the_risks_of_accepting_and_of_refusing_a_resistor",
    "hot spot": "test_a_hot_spot_on_a_square_grid",
    "none of n": "test_none_of_22_29_and_59_bounds_the_share",
    "exact trend": "test_the_exact_test_of_page_has_his_critical_values",
    "exact shares": "test_six_of_six_after_none_of_eight_is_one_labelling_in_3003",
    "Fieller": "test_where_the_first_order_bound_and_fieller_s_part",
}


class Case(NamedTuple):
    file: str
    name: str
    text: str
    mark: tuple[str, ...] | None


def mark_of(node: ast.expr) -> tuple[str, ...] | None:
    if isinstance(node, ast.Call) and ast.unparse(node.func) == "pytest.mark.source":
        return tuple(argument.value for argument in node.args)
    return None


def cases() -> Iterator[Case]:
    for path in sorted(TESTS.rglob("test_*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        general = None
        for node in tree.body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark":
                general = mark_of(node.value)
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                own = [mark for one in node.decorator_list if (mark := mark_of(one))]
                assert len(own) < 2, node.name
                mark = own[0] if own else general
                text = ast.get_docstring(node) or ""
                yield Case(path.relative_to(TESTS).as_posix(), node.name, text, mark)


CASES = tuple(cases())
MARKED = tuple(case for case in CASES if case.mark)


def faults(case: Case, works: dict[str, dict[str, str]]) -> list[str]:
    """What a test claims of its values and does not have."""
    kind, key, value = case.mark or ("", "", "")
    said = case.text.casefold() + " " + case.name.replace("_", " ")
    rules = [
        (not case.mark or kind in KINDS, f"the kind {kind!r}"),
        (not case.mark or bool(value), "no value named"),
        (not key or key in works, f"the key {key!r}"),
        (kind != "published" or works.get(key, {}).get("note", "").startswith("verified"),
         f"published by {key!r}, which is not verified"),
        (not re.search(r"\bpublished\b", case.name.replace("_", " ")) or kind == "published",
         "published by its name"),
        (not case.text.startswith("Published") or kind == "published", "published by its text"),
        ("from memory" not in said or kind == "from memory", "from memory by its text"),
        ("common practice" not in said or kind == "common practice", "practice by its text"),
        (not case.file.startswith("external/") or bool(case.mark), "no mark"),
    ]  # fmt: skip
    return [fault for holds, fault in rules if not holds]


def test_a_test_claims_of_its_values_what_it_has(works):
    wrong = {(case.file, case.name): faults(case, works) for case in CASES}
    assert not {case: found for case, found in wrong.items() if found}
    assert len(MARKED) > 100


@pytest.mark.parametrize(
    ("name", "text", "mark", "fault"),
    [
        ("test_a", "", ("read", "", "1"), "the kind"),
        ("test_a", "", ("computed", "", ""), "no value"),
        ("test_a", "", ("computed", "nobody1900", "1"), "the key"),
        ("test_a", "", ("published", "", "1"), "not verified"),
        ("test_a", "", ("published", "norris", "1"), "not verified"),
        ("test_the_published_one", "", ("computed", "", "1"), "by its name"),
        ("test_a", "Published table.", ("computed", "", "1"), "by its text"),
        ("test_a", "A table, from memory.", ("computed", "", "1"), "from memory"),
        ("test_a", "Common practice.", None, "practice"),
        ("test_a", "", None, "no mark"),
    ],
)
def test_a_claim_too_many_is_found(works, name, text, mark, fault):
    found = faults(Case("external/test_x.py", name, text, mark), works)
    assert any(fault in one for one in found)


def test_each_quantity_of_a_claim_has_its_check_from_outside():
    known = {case.name for case in MARKED}
    assert set(NEEDED.values()) <= known


def test_every_work_is_read_once_and_says_whether_it_is_verified(works, shared):
    text = (shared / "references.bib").read_text(encoding="utf-8")
    assert len(works) == len(re.findall(r"^@", text, re.M))
    for key, fields in works.items():
        assert re.match(r"verified: \S|from memory$", fields["note"]), key
        assert "title" in fields, key
    assert "not cited in the project" not in text


def test_the_table_of_values_and_data_holds_each_of_them_with_its_key(works, shared):
    text = (shared / "README.md").read_text(encoding="utf-8")
    checks = json.loads((shared / "checks/check_values.json").read_text(encoding="utf-8"))
    limits = json.loads((shared / "data/limits/lod_examples.json").read_text(encoding="utf-8"))
    names = {*checks, *checks["second_edition"], *limits, *limits["published"]}
    names -= {"provenance", "second_edition", "published", "massart97ex3_weighted_means"}
    assert not {name for name in names if f"`{name}`" not in text}
    folders = [path.name for path in (shared / "data").iterdir() if path.is_dir()]
    assert not [name for name in folders if f"`data/{name}/`" not in text]
    rows = [[cell.strip() for cell in line.split("|")[1:-1]] for line in text.splitlines()]
    named = {
        row[0]: re.findall(r"[a-z0-9]+\d{2,4}(?:p\d+)*\w*|niststrd|norris|nisthandbook|fastexkcl",
                           row[2])
        for row in rows if len(row) > 3
    }  # fmt: skip
    assert not {key for keys in named.values() for key in keys} - set(works)
    verified = [row for row in rows if len(row) == 4 and row[3].startswith("verified")]
    assert len(verified) >= 5
    for row in verified:
        assert works[named[row[0]][0]]["note"].startswith("verified"), row[0]


def test_the_works_of_a_report_are_verified_entries_of_the_bibliography(shared, works):
    text = (shared / "references.bib").read_text(encoding="utf-8")
    assert set(NAMED.values()) == set(cited_works())
    for key, work in cited_works().items():
        assert work.entry in text, key
        assert works[key]["note"].startswith("verified"), key
        assert not re.search(r"[{}$\\[\]]", work.formatted), key
        assert works[key]["year"] in work.formatted
        assert "`" not in work.formatted, key


def test_a_source_of_markers_is_cited_by_its_title_or_says_that_none_was_found(works):
    """What nobody has seen is never cited as if it had been."""
    own = {fields.get("keywords", "").removeprefix("marker source "): fields
           for fields in works.values()}  # fmt: skip
    assert set(sources()) <= set(own)
    for name, source in sources().items():
        title, memory = own[name]["title"], own[name]["note"] == "from memory"
        letters = re.sub(r"\\textsubscript|[{}]", "", title).replace("--", "-")
        if "not found" in title:
            assert "title not found" in source["citation"].casefold(), name
        else:
            assert letters in source["citation"], name
            assert ("(title from memory)" in source["citation"]) == memory, name
        assert ("not confirmed" in source.get("thin", "")) == memory, name


def test_the_table_of_sources_is_printed_and_nothing_is_run():
    found = subprocess.run(
        [sys.executable, "-m", "pytest", "--sources", "-p", "no:cacheprovider",
         "tests/external/test_calibration_standards.py", "tests/external/test_norris.py"],
        cwd=TESTS.parent, capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    rows = [line for line in found.stdout.splitlines() if "::test_" in line]
    assert found.returncode in (0, 5), found.stdout
    assert len(rows) == len({case for case in MARKED if case.file in (
        "external/test_calibration_standards.py", "external/test_norris.py")})  # fmt: skip
    (din,) = [row for row in rows if "test_din_32645_published_limits" in row]
    assert re.search(r"published +din32645 +verified +x_c 0\.0698", din)
    (norris,) = [row for row in rows if "certified_digits" in row]
    assert re.search(r"from memory +norris +from memory", norris)
    assert " passed" not in found.stdout
