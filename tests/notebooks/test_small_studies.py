"""Every notebook runs on a study of one exposure, without ageing or spiked mock-ups, and on one of
point spectra: it says in a sentence what is missing, and goes on.
"""

from __future__ import annotations

import re
import shutil
from functools import cache
from pathlib import Path

import pytest

from residuekit.results import open_run
from tests.conftest import StudyCopy
from tests.notebooks.cells import BOOKS, book, execute

MISSING = r"(is|are) missing|missing:"
#: They work on a study that they are given; 02 makes its own from a delivery.
ON_A_STUDY = [path for path in BOOKS if not path.name.startswith("02")]


@pytest.fixture(scope="module", autouse=True)
def _figure_and_methods_alone():
    """Runs write the figure, its caption and the methods text, which notebooks read, and no page."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("write_report", "write_summary", "write_tables"):
            patch.setattr(f"residuekit.report.{name}", lambda *_: None)
        yield


@pytest.fixture(scope="module")
def single(finished, tmp_path_factory):
    """One exposure, no ageing, no spiked mock-ups, and so no loading scale."""
    folder = tmp_path_factory.mktemp("single") / "study"
    runs = shutil.ignore_patterns("2*Z*", "latest")
    copy = StudyCopy(Path(shutil.copytree(finished.study.folder, folder, ignore=runs)))
    copy.keep(
        lambda row: row["role"] in ("blank", "reference")
        or (row["role"] == "exposed" and row["exposure_min"] == "2")
    )
    copy.run()
    return folder


@pytest.fixture(scope="module")
def points(_pattern_points, tmp_path_factory):
    """Point spectra, judged by bands alone."""
    folder = tmp_path_factory.mktemp("points") / "study"
    StudyCopy(Path(shutil.copytree(_pattern_points, folder))).run()
    return folder


@pytest.fixture(scope="module")
def alone(_pattern_points, tmp_path_factory):
    """One point spectrum a mock-up: nothing scatters within it."""
    folder = tmp_path_factory.mktemp("alone") / "study"
    copy = StudyCopy(Path(shutil.copytree(_pattern_points, folder)))
    first = {(row["role"], row["mockup"]): row["file"] for row in reversed(copy.rows())}
    copy.keep(lambda row: row["file"] in first.values())
    copy.run()
    return folder


@cache
def said(path, folder):
    """What a notebook prints and shows on the newest run of a study."""
    run = open_run(folder).folder
    return execute(path, study_folder=str(folder), run_folder=str(run))


@pytest.mark.parametrize("path", ON_A_STUDY, ids=lambda path: path.stem)
def test_a_notebook_runs_on_a_study_of_one_exposure_without_a_loading_scale(path, single):
    text = said(path, single)
    assert "INVENTED" not in text
    assert bool(re.search(MISSING, text)) == (path.name[:2] in ("03", "04", "05", "08", "09"))


@pytest.mark.parametrize("path", ON_A_STUDY, ids=lambda path: path.stem)
def test_a_notebook_runs_on_point_spectra(path, points):
    text = said(path, points)
    assert "INVENTED" not in text
    assert bool(re.search(MISSING, text)) == (path.name[:2] in ("05", "09"))


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        ("03", "No line: mock-ups are single spectra."),
        ("08", "single spectra: their noise counts as scatter of mock-ups"),
        ("08", "what more pixels or scans would bring is not known"),
    ],
)
def test_a_notebook_runs_on_one_spectrum_a_mockup(number, sentence, alone):
    assert sentence in " ".join(said(book(number), alone).split())


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        ("03", "spiked mock-ups are missing"),
        ("04", "exposures are missing"),
        ("04", "a second exposure is missing"),
        ("04", "neither spiked mock-ups nor films of known loading"),
        ("05", "Mock-ups and blanks aged alike are missing"),
        ("05", "an arm measured at two ages is missing"),
        ("05", "aged blanks and arms are missing"),
        ("05", "the dose of the chamber is missing"),
        ("08", "spiked mock-ups are missing, so the pilot is simulated"),
        ("09", "Rows of role before are missing"),
    ],
)
def test_what_is_missing_is_said_in_a_sentence(number, sentence, single):
    assert sentence in said(book(number), single)
