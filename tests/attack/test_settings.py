"""Settings and tables that can be read and cannot be meant."""

from __future__ import annotations

import pytest

from residuekit.errors import StudyError
from residuekit.study import load_manifest
from residuekit.study.design_faults import limit_notes
from residuekit.study.provenance import settings_of
from residuekit.validator import CALL, RATE, check

LIMIT = "acceptance_limit_ug_cm2 = 4.0"


@pytest.mark.parametrize("name", ["alpha", "beta"])
@pytest.mark.parametrize("value", ["1e-12", "0.0009", "0.201", "0.499", "0", "nan"])
def test_rates_that_nobody_decides_by_are_refused_with_one_fault(study, name, value):
    study.edit(f"{name} = 0.05", f"{name} = {value}")
    with pytest.raises(StudyError) as caught:
        load_manifest(study.folder)
    (fault,) = caught.value.faults
    assert fault.needed == "a number from 0.001 to 0.2"
    assert name in fault.found


@pytest.mark.parametrize("value", [0.001, 0.2])
def test_the_ends_of_the_range_are_in_it(value):
    assert check({"alpha": value}, {"alpha": RATE}, CALL) == ({"alpha": value}, [])


@pytest.mark.parametrize(("limit", "said"), [("61", 1), ("60", 0), ("1e300", 1)])
def test_an_acceptance_limit_far_beyond_the_spikes_is_said(study, limit, said):
    study.edit(LIMIT, f"acceptance_limit_ug_cm2 = {limit}")
    notes = [note for note in load_manifest(study.folder).notes if "The acceptance limit" in note]
    assert len(notes) == said
    assert all("times the highest loading in the table" in note for note in notes)


def test_an_acceptance_limit_without_a_reason_is_said(study):
    def said():
        return [note for note in load_manifest(study.folder).notes if "acceptance_reason" in note]

    assert said() == []
    study.edit('acceptance_reason = "', '# acceptance_reason = "')
    (note,) = said()
    assert note.startswith("The acceptance limit of 4 ug cm-2 for PVA cryogel has no")
    study.edit(LIMIT, "")
    assert said() == []


def test_without_a_loading_a_layer_of_ten_micrometres_is_said():
    assert [*limit_notes(1000.0, ())] == []
    (note,) = limit_notes(1001.0, ())
    assert "a layer of 10 um" in note


@pytest.mark.parametrize(
    ("day", "refused"),
    [("2026-02-30", True), ("2026-13-01", True), ("31.04.2026", True), ("0000-01-01", True),
     ("2026-02-30T10:00", True), ("2028-02-29", False), ("31.12.2026", False),
     ("12/31/2026", False), ("day 31", False), ("2026", False)],
)  # fmt: skip
@pytest.mark.parametrize("column", ["session", "measured on"])
def test_days_that_no_calendar_has_are_refused(study, column, day, refused):
    rows = study.rows()
    rows[3][column] = day
    study.write_rows([{column: "", **row} for row in rows])
    if not refused:
        load_manifest(study.folder)
        return
    with pytest.raises(StudyError) as caught:
        load_manifest(study.folder)
    (fault,) = caught.value.faults
    assert (fault.line, fault.found) == (5, f"{column} {day!r}, a day that no calendar has")


@pytest.mark.parametrize(
    ("wanted", "cells", "said"),
    [
        (lambda row: row["exposure_min"] == "2", {"exposure_min": "3"},
         "No mock-up met PVA cryogel for the working exposure of 2 min, but for 3 and 60 min"),
        (lambda row: row["mockup"].endswith("-2min-2min_1"), {"exposure_min": "4"},
         "1 exposed mock-up, so it cannot be “not detected”: 3 are needed"),
        (lambda row: row["mockup"] in ("alkyd_water_1", "alkyd_water_2"), {"ageing_h": "500"},
         "alkyd: 2 blank mock-ups, so every verdict is “inconclusive”: 3 are needed"),
        (lambda row: row["mockup"] == "alkyd_water_1", {"soiling": "soot"},
         "alkyd, soiling soot: blank mock-up alkyd_water_1, and no exposed or spiked one"),
        (lambda row: row["role"] == "spiked", {"mockup": "one"},
         "The mock-up 'one' is spiked with 2 and 6 ug cm-2"),
    ],
)  # fmt: skip
def test_what_a_table_lacks_for_a_verdict_is_said(study, wanted, cells, said):
    def found():
        return [note for note in load_manifest(study.folder).notes if said in note]

    assert found() == []
    study.change(wanted, **cells)
    assert len(found()) == 1


def test_a_working_exposure_for_each_gel_goes_where_that_gel_is_spoken_of(study):
    """The arm of 60 min becomes another gel, whose working exposure is 60 min, not 2."""
    study.edit(
        "working_exposure_min = 2\n",
        'working_exposure_min = { "PVA cryogel" = 2, "agar gel" = 60, "gellan" = 3 }\n',
    )
    study.change(lambda row: row["exposure_min"] == "60" and row["role"] == "exposed",
                 treatment="agar gel")  # fmt: skip
    manifest = load_manifest(study.folder)
    assert manifest.working_exposure_min == 2.0
    assert manifest.working_exposures == {"PVA cryogel": 2.0, "agar gel": 60.0, "gellan": 3.0}
    recorded = settings_of(manifest)["study"]
    assert recorded["working_exposures"] == manifest.working_exposures
    said = [note for note in manifest.notes if "working exposure" in note]
    assert said == ["No mock-up met gellan, whose working exposure of 3 min is stated."]


@pytest.mark.parametrize("value", ["{}", '{ "PVA cryogel" = 0 }', '{ "a" = "2" }', "0", '"2"'])
def test_a_working_exposure_that_is_no_time_is_refused(study, value):
    study.edit("working_exposure_min = 2\n", f"working_exposure_min = {value}\n")
    with pytest.raises(StudyError, match="a number above 0, or one for each treatment"):
        load_manifest(study.folder)
