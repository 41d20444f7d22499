"""The notebooks of a study: refused before a kernel starts, executed aside, kept when they fail."""

from __future__ import annotations

import json
import re
import shutil
import sys
from pathlib import Path

import nbformat
import pytest

from residuekit import cli
from residuekit.errors import StudyError
from residuekit.results import open_run
from residuekit.study import load_manifest, notebooks
from residuekit.study.template import new_study, notebook_titles, template_notebooks

PYTHON = {"name": "python3", "display_name": "Python 3", "language": "python"}
PATHS = 'study_folder = ""\nrun_folder = ""\n'


def write(path, *cells, parameters="", kernel=PYTHON):
    """A notebook of code cells, the first of them tagged when it holds parameters."""
    book = nbformat.v4.new_notebook(metadata={"kernelspec": kernel} if kernel else {})
    if parameters:
        book.cells.append(nbformat.v4.new_code_cell(parameters, metadata={"tags": ["parameters"]}))
    book.cells += [nbformat.v4.new_code_cell(cell) for cell in cells]
    path.parent.mkdir(exist_ok=True)
    nbformat.write(book, path)


def said(path):
    """The text that a notebook printed."""
    book = nbformat.read(path, as_version=4)
    outputs = [out for cell in book.cells for out in cell.get("outputs", ())]
    return "".join(out.get("text", "") for out in outputs)


@pytest.fixture
def copy(finished, tmp_path):
    """A copy of the small study with its run, below a folder whose name is no easy one."""
    folder = tmp_path / "a {b} 'c' \"é\" $(id)" / "study"
    return Path(shutil.copytree(finished.study.folder, folder))


def add_parameters(folder, text):
    path = folder / "study.toml"
    path.write_text(f"{path.read_text(encoding='utf-8')}\n{text}\n", encoding="utf-8")


def execute(folder):
    run = open_run(folder).folder
    return notebooks.execute(notebooks.prepare(load_manifest(folder)), run), run / "notebooks"


def test_each_gets_the_folders_and_its_own_parameters(copy):
    show = "from pathlib import Path\nprint(study_folder, run_folder, words, Path.cwd().name)"
    text = 'words = ["C=O 1735"]'
    write(copy / "notebooks/10-own.ipynb", show, parameters=PATHS + text)
    write(copy / "notebooks/11-none.ipynb", "print(6 * 7)")
    before = (copy / "notebooks/10-own.ipynb").read_bytes()
    add_parameters(copy, '[notebooks."10-own"]\nwords = ["=1", "\\"quoted\\" \'é\'"]')
    failures, made = execute(copy)
    assert failures == {}
    words = ["=1", "\"quoted\" 'é'"]
    assert said(made / "10-own.ipynb") == f"../../.. .. {words} notebooks\n"
    assert said(made / "11-none.ipynb") == "42\n"
    assert (copy / "notebooks/10-own.ipynb").read_bytes() == before
    assert "writing" not in (made / "10-own.ipynb").read_text(encoding="utf-8")
    assert not list((copy / "runs").glob(".writing-*"))


def test_what_was_executed_holds_no_path_of_this_machine_and_runs_again_where_it_lies(copy):
    show = (
        "import sys, tempfile, warnings\nfrom pathlib import Path\nimport residuekit\n"
        "run = Path(run_folder)\nprint((run / 'verdicts.csv').resolve().is_file())\n"
        "print(run / 'figure.pdf', repr(study_folder), sys.executable, tempfile.gettempdir())\n"
        "print(residuekit.__file__, Path.home() / 'x')\nwarnings.warn('as it stands')"
    )
    write(copy / "notebooks/10-own.ipynb", show, "1 / 0", parameters=PATHS)
    failures, made = execute(copy)
    assert set(failures) == {"10-own.ipynb"}
    text = (made / "10-own.ipynb").read_text(encoding="utf-8")
    package = Path(notebooks.__file__).parents[2]
    for place in (copy, copy.resolve(), Path(sys.prefix), Path.home(), package):
        assert str(place) not in text
        assert json.dumps(str(place), ensure_ascii=False)[1:-1] not in text
    assert "../figure.pdf" in text
    again = nbformat.read(made / "10-own.ipynb", as_version=4).cells
    (given,) = (cell for cell in again if "injected-parameters" in cell.metadata.get("tags", ()))
    values = {}
    exec(given.source, values)
    assert (made / values["run_folder"]).resolve() == made.parent.resolve()
    assert (made / values["study_folder"]).resolve() == copy.resolve()


def test_one_that_fails_is_kept_with_its_cell_named_and_stops_no_other(copy):
    write(copy / "notebooks/10-error.ipynb", "print('so far')", "x = {}\nx['no']", "print('never')")
    write(copy / "notebooks/11-dies.ipynb", "import os", "os._exit(3)", "print('never')")
    write(copy / "notebooks/12-kernel.ipynb", "1", kernel={**PYTHON, "name": "no such kernel"})
    write(copy / "notebooks/13-well.ipynb", "print('well')")
    seen = []
    run = open_run(copy).folder
    failures = notebooks.execute(
        notebooks.prepare(load_manifest(copy)), run, lambda *what: seen.append(what)
    )
    assert failures["10-error.ipynb"] == "cell [2], 'x = {}': KeyError: 'no'"
    assert failures["11-dies.ipynb"].startswith("cell [2], 'os._exit(3)': DeadKernelError")
    assert failures["12-kernel.ipynb"].startswith("NoSuchKernel")
    assert set(failures) == {"10-error.ipynb", "11-dies.ipynb", "12-kernel.ipynb"}
    made = run / "notebooks"
    assert len(list(made.glob("*.ipynb"))) == 4
    kept = said(made / "10-error.ipynb")
    assert "so far" in kept
    assert "never" not in kept
    assert said(made / "13-well.ipynb") == "well\n"
    assert [(done, total) for done, total, _ in seen] == [(k, 4) for k in (1, 2, 3, 4)]


@pytest.mark.parametrize(
    ("given", "found", "needed", "fix"),
    [
        ("[notebooks.10-owm]\na = 1", "'10-owm'", "a notebook in notebooks/", "did you mean"),
        ("number = 1.5", "number = 1.5", "a whole number", "number = 1"),
        ("number = true", "number = True", "a whole number", "number = 1"),
        ("numbr = 1", "'numbr'", "declares in its cell", "did you mean 'number'"),
        ("share = 'half'", "share = 'half'", "a number", "share = 0.5"),
        ("yes = 1", "yes = 1", "true or false", "yes = true"),
        ("words = 'a'", "words = 'a'", "a list", "words = ['C=O']"),
        ("words = [1]", "words = [1]", "a list", "words = ['C=O']"),
        ("free = 1979-05-27", "datetime.date", "a text, a number", "in quotes"),
        ("study_folder = 3", "study_folder = 3", "a text in quotes", "study_folder = ''"),
    ],
)
def test_a_wrong_parameter_is_refused_with_its_line(copy, given, found, needed, fix):
    own = "number: int = 1\nshare = 0.5  # a = b\nyes = True\nwords = [\n    'C=O',\n]\n"
    parameters = f"{PATHS}{own}free = None\nwell = 1"
    write(copy / "notebooks/10-own.ipynb", "1", parameters=parameters)
    head = "" if given.startswith("[") else '[notebooks."10-own"]\nwell = 2\n'
    add_parameters(copy, head + given)
    with pytest.raises(StudyError) as refusal:
        notebooks.prepare(load_manifest(copy))
    (fault,) = refusal.value.faults
    assert found in fault.found
    assert needed in fault.needed
    assert fix in fault.fix.replace('"..."', "in quotes")
    lines = (copy / "study.toml").read_text(encoding="utf-8").splitlines()
    assert fault.file == "study.toml"
    assert lines[fault.line - 1] == given.splitlines()[0]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("{", "cannot be read"),
        ({"parameters": "a = (", "kernel": PYTHON}, "cannot be read"),
        ({"parameters": "run_folder = 3", "kernel": PYTHON}, "run_folder = 3"),
        ({"parameters": "a = 1", "kernel": None}, "cannot be read"),
    ],
)
def test_a_notebook_that_cannot_be_given_its_parameters_is_refused(copy, text, found):
    path = copy / "notebooks/10-own.ipynb"
    if isinstance(text, dict):
        write(path, "1", **text)
    else:
        path.parent.mkdir()
        path.write_text(text, encoding="utf-8")
    with pytest.raises(StudyError) as refusal:
        notebooks.prepare(load_manifest(copy))
    (fault,) = refusal.value.faults
    assert found in fault.found
    assert fault.file == "notebooks/10-own.ipynb"


@pytest.mark.parametrize("package", ["papermill", "ipykernel"])
def test_without_the_lab_extra_nothing_is_computed(study, monkeypatch, capsys, package):
    write(study.folder / "notebooks/10-own.ipynb", "1")
    monkeypatch.setitem(sys.modules, package, None)
    assert cli.main(["run", str(study.folder), "--notebooks"]) == 1
    error = capsys.readouterr().err
    assert error.startswith("1 fault found; nothing was written.")
    assert f"no package '{package}'" in error
    assert 'pip install "residuekit[lab]"' in error
    assert not (study.folder / "runs").exists()


def test_without_a_notebook_nothing_is_computed(study, capsys):
    assert cli.main(["run", str(study.folder), "--notebooks"]) == 1
    assert "no notebook in notebooks/" in capsys.readouterr().err
    assert not (study.folder / "runs").exists()


@pytest.mark.usefixtures("without_pictures")
def test_the_command_runs_the_study_then_its_notebooks(warm_study, finished, capsys):
    kept = Path("runs") / ".cache"
    shutil.copytree(finished.study.folder / kept, warm_study.folder / kept, dirs_exist_ok=True)
    write(warm_study.folder / "notebooks/10-own.ipynb", "print(run_folder)", parameters=PATHS)
    write(warm_study.folder / "notebooks/11-bad.ipynb", "1 / 0")
    assert cli.main(["run", str(warm_study.folder), "--notebooks"]) == 1
    shown = capsys.readouterr()
    assert "notebooks/ (1 of 2 executed)" in shown.out
    assert "11-bad.ipynb stopped: cell [1], '1 / 0': ZeroDivisionError" in shown.err
    run = open_run(warm_study.folder).folder
    assert said(run / "notebooks/10-own.ipynb") == "..\n"
    (warm_study.folder / "notebooks/11-bad.ipynb").unlink()
    assert cli.main(["run", str(warm_study.folder), "--notebooks"]) == 0


def test_a_place_that_cannot_be_written_is_said_and_leaves_the_run(copy):
    write(copy / "notebooks/10-own.ipynb", "1")
    run = open_run(copy).folder
    (run / "notebooks").write_text("taken", encoding="utf-8")
    failures, made = execute(copy)
    assert "cannot be written" in failures["notebooks"]
    assert made.read_text(encoding="utf-8") == "taken"
    assert not list((copy / "runs").glob(".writing-*"))


def test_a_key_of_notebooks_that_is_no_table_is_refused(study):
    add_parameters(study.folder, '[notebooks]\nstudy_folder = "x"')
    with pytest.raises(StudyError, match=re.escape("a table [notebooks.study_folder]")):
        load_manifest(study.folder)


def test_a_new_study_holds_every_template_and_says_what_each_is_for(tmp_path):
    folder = new_study(tmp_path / "new")
    titles = notebook_titles(folder)
    assert list(titles) == [path.name for path in template_notebooks()]
    assert {name[:2] for name in titles} == {f"0{k}" for k in range(1, 10)}
    assert all(title and not title.startswith("#") for title in titles.values())


@pytest.mark.parametrize("path", template_notebooks(), ids=lambda path: path.stem)
def test_a_template_keeps_static_pictures_and_parameters_that_can_be_set(path):
    book = nbformat.read(path, as_version=4)
    first = next(cell for cell in book.cells if cell.cell_type == "code")
    assert first.metadata["tags"] == ["parameters"]
    declared = notebooks._declared(path)
    assert declared
    assert not {"study", "run"} & set(declared)
    kinds = {"text/plain", "text/html", "image/png"}
    for cell in book.cells:
        for output in cell.get("outputs", ()):
            assert output.output_type != "error"
            assert output.get("name") != "stderr"
            assert set(output.get("data", ())) <= kinds
            assert "<script" not in json.dumps(output)
    assert path.stat().st_size < 400_000


@pytest.mark.parametrize("path", template_notebooks(), ids=lambda path: path.stem)
def test_an_exported_page_holds_its_pictures_and_asks_for_nothing(path):
    from nbconvert import HTMLExporter

    nothing = dict.fromkeys(("mathjax_url", "require_js_url", "mermaid_js_url"), "")
    page, _ = HTMLExporter(**nothing).from_filename(str(path))
    asked = re.findall(r"<(?:img|link|iframe|source)\b[^>]*?(?:src|href)=\"([^\"]*)\"", page)
    assert all(address.startswith("data:image/png;base64,") for address in asked)
    assert set(re.findall(r"<script[^>]*\bsrc=\"([^\"]*)\"", page)) <= {""}
    assert not re.findall(r"url\(\s*['\"]?(?:https?:)?//", page)
