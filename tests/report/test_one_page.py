"""summary.pdf: one page, for those who decide, and for those who cannot see it."""

from __future__ import annotations

import io
from dataclasses import replace

import pandas as pd
import pypdf
import pytest
from made_run import make_run

from residuekit.report import write_summary
from residuekit.words.codes import Note, sentence


def read(result, folder):
    write_summary(result, folder)
    return pypdf.PdfReader(io.BytesIO((folder / "summary.pdf").read_bytes()))


def words_of(page):
    return " ".join(page.extract_text().split())


def alternatives(element):
    """Every alternative text in the tree of tags."""
    element = element.get_object() if hasattr(element, "get_object") else element
    if isinstance(element, list):
        return [text for one in element for text in alternatives(one)]
    if not isinstance(element, dict):
        return []
    own = [str(element["/Alt"])] if "/Alt" in element else []
    return own + (alternatives(element["/K"]) if "/K" in element else [])


@pytest.fixture(scope="module")
def summary(tmp_path_factory):
    folder = tmp_path_factory.mktemp("summary") / "run"
    result = make_run(folder, paints=("alkyd", "acrylic"))
    return result, read(result, folder), (folder / "summary.pdf").read_bytes()


def test_it_is_one_page_of_a4_with_the_question_and_the_answer(summary):
    result, pdf, _ = summary
    (page,) = pdf.pages
    assert [round(float(edge)) for edge in page.mediabox[2:]] == [595, 842]
    said = words_of(page)
    assert "Does PVA cryogel leave residue on the paint after 2 min, the working exposure?" in said
    assert "After the working exposure of 2 min, residue of PVA cryogel is not detected on" in said
    assert "Mock-ups are not the work of art" in said
    assert result.fingerprint in said.replace(" ", "")


def test_why_an_arm_is_left_open_stands_below_the_answer(tmp_path):
    """The first reason of the first two, those of the working exposure before others."""
    made = make_run(tmp_path / "run", paints=("alkyd", "acrylic"))
    table = made.verdicts.assign(verdict="inconclusive")
    few = Note("few-blanks", {"n": 2, "needed": 3})
    notes = made.notes(made.verdicts.iloc[0].to_dict())._replace(why=(few,))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(type(made), "notes", lambda *_: notes)
        (page,) = read(replace(made, verdicts=table), tmp_path).pages
    reason = sentence(few)
    assert words_of(page).count(reason) == 2
    assert f"Alkyd, PVA cryogel 2 min, cleared 2 min: inconclusive. {reason}" in words_of(page)


def test_no_absence_stands_there_without_its_limits_and_its_n(summary):
    said = words_of(summary[1].pages[0])
    assert said.count("not detected 4 / 4") == 4
    assert said.count("0.81") >= 4
    assert said.count("0 of 4; share at most 53%") == 4


def test_it_is_tagged_and_its_picture_has_its_content_in_words(summary):
    root = summary[1].trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert str(root["/Lang"]).startswith("en")
    (alternative,) = alternatives(root["/StructTreeRoot"])
    assert "alkyd, 2 min: 4 mock-ups, not detected" in alternative


def test_the_same_run_gives_the_same_bytes(summary, tmp_path):
    result, _, data = summary
    write_summary(result, tmp_path)
    assert (tmp_path / "summary.pdf").read_bytes() == data


def test_many_arms_and_a_long_reason_stay_on_one_page(tmp_path):
    result = make_run(tmp_path, paints=("alkyd", "acrylic"), exposures=(2.0, 10.0, 60.0))
    record = dict(result.provenance)
    record["study"] = {**record["study"], "acceptance_reason": "Because of much. " * 20}
    many = pd.concat([result.verdicts] * 10, ignore_index=True)
    pdf = read(replace(result, verdicts=many, provenance=record), tmp_path)
    assert len(pdf.pages) == 1
    said = words_of(pdf.pages[0])
    shown = said.count("0 of 4; share at most 53%")
    assert shown >= 4
    assert f"{len(many) - shown} further arms in verdicts.csv" in said
    assert "42 further arms not drawn." in said


def sizes(page):
    """The sizes (pt) of all letters of a page, those of its picture too."""
    found = set()

    def visit(text, _, matrix, __, size):
        if text.strip():
            found.add(round(abs(size * matrix[3]), 2))

    page.extract_text(visitor_text=visit)
    return found


@pytest.mark.parametrize("reasons", [0, 20])
def test_no_letter_is_below_7_pt(tmp_path, reasons):
    result = make_run(tmp_path, paints=("alkyd", "acrylic"), exposures=(2.0, 10.0, 60.0))
    record = dict(result.provenance)
    record["study"] = {**record["study"], "acceptance_reason": "Because of much. " * reasons}
    many = pd.concat([result.verdicts] * (1 + reasons // 2), ignore_index=True)
    pdf = read(replace(result, verdicts=many, provenance=record), tmp_path)
    found = sizes(pdf.pages[0])
    assert len(found) > 1
    assert min(found) >= 6.99


def test_names_of_the_study_are_only_ever_text(tmp_path):
    nasty = '#panic("x") $x$ *b* \\ "q"'
    pdf = read(make_run(tmp_path, paints=(nasty,), treatment=nasty, title=nasty), tmp_path)
    assert '#panic("x") $x$ *b* \\ "q"' in words_of(pdf.pages[0])


def test_a_study_that_cannot_be_drawn_has_its_page_all_the_same(tmp_path):
    said = words_of(read(make_run(tmp_path, blanks=False), tmp_path).pages[0])
    assert "There is no picture of the mock-ups: found alkyd without a blank mock-up" in said
