"""A deposit: refused with all that is missing, and the same verdicts where it is unpacked."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from zipfile import ZipFile

import pandas as pd
import pytest

from residuekit import Study
from residuekit.cli import main
from residuekit.errors import StudyError
from residuekit.report.archive import Piece
from residuekit.report.data_package import data_package
from residuekit.results import TABLES, open_run
from residuekit.schema import MEASUREMENT_COLUMNS, SECOND_COLUMNS
from residuekit.study.deposit import write_deposit
from residuekit.words.columns import COLUMNS

FIELDS = """
[deposit]
authors = [
    {name = "Doe, Jane", orcid = "0000-0000-0000-0001", affiliation = "an invented laboratory"},
    {name = "Roe, Richard"},
]
licence = "CC-BY-4.0"
publisher = "an invented repository"
description = "Invented data."
keywords = ["gel", "residue"]
"""


@pytest.fixture(scope="module")
def deposited(_pattern_study, tmp_path_factory):
    """A study that was run, and its archive unpacked elsewhere."""
    base = tmp_path_factory.mktemp("deposited")
    folder = Path(shutil.copytree(_pattern_study, base / "study"))
    with (folder / "study.toml").open("a", encoding="utf-8") as settings:
        settings.write(FIELDS)
    (folder / "notebooks").mkdir()
    note = {"cells": [{"source": [f"study_folder = {str(folder)!r}"]}], "metadata": {}}
    (folder / "notebooks" / "own.ipynb").write_text(json.dumps(note), encoding="utf-8")
    result = Study.open(folder).run()
    made = write_deposit(folder, base / "archive.zip")
    unpacked = base / "elsewhere" / "unpacked"
    with ZipFile(made.path) as archive:
        archive.extractall(unpacked)
    return folder, result, made, unpacked


@pytest.mark.usefixtures("without_pictures")
def test_unpacked_elsewhere_it_gives_the_same_verdicts(deposited):
    _, result, _, unpacked = deposited
    copy = unpacked.with_name("again")
    shutil.copytree(unpacked, copy)
    assert main(["run", str(copy), "--again"]) == 0
    again = open_run(copy)
    assert again.folder.name != result.folder.name
    pd.testing.assert_frame_equal(again.verdicts, result.verdicts, check_exact=False, rtol=1e-9)
    assert again.provenance["inputs"] == result.provenance["inputs"]


def test_every_file_has_its_checksum(deposited):
    _, _, made, unpacked = deposited
    sums = dict(
        reversed(line.split("  ", 1))
        for line in (unpacked / "SHA256SUMS").read_text("utf-8").splitlines()
    )
    files = {p.relative_to(unpacked).as_posix(): p for p in unpacked.rglob("*") if p.is_file()}
    assert set(sums) == set(files) - {"SHA256SUMS"}
    assert made.n_files == len(files)
    for name, digest in sums.items():
        assert hashlib.sha256(files[name].read_bytes()).hexdigest() == digest
    assert hashlib.sha256(made.path.read_bytes()).hexdigest() == made.sha256


def test_the_same_study_gives_the_same_archive(deposited, tmp_path):
    folder, _, made, _ = deposited
    assert write_deposit(folder, tmp_path / "second.zip").sha256 == made.sha256


def test_the_crate_says_what_was_made_from_what(deposited):
    from rocrate.rocrate import ROCrate

    _, result, _, unpacked = deposited
    crate = ROCrate(unpacked)
    assert [one["name"] for one in crate.root_dataset["conformsTo"]] == ["Process Run Crate"]
    assert [one["name"] for one in crate.creator] == ["Doe, Jane", "Roe, Richard"]
    assert crate.license.id == "https://spdx.org/licenses/CC-BY-4.0"
    action = crate.dereference("#run")
    inputs = {one.id for one in action["object"]}
    assert inputs == set(result.provenance["inputs"])
    assert {one.id for one in action["result"]} == {
        f"runs/{result.folder.name}/{path.relative_to(result.folder).as_posix()}"
        for path in result.folder.rglob("*") if path.is_file()
    }  # fmt: skip
    assert action["instrument"]["softwareVersion"] == result.provenance["residuekit"]


def test_each_table_is_described_column_by_column(deposited):
    _, result, _, unpacked = deposited
    package = json.loads((unpacked / "datapackage.json").read_text("utf-8"))
    tables = {one["path"]: one for one in package["resources"]}
    run = f"runs/{result.folder.name}"
    assert set(tables) == {"measurements.csv", *(f"{run}/{name}.csv" for name in TABLES)}
    for path, table in tables.items():
        data = (unpacked / path).read_bytes()
        fields = table["schema"]["fields"]
        assert [one["name"] for one in fields] == next(csv.reader(data.decode().splitlines()))
        assert all(one["description"] for one in fields)
        assert table["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
    kinds = {one["name"]: one["type"] for one in tables[f"{run}/markers.csv"]["schema"]["fields"]}
    assert (kinds["score"], kinds["slope"], kinds["blind"]) == ("string", "number", "boolean")


def test_a_table_of_semicolons_and_decimal_commas_is_described_as_such():
    table = Piece("measurements.csv", b"# a remark\nfile;dose\na.nc;1,5\n")
    described = data_package("Träm (1)", "CC0-1.0", [table])
    assert described["name"] == "tr-m-1"
    (resource,) = described["resources"]
    assert resource["dialect"]["delimiter"] == ";"
    dose = resource["schema"]["fields"][1]
    assert (dose["type"], dose["decimalChar"]) == ("number", ",")


def test_every_column_of_every_table_has_its_words():
    columns = {
        *MEASUREMENT_COLUMNS,
        *SECOND_COLUMNS,
        *(c for table in TABLES.values() for c in table),
    }
    assert columns - set(COLUMNS) == set()


def test_the_environment_is_that_of_the_run(deposited):
    _, result, _, unpacked = deposited
    listed = (unpacked / "constraints.txt").read_text("utf-8").splitlines()
    environment = result.provenance["environment"]
    assert listed == [f"{name}=={version}" for name, version in environment.items()]
    assert environment["numba"] == result.provenance["packages"]["numba"]


def test_nothing_in_it_names_a_place_of_this_machine(deposited):
    folder, _, _, unpacked = deposited
    for path in sorted(p for p in unpacked.rglob("*") if p.is_file()):
        assert str(folder).encode() not in path.read_bytes(), path
    assert "study_folder = '..'" in (unpacked / "notebooks/own.ipynb").read_text("utf-8")


def test_the_fields_of_a_repository(deposited):
    _, _, made, unpacked = deposited
    fields = json.loads((unpacked / "datacite.json").read_text("utf-8"))
    needed = {"creators", "titles", "publisher", "publicationYear", "types"}
    assert needed <= set(fields)
    assert fields["creators"][0]["nameIdentifiers"][0]["nameIdentifier"].endswith("0000-0001")
    assert "nameIdentifiers" not in fields["creators"][1]
    readme = (unpacked / "README.md").read_text("utf-8")
    assert made.statement in readme
    assert "residuekit run . --again\n" in readme
    assert re.search(r"fingerprint [0-9a-f]{16}\.$", made.statement)


def test_all_that_is_missing_is_said_at_once(deposited, tmp_path, capsys):
    folder = Path(shutil.copytree(deposited[0], tmp_path / "study"))
    settings = folder / "study.toml"
    text = settings.read_text("utf-8").replace('licence = "CC-BY-4.0"', 'licence = "CC-BY-4"')
    text = text.replace('publisher = "an invented repository"\n', "").replace(
        "0000-0001", "0000-0002"
    )
    settings.write_text(text.replace("alpha = 0.05", "alpha = 0.01"), encoding="utf-8")
    with (folder / "measurements.csv").open("a", encoding="utf-8") as table:
        table.write("\n")
    run = next((folder / "runs").glob("2*"))
    (run / "report.html").unlink()
    record = json.loads((run / "provenance.json").read_text("utf-8"))
    del record["environment"]
    (run / "provenance.json").write_text(json.dumps(record), encoding="utf-8")
    (tmp_path / "there.zip").touch()
    assert main(["deposit", str(folder), "--out", str(tmp_path / "there.zip")]) == 1
    said = capsys.readouterr().err
    for what in ("no publisher in [deposit]", "licence = 'CC-BY-4'", "did you mean 'CC-BY-4.0'",
                 "an ORCID iD", "without its environment", "a run without report.html",
                 "study.toml: found other settings", "measurements.csv: found other content",
                 "an archive that is there already"):  # fmt: skip
        assert said.count(what) == 1, (what, said)
    assert said.startswith("8 faults found; nothing was written.")


def test_without_a_run_or_fields_both_are_asked_for(study, tmp_path):
    with pytest.raises(StudyError) as refused:
        write_deposit(study.folder, tmp_path / "archive.zip")
    said = str(refused.value)
    for name in ("authors", "licence", "publisher", "description"):
        assert f"no {name} in [deposit]" in said
    assert "residuekit run DIR first" in said
    assert not (tmp_path / "archive.zip").exists()


def test_fields_of_the_deposit_may_be_filled_in_after_the_run(deposited, tmp_path):
    folder = Path(shutil.copytree(deposited[0], tmp_path / "study"))
    settings = folder / "study.toml"
    text = settings.read_text("utf-8").replace("Invented data.", "Invented data, told at length.")
    settings.write_text(text, encoding="utf-8")
    assert write_deposit(folder, tmp_path / "archive.zip").n_files > 20


def test_a_run_is_deposited_by_its_own_folder_too(deposited, tmp_path, capsys):
    _, result, made, _ = deposited
    assert main(["deposit", str(result.folder), "--out", str(tmp_path / "one.zip")]) == 0
    assert made.sha256 in capsys.readouterr().out


def test_help_of_deposit_loads_nothing_heavy():
    script = "import sys; from residuekit.cli import main\ntry: main(['deposit', '--help'])\n"
    script += "except SystemExit: sys.exit('rocrate' in sys.modules or 'numpy' in sys.modules)"
    subprocess.run([sys.executable, "-c", script], check=True, capture_output=True)
