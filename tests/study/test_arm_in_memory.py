"""`judge_arm` on the arrays of a study gives what its run has written, to its nine digits."""

from __future__ import annotations

import pytest

import residuekit as rk
from residuekit import io
from residuekit.study import Study


@pytest.mark.parametrize("exposure", ["2", "60"])
def test_an_arm_in_memory_is_judged_as_by_a_run(finished, exposure):
    manifest = Study.open(finished.study.folder).manifest

    def maps(role, **cells):
        procedure = manifest.procedure
        if role == "reference":
            procedure = procedure.for_pure_materials()
        for file in finished.study.files(role, **cells):
            array = io.read(finished.study.folder / file)
            yield procedure.apply(rk.check_quality(array, **manifest.quality).array)

    found = rk.judge_arm(
        blanks=list(maps("blank")),
        exposed=list(maps("exposed", exposure_min=exposure)),
        spiked=[
            (float(load), one) for load in ("2", "6") for one in maps("spiked", loading_ug_cm2=load)
        ],
        references=list(maps("reference")),
        acceptance_limit=manifest.acceptance_limit,
        markers=manifest.markers,
    )
    frame = finished.result.verdicts
    (written,) = frame[frame["exposure_min"] == float(exposure)].to_dict("records")
    assert found.verdict == written["verdict"]
    assert set(found.codes) == set(written["codes"].split("; ")) - {
        "several-arms",
        "other-exposure",
    }
    for name, value in found.deciding.row().items():
        expected = written[name]
        if isinstance(value, float):
            expected = pytest.approx(expected, rel=1e-8, nan_ok=True)
        assert value == expected, name
    scores = finished.result.scores
    rows = scores[scores["exposure_min"] == float(exposure)].to_dict("records")
    assert [one.score for one in found.assessments] == [row["score"] for row in rows]
    for one, row in zip(found.assessments, rows, strict=True):
        assert one.estimate == pytest.approx(row["estimate"], rel=1e-8)
        assert one.upper_bound == pytest.approx(row["upper_bound"], rel=1e-8)
        assert one.detection_limit == pytest.approx(row["detection_limit"], rel=1e-8)
