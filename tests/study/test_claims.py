"""What a run may claim: no absence without its limit, its bound and its n, and the right blanks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from residuekit import io
from residuekit.errors import StudyError
from residuekit.reprs import to_error
from residuekit.study import load_manifest

pytestmark = pytest.mark.usefixtures("without_pictures")


def assert_claims_are_whole(result):
    """Every absence and every doubt states detection limit, upper bound, n and share bound."""
    for table in (result.verdicts, result.scores):
        for row in table.to_dict("records"):
            if row["verdict"] not in ("not detected", "inconclusive"):
                continue
            decision, detection, bound, alone = (
                to_error(row[name], row["standard_error"])
                for name in ("decision_limit", "detection_limit", "upper_bound",
                             "mockup_detection_limit")
            )  # fmt: skip
            for words in (
                f"mean of {row['n_mockups']} mock-ups",
                f"against {row['n_blank_mockups']} blank mock-ups",
                f"Decision limit {decision}",
                f"detection limit {detection}",
                f"upper bound {bound} {row['unit']}",
                f"Up to {row['share_upper_bound']:.0%} of such mock-ups could",
                f"One mock-up with {alone} {row['unit']} would be noticed",
            ):
                assert words in row["reason"]
            if row["verdict"] == "not detected":
                assert row["unit"] == "ug cm-2"
                assert (
                    row["detection_limit"] <= result.provenance["study"]["acceptance_limit_ug_cm2"]
                )
                assert row["n_mockups"] >= 3
                assert "less may be missed" in row["reason"]


def clean_arm_alone(study, blanks=4):
    """Keep what the clean arm needs."""
    kept = study.files("blank")[:blanks]
    study.keep(
        lambda row: (
            row["file"] in kept
            or row["role"] in ("spiked", "reference")
            or row["exposure_min"] == "2"
        )
    )
    return study


def one_row(result):
    assert_claims_are_whole(result)
    (row,) = result.verdicts.to_dict("records")
    return row


def test_the_small_study(finished):
    assert_claims_are_whole(finished.result)
    scores = finished.result.scores
    assert (scores["score"].value_counts() == 2).all()
    assert scores["verdict"].isin(["detected", "not detected", "inconclusive",
                                   "not assessable"]).all()  # fmt: skip
    own = scores[scores["score"] == "net signal"].reset_index(drop=True)
    pd.testing.assert_frame_equal(own, finished.result.verdicts)


def test_the_deciding_score_stands_fixed_in_the_table_of_markers(finished):
    table = finished.result.markers
    assert table.loc[table["deciding"].astype(str).str.lower() == "true", "score"].tolist() == [
        "net signal"
    ]
    assert set(finished.result.verdicts["score"]) == {"net signal"}


def test_without_an_acceptance_limit_nothing_is_not_detected(warm_study):
    clean_arm_alone(warm_study).edit("acceptance_limit_ug_cm2 = 4.0\n", "")
    result = warm_study.run()
    row = one_row(result)
    assert row["verdict"] == "inconclusive"
    assert "no-acceptance-limit" in row["codes"]
    assert "not detected" not in set(result.scores["verdict"])


def test_without_spiked_mockups_nothing_is_not_detected(warm_study):
    clean_arm_alone(warm_study).keep(lambda row: row["role"] != "spiked")
    result = warm_study.run()
    row = one_row(result)
    assert row["verdict"] == "inconclusive"
    assert row["unit"] == "reference"
    assert "no-loading-scale" in row["codes"]
    assert set(result.scores["unit"]) == {"reference", "A cm-1"}
    assert "not detected" not in set(result.scores["verdict"])


def test_two_exposed_mockups_are_too_few(warm_study):
    files = warm_study.files("exposed", exposure_min="2")
    clean_arm_alone(warm_study).keep(lambda row: row["file"] != files[0])
    row = one_row(warm_study.run())
    assert (row["verdict"], row["n_mockups"]) == ("inconclusive", 2)
    assert "few-exposed" in row["codes"]


def test_two_maps_of_one_mockup_are_one_mockup(warm_study):
    """Maps inside a mock-up are no replicates."""
    names = [r["mockup"] for r in warm_study.rows() if r["exposure_min"] == "2"]
    clean_arm_alone(warm_study).change(lambda r: r["mockup"] == names[1], mockup=names[0])
    result = warm_study.run()
    row = one_row(result)
    assert (row["n_mockups"], row["n_maps"], row["n_pixels"]) == (2, 3, 192)
    assert row["verdict"] == "inconclusive"
    own = result.mockups[result.mockups["mockup"] == names[0]]
    assert set(own["n_maps"]) == {2}


def test_two_blanks_are_too_few(warm_study):
    row = one_row(clean_arm_alone(warm_study, blanks=2).run())
    assert (row["verdict"], row["n_blank_mockups"]) == ("inconclusive", 2)
    assert "few-blanks" in row["codes"]


def test_water_only_and_untreated_are_never_pooled(warm_study):
    untreated = warm_study.files("blank")[0]
    clean_arm_alone(warm_study).change(lambda r: r["file"] == untreated, treatment="none")
    result = warm_study.run()
    row = one_row(result)
    assert row["n_blank_mockups"] == 3
    assert "3 water-only less 1 untreated" in row["reason"]
    assert (result.mockups["role"] == "blank").sum() == 4 * 3


def test_untreated_blanks_alone_are_judged_and_it_is_said(warm_study):
    clean_arm_alone(warm_study).change(lambda r: r["role"] == "blank", treatment="none")
    row = one_row(warm_study.run())
    assert row["n_blank_mockups"] == 4
    assert row["verdict"] == "not detected"
    assert "untreated-comparator" in row["codes"]


def test_blanks_of_the_same_exposure_are_taken_where_there_are_enough(warm_study):
    blanks = warm_study.files("blank")
    warm_study.change(lambda r: r["file"] in blanks[:3], exposure_min="2")
    warm_study.change(lambda r: r["file"] == blanks[3], exposure_min="60")
    result = warm_study.run()
    assert_claims_are_whole(result)
    rows = result.verdicts.set_index("exposure_min")
    assert dict(rows["n_blank_mockups"]) == {2.0: 3, 60.0: 4}
    assert "water-only blanks are of" not in rows.loc[2.0, "reason"]
    said = "The water-only blanks are of 2 and 60 min, not all of the arm's 60 min."
    assert said in rows.loc[60.0, "reason"]


def test_the_number_of_arms_stands_in_every_verdict(finished):
    for reason in finished.result.verdicts["reason"]:
        assert "One of 2 arms tested, each at 5%. Were all clean, a false alarm" in reason


def test_without_a_reference_of_its_own_no_arm_is_assessable(warm_study):
    """No shape to compare with; the numbers of the bands stand beside it."""
    warm_study.keep(lambda row: row["role"] != "reference")
    warm_study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 40")
    result = warm_study.run()
    assert_claims_are_whole(result)
    assert set(result.verdicts["score"]) == {"band: pva C-O 1092"}
    assert "detected" not in set(result.scores["verdict"])
    assert result.verdicts["reason"].str.contains("No reference of PVA cryogel").all()
    row = result.verdicts.set_index("exposure_min").loc[60.0]
    assert row["estimate"] > row["decision_limit"]
    assert row["verdict"] == "not assessable"
    assert "no-reference" in row["codes"]


def test_the_net_signal_alone_without_a_reference_is_refused(study):
    study.keep(lambda row: row["role"] != "reference")
    study.edit('["band", "net signal"]', '["net signal"]')
    with pytest.raises(StudyError, match="'net signal' alone, and no reference of 'PVA cryogel'"):
        load_manifest(study.folder)


def test_the_net_signal_alone_with_a_broken_reference_is_not_assessable(warm_study):
    warm_study.edit('["band", "net signal"]', '["net signal"]')
    (warm_study.folder / warm_study.files("reference")[0]).write_bytes(b"broken")
    result = warm_study.run()
    assert set(result.verdicts["verdict"]) == {"not assessable"}
    assert result.verdicts["reason"].str.contains("No reference of PVA cryogel").all()


def test_scores_must_name_at_least_one(study):
    study.edit('["band", "net signal"]', "[]")
    with pytest.raises(StudyError, match="line 16: found scores = "):
        load_manifest(study.folder)


def test_point_spectra_and_the_band_score_alone(point_study):
    result = point_study.run()
    assert_claims_are_whole(result)
    assert set(result.scores["score"]) == {"band: pva C-O 1092", "band: acetate C=O 1735"}
    rows = result.verdicts
    assert (rows["n_mockups"] == 3).all()
    assert (rows["n_maps"] == 6).all()
    assert (rows["n_pixels"] == 6).all()
    assert result.mockups["patch_share"].isna().all()
    estimate = dict(zip(rows["exposure_min"], rows["estimate"], strict=True))
    assert estimate[60.0] > estimate[2.0]
    assert np.isfinite(list(estimate.values())).all()


def test_an_own_band_works_like_a_listed_one(warm_study):
    own = '{name = "mine", low = 1050, high = 1140, measure = "height", position = 1092}'
    clean_arm_alone(warm_study).edit('"acetate C=O 1735"', own)
    result = warm_study.run()
    assert_claims_are_whole(result)
    assert "band: mine" in set(result.scores["score"])


def test_a_reference_that_is_spoiled_is_named_where_the_net_signal_is_missed(warm_study):
    (reference,) = warm_study.files("reference")
    (warm_study.folder / reference).write_bytes(b"not a file of spectra")
    words = f"No reference of PVA cryogel could be used ({reference} left out), so no net signal"
    assert warm_study.run().verdicts["reason"].str.contains(words, regex=False).all()


@pytest.mark.parametrize(
    ("thickness", "words"),
    [
        (0.5, "differ in response by up to 2 times. Loadings are those of what was spiked"),
        (5.0, "References left out: data/second.nc."),
    ],
)
def test_references_that_respond_unlike_or_are_lost_are_told(warm_study, thickness, words):
    """A second film for half the amount, and one so thick that it saturates."""
    (reference,) = warm_study.files("reference")
    array = io.read(warm_study.folder / reference)
    second = array.copy(data=thickness * array.values)
    io.write(second, warm_study.folder / "data/second.nc")
    rows = warm_study.rows()
    (row,) = (row for row in rows if row["file"] == reference)
    warm_study.write_rows([*rows, {**row, "file": "data/second.nc"}])
    assert warm_study.run().verdicts["reason"].str.contains(words, regex=False).all()
