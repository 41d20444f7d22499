"""The form of a notebook: short, its question first, a picture soon, words for a paper last."""

from __future__ import annotations

import re

import nbformat
import pytest

from tests.notebooks.cells import BOOKS, code_cells, lines_of_code

MOST_LINES, FIRST_PICTURE, WIDEST = 40, 15, 100

every_book = pytest.mark.parametrize("path", BOOKS, ids=lambda path: path.stem)


def markdown(path):
    cells = nbformat.read(path, as_version=4).cells
    return [cell.source for cell in cells if cell.cell_type == "markdown"]


def kinds(cell):
    return {kind for output in cell.outputs for kind in output.get("data", ())}


@every_book
def test_it_has_few_lines_of_code_and_none_is_wide(path):
    lines = [line for cell in code_cells(path) for line in lines_of_code(cell)]
    assert len(lines) <= MOST_LINES
    assert max(map(len, lines)) <= WIDEST


@every_book
def test_its_first_picture_comes_within_the_first_lines(path):
    seen = 0
    for cell in code_cells(path):
        seen += len(lines_of_code(cell))
        if "image/png" in kinds(cell):
            break
    else:
        pytest.fail("no picture")
    assert seen <= FIRST_PICTURE


@every_book
def test_a_sentence_with_numbers_of_the_study_follows_the_first_picture(path):
    cells = code_cells(path)
    place = next(k for k, cell in enumerate(cells) if "image/png" in kinds(cell))
    printed = "".join(output.get("text", "") for output in cells[place + 1].outputs)
    assert re.search(r"\d", printed)
    assert any("the picture means" in text for text in markdown(path))


@every_book
def test_it_opens_with_its_question_and_ends_with_what_a_paper_may_say(path):
    words = markdown(path)
    assert re.match(r"# [^\n]+\?(\n|$)", words[0])
    assert "## What may be written in a paper" in "\n".join(words[-2:])
    assert "responsible" in words[-1]
    assert nbformat.read(path, as_version=4).cells[-2].cell_type == "code"


@every_book
def test_a_table_of_verdicts_names_the_paint(path):
    tables = [
        output["data"]["text/html"]
        for cell in code_cells(path)
        for output in cell.outputs
        if "text/html" in output.get("data", ())
    ]
    for table in (one for one in tables if ">verdict</th>" in one and "<caption" not in one):
        assert ">paint</th>" in table


@pytest.mark.parametrize("number", ["01", "02", "06", "09"])
def test_a_map_is_looked_at_in_the_viewer(number):
    path = next(path for path in BOOKS if path.name.startswith(number))
    code = "\n".join(cell.source for cell in code_cells(path))
    assert re.search(r"rk\.view(_run)?\(", code)
    assert "plot_map" not in code
