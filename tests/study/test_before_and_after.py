"""Mock-ups measured before treatment too: a study gives what `judge_arm` gives in memory."""

from __future__ import annotations

import numpy as np
import pytest

import residuekit as rk
from residuekit import io

BASE = {"role": "before"}


def with_states_before(study, wanted, seed=5):
    """Write a map before treatment for mock-ups: the map after, less what treatment and day did."""
    rng = np.random.default_rng(seed)
    rows = study.rows()
    for row in rows[:]:
        if row["role"] in ("blank", "exposed", "spiked") and wanted(row):
            array = io.read(study.folder / row["file"])
            kept = array.copy(data=array.values + rng.normal(0, 2e-4, array.shape))
            shift = rng.normal(0, 2e-3) * np.ones(array.shape[-1])
            file = row["file"].replace(".nc", "-before.nc")
            rk.write(kept.copy(data=(kept.values + shift).astype("float32")), study.folder / file)
            rows.append({**dict.fromkeys(row, ""), **BASE, "file": file, "mockup": row["mockup"]})
    study.write_rows(rows)


def before(study, mockups):
    known = {row["mockup"]: row["file"] for row in study.rows() if row["role"] == "before"}
    return [study.arrays([known[name]])[0] if name in known else None for name in mockups]


def names(study, role, **cells):
    return [
        row["mockup"]
        for row in study.rows()
        if row["role"] == role and all(row[key] == cell for key, cell in cells.items())
    ]


@pytest.mark.usefixtures("without_pictures")
@pytest.mark.parametrize("lost", [(), (0,)])
def test_a_paired_arm_of_a_study_is_judged_as_in_memory(study, lost):
    gone = [names(study, "blank")[place] for place in lost]
    with_states_before(study, lambda row: row["mockup"] not in gone)
    result = study.run()
    exposed = {"exposure_min": "60"}
    found = study.judged_in_memory(
        before_blanks=before(study, names(study, "blank")),
        before_exposed=before(study, names(study, "exposed", **exposed)),
        before_spiked=before(study, names(study, "spiked")),
    )
    table = result.verdicts
    (row,) = table[table["exposure_min"] == 60.0].to_dict("records")
    assert row["paired"] == "before"
    assert (row["verdict"], row["n_blank_mockups"]) == (found.verdict, 4 - len(lost))
    for name, value in found.deciding.row().items():
        expected = (
            pytest.approx(value, rel=1e-8, nan_ok=True) if isinstance(value, float) else value
        )
        assert row[name] == expected, name
    codes = set(row["codes"].split("; ")) - {"several-arms", "other-exposure"}
    assert codes == set(found.codes)
    assert ("blanks-without-before" in codes) == bool(lost)
    assert all(name in row["reason"] for name in gone)
    mockups = result.mockups
    own = mockups[(mockups["score"] == row["score"]) & (mockups["exposure_min"] == 60.0)]
    shown = own.loc[own["role"] == "exposed", "mean"].to_numpy()
    assert shown == pytest.approx(found.deciding.mockups, rel=1e-6)
    blanks = mockups[(mockups["score"] == row["score"]) & (mockups["role"] == "blank")]
    assert np.isfinite(blanks["mean"].to_numpy()).all()
    change = blanks["unpaired"] - blanks["before"]
    assert blanks["change"].to_numpy() == pytest.approx(change.to_numpy(), rel=1e-6, nan_ok=True)
    assert (blanks["before"].isna() == blanks["mockup"].isin(gone)).all()
    known = blanks.dropna(subset="before")
    assert abs(known["unpaired"].mean()) < 0.3 * known["unpaired"].std()
    of_arm = own.loc[own["role"] == "exposed", "change"] - known["change"].mean()
    assert of_arm.to_numpy() == pytest.approx(found.deciding.mockups, rel=1e-6)
