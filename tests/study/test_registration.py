"""What was fixed is registered with its time; later departures are listed; nothing else says so."""

from __future__ import annotations

import hashlib
import json

import pytest

from residuekit import Study
from residuekit.cli import main
from residuekit.errors import StudyError
from residuekit.study.registration import register
from residuekit.words.registration import registration_sentences

LIMIT = "acceptance_limit_ug_cm2 = "


def test_the_digest_is_that_of_the_canonical_text(study):
    made = register(study.folder)
    written = json.loads((study.folder / "registration.json").read_text(encoding="utf-8"))
    assert written == made
    text = json.dumps(written["fixed"], sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert written["sha256"] == hashlib.sha256(text.encode()).hexdigest()
    exposed = Study.open(study.folder).manifest.of_role("exposed")
    assert written["exposed"].keys() == {row.file for row in exposed}
    for row in exposed:
        digest = hashlib.sha256((study.folder / row.file).read_bytes()).hexdigest()
        assert written["exposed"][row.file] == digest


@pytest.mark.usefixtures("without_pictures")
def test_rows_without_their_files_stand_as_planned(study):
    files = [
        study.folder / row.file for row in Study.open(study.folder).manifest.of_role("exposed")
    ]
    kept = {path: path.read_bytes() for path in files}
    for path in files:
        path.unlink()
    with pytest.raises(StudyError):
        Study.open(study.folder)
    made = register(study.folder)
    assert made["exposed"] == {}
    for path, data in kept.items():
        path.write_bytes(data)
    found = Study.open(study.folder).run().provenance["registration"]
    said = " ".join(registration_sentences(found))
    assert "before any exposed file was there" in said
    assert made["sha256"] in said
    assert said.endswith("Nothing has departed from that.")


def test_departures_are_listed_and_not_called_planned(study):
    register(study.folder)
    with pytest.raises(StudyError, match="registered once"):
        register(study.folder)
    study.edit(LIMIT, LIMIT + "9")
    lost = next(row for row in study.rows() if row["role"] == "exposed")
    study.keep(lambda row: row != lost)
    run = Study.open(study.folder).run()
    said = " ".join(registration_sentences(run.provenance["registration"]))
    assert "Later departure: acceptance limit " in said
    assert "1 planned mock-ups that are not there" in said
    assert lost["mockup"] in said
    methods = (run.folder / "methods.md").read_text(encoding="utf-8")
    assert "Later departure: acceptance limit" in methods


def test_without_one_no_text_says_beforehand_and_other_limits_are_told(warm_study):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("residuekit.study.run._present", lambda *_: None)
        warm_study.run()
    warm_study.edit(LIMIT, LIMIT + "9")
    run = Study.open(warm_study.folder).run()
    found = run.provenance["registration"]
    assert len(found["earlier_limits"]) == 1
    for path in run.folder.iterdir():
        if path.suffix in (".md", ".html", ".csv", ".json", ".tex"):
            text = path.read_text(encoding="utf-8")
            assert "beforehand" not in text, path.name
    assert "Kept runs of this study used other acceptance limits" in (
        run.folder / "methods.md"
    ).read_text(encoding="utf-8")


def test_a_changed_registration_is_refused(study):
    register(study.folder)
    study.edit('"alpha": 0.05', '"alpha": 0.1', "registration.json")
    with pytest.raises(StudyError, match="sha256 beside it"):
        Study.open(study.folder).run()
    (study.folder / "registration.json").write_text("{}", encoding="utf-8")
    with pytest.raises(StudyError, match="no registration"):
        Study.open(study.folder).run()


def test_the_command_prints_the_hash(study, capsys):
    assert main(["register", str(study.folder)]) == 0
    made = json.loads((study.folder / "registration.json").read_text(encoding="utf-8"))
    assert made["sha256"] in capsys.readouterr().out
    assert main(["register", str(study.folder)]) == 1
