"""Channels that are bad in file after file: found across a study, bridged, never a study lost."""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from scipy.stats import binom

from residuekit import io
from residuekit.errors import StudyError
from residuekit.schema import make_points
from residuekit.study.bad_channels import (
    LEAST_FILES,
    LEAST_SHARE,
    Spikes,
    shared_channels,
    without_channels,
)  # fmt: skip
from residuekit.study.inspect import check_folder

CHANNEL = 1303.2  # of the small study's axis, 900 to 1850 by 5.6


def spikes(role, *places):
    return Spikes(role, np.array(places), 900.0, 1850.0, 5.6)


def spoil(study, files, height=0.05):
    for name in files:
        path = study.folder / name
        array = io.read(path)
        values, axis = array.values.astype(float), array["wavenumber"].values
        values[:, np.argmin(np.abs(axis - CHANNEL))] += height
        io.write(make_points(values, axis, technique=array.attrs["technique"]), path)


def test_what_most_files_and_most_blanks_share_is_the_instruments():
    exposed, blanks = [spikes("exposed", 1301.2)] * 8, [spikes("blank", 1301.2)] * 4
    (found,) = shared_channels([*exposed, *blanks, spikes("reference")])
    assert (found.wavenumber, found.n_files, found.n_all) == (1301.2, 12, 12)
    assert shared_channels([*exposed, *[spikes("blank")] * 4]) == ()  # may be the gel's line
    assert shared_channels(blanks[:2]) == ()
    assert shared_channels([*blanks, *[spikes("exposed")] * 5]) == ()


def test_axes_that_differ_by_less_than_half_a_channel_meet():
    found = shared_channels([spikes("blank", 1301.2), *[spikes("blank", 1302.0)] * 3])
    assert [(one.wavenumber, one.n_files) for one in found] == [(1301.2, 4)]


def test_chance_gives_a_shared_channel_in_fewer_than_one_study_of_1e8():
    """One spectrum in 50 with a spike at random among 500 channels."""
    for n in range(LEAST_FILES, 60):
        least = max(LEAST_FILES, int(np.ceil(LEAST_SHARE * n)))
        assert 500 * binom.sf(least - 1, n, 0.02 / 500) < 1e-8


@pytest.mark.usefixtures("without_pictures")
def test_check_and_run_bridge_it_in_every_file_and_say_so(point_study):
    files = [row["file"] for row in point_study.rows()]
    spoil(point_study, files)
    said = check_folder(point_study.folder)
    n = len([row for row in point_study.rows() if row["role"] != "reference"])
    assert f"At {CHANNEL} cm-1 one channel stands out in {n} of {n} files" in said
    result = point_study.run()
    assert result.failures == {}
    assert [one["n_files"] for one in result.provenance["bad_channels"]] == [n]
    assert f"At {CHANNEL} cm-1 one channel" in result.provenance["remarks"][0]


@pytest.mark.usefixtures("without_pictures")
def test_the_verdicts_are_those_without_the_bad_channel(point_study):
    before = point_study.run().verdicts
    spoil(point_study, [row["file"] for row in point_study.rows()])
    after = point_study.run().verdicts
    assert after["verdict"].tolist() == before["verdict"].tolist()
    np.testing.assert_allclose(after["estimate"], before["estimate"], atol=0.1)


@pytest.mark.usefixtures("without_pictures")
def test_one_files_spike_is_no_instruments_and_check_says_what_to_type(point_study):
    file = point_study.files("exposed")[0]
    spoil(point_study, [file])
    with pytest.raises(StudyError) as refused:
        check_folder(point_study.folder)
    (fault,) = refused.value.faults
    assert fault.file == file
    assert "1 spike" in fault.found
    assert 'step = "despike"' in fault.fix
    assert list(point_study.run().failures) == [file]


@pytest.mark.usefixtures("without_pictures")
def test_a_step_that_mends_the_file_or_leaves_the_channel_out_is_enough(point_study):
    spoil(point_study, point_study.files("exposed")[:1])
    point_study.edit('"pva C-O 1092", ', "")
    text = point_study.settings.read_text(encoding="utf-8")
    crop = '{step = "crop", low = 910, high = 1840},'
    assert crop in text
    mends = (
        '{step = "despike"}',
        '{step = "bridge", low = 1295, high = 1310}',
        '{step = "crop", low = 1310, high = 1840}',
    )
    for mend in mends:
        point_study.settings.write_text(text.replace(crop, f"{crop} {mend},"), encoding="utf-8")
        assert "not fit" not in check_folder(point_study.folder)
    assert point_study.run().failures == {}


def test_an_axis_without_the_channel_is_left_as_it_is():
    array = make_points(np.ones((1, 20)), 2000 + 4.0 * np.arange(20))
    assert without_channels(array, [CHANNEL, 2000.0]).identical(array)


@pytest.mark.usefixtures("without_pictures")
def test_check_after_a_run_finds_the_channels_anew_where_files_have_changed(point_study):
    files = [row["file"] for row in point_study.rows()]
    assert not point_study.run().provenance["bad_channels"]
    spoil(point_study, files)
    spoiled = check_folder(point_study.folder)
    assert "one channel stands out" in spoiled
    point_study.run()
    assert check_folder(point_study.folder) == spoiled
    spoil(point_study, files[: len(files) * 2 // 3], height=-0.05)
    with pytest.raises(StudyError, match="spike") as kept:
        check_folder(point_study.folder)
    shutil.rmtree(point_study.folder / "runs" / ".cache")
    with pytest.raises(StudyError, match="spike") as anew:
        check_folder(point_study.folder)
    assert str(kept.value) == str(anew.value)
