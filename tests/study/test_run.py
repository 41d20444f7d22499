"""A run: what it writes, what it leaves alone, and how it fails."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections import Counter
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from residuekit import io
from residuekit.cli import main
from residuekit.errors import StudyError, WriteError
from residuekit.results import TABLES, open_run
from residuekit.schema import make_map
from residuekit.study.inspect import check_folder

COMPUTED = {
    "verdicts.csv", "scores.csv", "mockups.csv", "markers.csv", "comparisons.csv", "maps",
    "spectra.nc", "provenance.json", "changes.md",
}  # fmt: skip
PRESENTED = {
    "figure.pdf", "figure.svg", "figure.png", "figure.json",
    "methods.md", "supplement.md", "report.html", "methods.tex", "supplement.tex", "caption.md",
    "caption.tex", "tables.tex",
    "tables.xlsx", "references.bib", "report.css", "summary.pdf",
}  # fmt: skip


def runs_of(study):
    """What stands in runs/, but for what is kept for the next run."""
    folder = study.folder / "runs"
    return sorted(set(os.listdir(folder)) - {".cache"}) if folder.exists() else []


def spoil(study, files):
    for file in files:
        (study.folder / file).write_bytes(b"not a file of spectra")


def odd_names(study):
    """Names that a table program, a page or a file system could trip over."""
    names = ["'=1+1", "<script>alert(1)</script>", "m" * 300, "007", "NA", "../up", 'é µ;,"']
    mockups = dict(zip(dict.fromkeys(r["mockup"] for r in study.rows()), names, strict=False))
    study.write_rows([{**r, "mockup": mockups.get(r["mockup"], r["mockup"])} for r in study.rows()])
    return names


# what a run writes


def test_the_run_folder_holds_what_was_agreed(finished):
    folder = finished.result.folder
    assert set(os.listdir(folder)) == COMPUTED
    for name, columns in TABLES.items():
        assert tuple(pd.read_csv(folder / f"{name}.csv", nrows=0).columns) == columns
    assert (folder.parent / "latest").read_text(encoding="utf-8") == folder.name + "\n"
    assert runs_of(finished.study) == [folder.name, "latest"]
    datetime.strptime(folder.name, "%Y-%m-%dT%H-%M-%SZ").replace(tzinfo=UTC)


def test_nothing_but_runs_is_touched(finished):
    after = finished.study.snapshot()
    assert {name: what for name, what in after.items() if not name.startswith("runs")} == (
        finished.before
    )


def test_the_record_names_every_input_and_every_parameter(finished):
    record = finished.result.provenance
    for row in finished.study.rows():
        assert record["inputs"][row["file"]] == finished.before[row["file"]][1]
    assert record["procedure"] == [{"step": "crop", "low": 910, "high": 1840}]
    assert [marker["name"] for marker in record["markers"]] == [
        "pva C-O 1092", "acetate C=O 1735",
    ]  # fmt: skip
    assert record["study"]["acceptance_limit_ug_cm2"] == 4.0
    assert record["failures"] == {}
    spiked = Counter(r["loading_ug_cm2"] for r in finished.study.rows() if r["role"] == "spiked")
    (variation,) = record["paint_variation"]
    assert variation["degrees_of_freedom"] == sum(count - 1 for count in spiked.values())
    assert variation["measured"] == (variation["degrees_of_freedom"] >= 3)


def test_the_clean_arm_is_clean_and_the_other_is_not(finished):
    """The truth of the study: 0 after 2 minutes, 5 ug cm-2 after 60."""
    rows = finished.result.verdicts.set_index("exposure_min")
    assert dict(rows["verdict"]) == {2.0: "not detected", 60.0: "detected"}
    assert set(rows["score"]) == {"net signal"}
    assert set(rows["unit"]) == {"ug cm-2"}
    assert abs(rows.loc[60.0, "estimate"] - 5) < 2
    assert (rows["n_mockups"] == 3).all()
    assert (rows["n_blank_mockups"] == 4).all()
    assert (rows["n_pixels"] == 3 * 64).all()


def test_every_map_of_scores_can_be_opened(finished):
    maps = finished.result.maps()
    assert len(maps) == 14
    assert len(finished.result.maps("exposed")) == 6
    with xr.open_dataset(maps[0], engine="h5netcdf") as scored:
        assert scored["score"].dims == ("marker", "y", "x")
        assert list(scored["marker"].values) == [
            "net signal", "band: pva C-O 1092", "band: acetate C=O 1735",
        ]  # fmt: skip
        assert np.isfinite(scored["score"]).all()


def test_the_mean_of_a_map_is_the_mean_of_its_pixels(finished):
    """mockups.csv and maps/ agree: the score is linear."""
    table = finished.result.mockups
    for path in finished.result.maps():
        with xr.open_dataset(path, engine="h5netcdf") as scored:
            own = table[table["mockup"] == scored.attrs["mockup"]].set_index("score")
            means = scored["score"].mean(("y", "x")).values
            expected = own.loc[list(scored["marker"].values), "mean"]
            np.testing.assert_allclose(means, expected, atol=2e-4 * np.abs(means).max() + 1e-5)


def test_the_command_end_to_end_with_figure_and_report(warm_study, command):
    names = odd_names(warm_study)
    before = warm_study.snapshot()
    done = command("run", warm_study.folder)
    assert done.returncode == 0, done.stderr
    assert "NOT DETECTED" in done.stdout
    result = open_run(warm_study.folder)
    assert set(os.listdir(result.folder)) == COMPUTED | PRESENTED
    assert set(names) <= set(result.mockups["mockup"])
    assert set(names) <= {str(name) for name in result.spectra["mockup"].values}
    assert "<script>alert" not in (result.folder / "report.html").read_text("utf-8")
    after = warm_study.snapshot()
    assert {n: w for n, w in after.items() if not n.startswith("runs")} == {
        n: w for n, w in before.items() if not n.startswith("runs")
    }
    assert command("check", result.folder).returncode == 0


@pytest.mark.usefixtures("without_pictures")
def test_two_runs_are_alike_and_have_a_folder_each(warm_study, finished, monkeypatch):
    class Clock(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime(2031, 1, 2, 3, 4, 5, tzinfo=tz)

    monkeypatch.setattr("residuekit.study.run.datetime", Clock)
    first = warm_study.run()
    shutil.rmtree(warm_study.folder / "runs" / ".cache")
    second = warm_study.run()
    assert first.folder.name == "2031-01-02T03-04-05Z"
    assert runs_of(warm_study) == [first.folder.name, second.folder.name, "latest"]
    for name in TABLES:
        tables = {
            (run.folder / f"{name}.csv").read_bytes() for run in (first, second, finished.result)
        }
        assert len(tables) == 1


def test_two_runs_that_end_under_one_name_get_a_folder_each(warm_study, monkeypatch):
    def meanwhile(folder, _maps):
        stamp = json.loads((folder / "provenance.json").read_text("utf-8"))["started"]
        place = folder.parent / f"{stamp[:19].replace(':', '-')}Z"
        place.mkdir()
        (place / "of another process").touch()

    monkeypatch.setattr("residuekit.study.run._present", meanwhile)
    result = warm_study.run()
    assert result.folder.name.endswith("Z-2")
    assert len(runs_of(warm_study)) == 3


# files that cannot be used


@pytest.mark.usefixtures("without_pictures")
def test_a_broken_map_is_named_and_the_rest_is_done(warm_study, capsys):
    broken = warm_study.files("exposed", exposure_min="2")[0]
    spoil(warm_study, [broken])
    assert main(["run", str(warm_study.folder)]) == 1
    said = capsys.readouterr()
    assert broken in said.out
    assert "1 files could not be used; the rest is done." in said.err
    result = open_run(warm_study.folder)
    assert list(result.failures) == [broken]
    rows = result.verdicts.set_index("exposure_min")
    assert dict(rows["verdict"]) == {2.0: "inconclusive", 60.0: "detected"}
    assert rows.loc[2.0, "n_mockups"] == 2
    assert "few-exposed" in rows.loc[2.0, "codes"]
    assert f"Left out: {broken}" in rows.loc[2.0, "reason"]


@pytest.mark.usefixtures("without_pictures")
@pytest.mark.parametrize("roles", [("blank",), ("exposed",), ("blank", "exposed", "spiked",
                                                               "reference")])  # fmt: skip
def test_without_any_blank_or_exposed_map_nothing_is_assessable(warm_study, roles):
    spoil(warm_study, [file for role in roles for file in warm_study.files(role)])
    result = warm_study.run()
    assert set(result.verdicts["verdict"]) == {"not assessable"}
    assert set(result.scores["verdict"]) == {"not assessable"}
    broken = {file for role in roles for file in warm_study.files(role)}
    assert set(result.failures) <= broken
    assert broken - set(result.failures) <= set(warm_study.files("exposed"))
    lacking = "blank" if "blank" in roles else "exposed"
    assert result.verdicts["reason"].str.contains(f"No {lacking} map of this arm").all()
    assert result.verdicts["estimate"].isna().all()


@pytest.mark.usefixtures("without_pictures")
def test_one_blank_left_is_inconclusive_and_claims_nothing(warm_study):
    spoil(warm_study, warm_study.files("blank")[1:])
    result = warm_study.run()
    assert set(result.verdicts["verdict"]) <= {"inconclusive", "not assessable"}
    assert (result.verdicts["n_blank_mockups"] == 1).all()


@pytest.mark.usefixtures("without_pictures")
def test_maps_that_are_not_fit_are_not_assessable(warm_study):
    """Two of three maps of the clean arm have 40 of 64 pixels dead."""
    for file in warm_study.files("exposed", exposure_min="2")[:2]:
        path = warm_study.folder / file
        array = io.read(path)
        values = array.values.copy()
        values.reshape(64, -1)[:40] = 0.1
        axis = array["wavenumber"].values
        path.unlink()
        io.write(make_map(values, axis, array["x"].values, array["y"].values), path)
    result = warm_study.run()
    row = result.verdicts.set_index("exposure_min").loc[2.0]
    assert row["verdict"] == "not assessable"
    assert "2 of 3 maps" in row["reason"]
    assert "40 dead" in row["reason"]
    assert len(result.failures) == 2


# a run that is stopped


@pytest.mark.parametrize("problem", [KeyboardInterrupt(), OSError(28, "No space left on device")])
@pytest.mark.parametrize("place", ["make_tables", "_spectra", "_present"])
def test_a_run_that_is_stopped_leaves_nothing_half_written(
    warm_study, monkeypatch, capsys, problem, place
):
    def stop(*_given):
        raise problem

    monkeypatch.setattr(f"residuekit.study.run.{place}", stop)
    assert main(["run", str(warm_study.folder)]) in (1, 130)
    assert runs_of(warm_study) == []
    said = capsys.readouterr().err
    assert ("Stopped" if isinstance(problem, KeyboardInterrupt) else "No space left") in said


def test_a_stopped_run_leaves_the_one_before_as_it_was(warm_study, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr("residuekit.study.run._present", lambda *_: None)
        first = warm_study.run()
    before = warm_study.snapshot()

    def stop(*_given):
        raise KeyboardInterrupt

    monkeypatch.setattr("residuekit.study.run.make_tables", stop)
    with pytest.raises(KeyboardInterrupt):
        warm_study.run()
    kept = {n: w for n, w in before.items() if first.folder.name in n or "latest" in n}
    assert kept.items() <= warm_study.snapshot().items()
    assert runs_of(warm_study) == [first.folder.name, "latest"]


def test_a_study_that_cannot_be_written_says_so(study):
    (study.folder / "runs").write_text("a file where a folder belongs", encoding="utf-8")
    with pytest.raises(WriteError, match="cannot be written"):
        study.run()


# a run and its inputs


def test_a_run_whose_inputs_are_as_they_were(finished):
    assert "all as they were" in check_folder(finished.result.folder)


@pytest.mark.usefixtures("without_pictures")
def test_an_input_that_changed_since_the_run_is_named(warm_study):
    result = warm_study.run()
    changed, gone = warm_study.files("blank")[:2]
    with (warm_study.folder / changed).open("ab") as file:
        file.write(b"\0")
    (warm_study.folder / gone).unlink()
    with pytest.raises(StudyError) as caught:
        check_folder(result.folder)
    assert [(f.file, f.found) for f in caught.value.faults] == [
        (changed, "a file whose content has changed since the run"),
        (gone, "a file that is gone"),
    ]


@pytest.mark.usefixtures("without_pictures")
def test_24_maps_of_24_by_24_by_750(tmp_path, capsys):
    """Timed and told, not held to a limit: machines differ."""
    rng = np.random.default_rng(0)
    axis = 900.0 + 4.0 * np.arange(750)
    paint = np.exp(-0.5 * ((axis - 1700) / 60) ** 2)
    rows = []
    for number in range(24):
        role = "blank" if number < 12 else "exposed"
        values = paint + 1e-3 * rng.standard_normal((24, 24, 750))
        values += 0.01 * rng.standard_normal() * np.exp(-0.5 * ((axis - 1090) / 20) ** 2)
        io.write(make_map(values, axis), tmp_path / f"{number}.nc")
        gel = "water" if role == "blank" else "gel"
        rows.append(f"{number}.nc,{role},m{number},alkyd,{gel},2,2")
    header = "file,role,mockup,paint,treatment,exposure_min,clearance_min"
    (tmp_path / "measurements.csv").write_text("\n".join([header, *rows]) + "\n", "utf-8")
    (tmp_path / "study.toml").write_text(
        '[question]\ntreatment = "gel"\n'
        '[procedure]\nsteps = [{step = "crop", low = 950, high = 3800}]\n'
        '[markers]\nuse = ["pva C-O 1092"]\n', "utf-8",
    )  # fmt: skip
    started = time.monotonic()
    assert main(["run", str(tmp_path)]) == 0
    taken = time.monotonic() - started
    with capsys.disabled():
        print(f"\n24 maps of 24 x 24 x 750: {taken:.1f} s without figure")
    assert open_run(tmp_path).verdicts["n_pixels"].tolist() == [12 * 576]
