"""One measurement under two names is found by its numbers, whatever the files are."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

import residuekit as rk
from residuekit import io
from residuekit.errors import ContractError, StudyError
from residuekit.spectra.twins import CHANCE, MOST_SHARE, imprint, twins
from residuekit.study.inspect import check_folder

BAND_ONLY = ('scores = ["band", "net signal"]', 'scores = ["band"]')
pytestmark = pytest.mark.usefixtures("without_pictures")
AXIS = np.arange(900.0, 1850.0, 5.0)
PAINT = 0.4 * np.exp(-(((AXIS - 1150) / 40) ** 2)) + 0.1
LONG = {"exposure_min": "60"}


def saved_again(study, source, place, suffix=".nc"):
    """Write the content of a file once more under the name of another row; its new name."""
    array = io.read(study.folder / source)
    array.values *= 1 + 2e-7 * place
    if suffix == ".nc":
        array.attrs["note"] = f"saved again {place}"
    name = f"data/again-{place}{suffix}"
    io.write(array, study.folder / name)
    return name


def replace_files(study, files, sources, suffix=".nc"):
    for place, (file, source) in enumerate(zip(files, sources, strict=True)):
        name = saved_again(study, source, place, suffix)
        study.change(lambda row, file=file: row["file"] == file, file=name)


def blanks_as_exposed(study, suffix):
    files = study.files("exposed", **LONG)
    replace_files(study, files, study.files("blank")[: len(files)], suffix)
    return len(files)


def one_blank_for_all(study, suffix):
    first, *others = study.files("blank")
    replace_files(study, others, [first] * len(others), suffix)
    return len(others)


def one_exposed_for_all(study, suffix):
    first, *others = study.files("exposed", **LONG)
    replace_files(study, others, [first] * len(others), suffix)
    return len(others)


@pytest.mark.parametrize("suffix", [".nc", ".csv"])
@pytest.mark.parametrize("forge", [blanks_as_exposed, one_blank_for_all, one_exposed_for_all])
def test_maps_saved_again_are_refused_by_check_and_run_with_every_pair(study, forge, suffix):
    count = forge(study, suffix)
    for refuse in (lambda: check_folder(study.folder), study.run):
        with pytest.raises(StudyError) as refused:
            refuse()
        said = [f for f in refused.value.faults if "closer than the noise" in f.found]
        assert len(said) == count
        assert all(f.file == "measurements.csv" and f.line for f in said)
        assert all("in line" in f.found and "same mockup name" in f.fix for f in said)
    assert not list((study.folder / "runs").glob("2*"))


def test_averaged_spectra_saved_again_are_refused(point_study):
    first, second = point_study.files("blank")[0], point_study.files("exposed")[0]
    replace_files(point_study, [second], [first])
    with pytest.raises(StudyError, match="closer than the noise of two measurements"):
        check_folder(point_study.folder)


def test_a_copy_under_the_same_mockup_name_is_averaged(study):
    file = study.files("blank")[0]
    name = saved_again(study, file, 0)
    again = next(row for row in study.rows() if row["file"] == file)
    study.write_rows([*study.rows(), {**again, "file": name}])
    check_folder(study.folder)


def measured(rng, n, noise, *, paint=PAINT):
    return rk.make_points(paint + noise * rng.standard_normal((n, AXIS.size)), AXIS)


def test_independent_measurements_of_one_paint_are_never_twins():
    """Nothing but noise tells them apart: the worst case. 19,900 pairs of each kind."""
    rng = np.random.default_rng(5)
    for n, noise in ((1, 1e-5), (1, 1e-3), (9, 1e-3), (64, 1e-3)):
        seen = [imprint(measured(rng, n, noise)) for _ in range(200)]
        assert twins(seen, range(200)) == []
        if n > 1:
            own = np.mean([one.variance for one in seen])
            assert own == pytest.approx(noise**2 / n, rel=0.1)


def test_neighbouring_channels_that_share_their_noise_are_no_twins():
    rng = np.random.default_rng(6)
    shared = np.repeat(rng.standard_normal((200, 9, AXIS.size // 5)), 5, axis=2) * 1e-3
    seen = [imprint(rk.make_points(PAINT + one, AXIS)) for one in shared]
    assert twins(seen, range(200)) == []


@pytest.mark.parametrize("digits", [4, 6])
def test_copies_with_rounded_numbers_are_twins(digits):
    rng = np.random.default_rng(7)
    array = measured(rng, 9, 1e-3)
    copy = rk.make_points(array.values.round(digits), AXIS)
    assert twins([imprint(array), imprint(copy)], "ab") == [(1, 0)]
    assert twins([imprint(array), imprint(copy)], "aa") == []


def test_a_copy_that_was_cropped_or_turned_to_transmittance_is_a_twin():
    rng = np.random.default_rng(8)
    array = measured(rng, 9, 1e-3)
    cropped = rk.make_points(array.values[:, 20:], AXIS[20:])
    other = rk.make_points(10.0**-array.values, AXIS, quantity="transmittance")
    seen = [imprint(one) for one in (array, cropped, other)]
    assert twins(seen, range(3)) == [(1, 0), (2, 0)]


@pytest.mark.parametrize("channels", [8, 20, 40, 400])
def test_the_stated_chance_holds_for_few_channels_and_for_many(channels):
    """The share is that of a chi-square of a quarter of the channels, at 1 % at most."""
    axis = np.arange(1000.0, 1000 + channels)
    wave = np.sin(axis)
    free = channels / 4
    share = min(MOST_SHARE, chi2.ppf(CHANCE, free) / free)
    assert chi2.cdf(share * free, free) <= CHANCE * 1.001
    one = imprint(rk.make_points(wave + np.zeros((2, 1)), axis))
    for factor, found in ((0.99, [(1, 0)]), (1.01, [])):
        offset = math.sqrt(2 * one.variance * share * factor)
        other = type(one)(axis, one.mean + offset, one.variance)
        assert twins([one, other], "ab") == found


def test_real_duplicates_are_no_twins(local):
    """60 oils measured twice: no two of 120 spectra are alike, the nearest 900 times beyond."""
    path = local / "oils" / "FTIR_Spectra_olive_oils.csv.gz"
    if not path.is_file():
        pytest.skip("the oils are absent")
    table = pd.read_csv(path, header=None, skiprows=3).to_numpy(dtype=float)
    seen = [imprint(rk.make_points(one[None], table[:, 0])) for one in table[:, 1:].T]
    assert twins(seen, range(len(seen))) == []
    again = [*seen, imprint(rk.make_points(table[:, 1].round(5)[None], table[:, 0]))]
    assert twins(again, range(len(again))) == [(120, 0)]


def arm(rng, **changed):
    gel = np.exp(-(((AXIS - 1092) / 20) ** 2))

    def mockup(amount=0.0):
        return measured(rng, 9, 1e-3, paint=PAINT + 0.01 * (amount + rng.normal(0, 0.1)) * gel)

    return {
        "blanks": [mockup() for _ in range(4)],
        "exposed": [mockup() for _ in range(3)],
        "spiked": [(load, mockup(load)) for load in (2.0, 2.0, 4.0, 4.0)],
        "references": rk.make_points(gel, AXIS),
        **changed,
    }


def test_an_arm_in_memory_is_refused_with_the_places():
    given = arm(np.random.default_rng(9))
    rk.judge_arm(**given)
    given["exposed"] = [*given["exposed"], given["blanks"][2] * 1.0]
    with pytest.raises(ContractError, match=r"exposed\[3\] with the spectra of blanks\[2\]"):
        rk.judge_arm(**given)


def test_blanks_that_do_not_differ_by_the_deciding_score_are_refused():
    """No two are alike, but what they differ by lies where the score does not look."""
    rng = np.random.default_rng(10)
    given = arm(rng)
    window = (AXIS > 1000) & (AXIS < 1180)
    paint = np.where(window, PAINT, 0.0)
    rest = rng.standard_normal((4, 1, AXIS.size)) * np.where(window, 0.0, 1e-3)
    given |= {"blanks": [rk.make_points(PAINT + 0 * paint + one, AXIS) for one in rest]}
    with pytest.raises(ContractError, match="4 blank mock-ups that scatter by"):
        rk.judge_arm(**given, markers=["pva C-O 1092"], scores=("band",))


def test_a_study_whose_blanks_do_not_differ_is_refused(study):
    """Copies with an offset are no twins as measured; a band over its own line takes that off."""
    first, *others = study.files("blank")
    for place, file in enumerate(others):
        array = io.read(study.folder / first)
        array.values += 0.01 * (place + 1)
        io.write(array, study.folder / file)
    study.edit(*BAND_ONLY)
    with pytest.raises(StudyError, match="4 blank mock-ups that scatter by"):
        study.run()
