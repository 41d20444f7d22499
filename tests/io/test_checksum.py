"""Checksums: once a session, of a large file when it is asked for, never that of another state."""

from __future__ import annotations

import hashlib
import json
import os
import pickle
import shutil

import numpy as np
import pytest
import xarray as xr

from residuekit.errors import ReadError
from residuekit.io import checksum, describe, read, sha256, write
from residuekit.labels import LATER
from residuekit.schema import make_map, source, summed


@pytest.fixture
def counted(monkeypatch):
    """A list that grows by one with every file that is summed."""
    calls = []
    plain = hashlib.file_digest
    monkeypatch.setattr(hashlib, "file_digest", lambda *a: calls.append(a) or plain(*a))
    return calls


@pytest.fixture
def large(tmp_path, monkeypatch):
    """A file of 5 MB that has been at rest for a while."""
    monkeypatch.setattr(checksum, "_is_settled", lambda _mark: True)
    values = np.random.default_rng(1).normal(size=(40, 40, 800))
    path = write(make_map(values, np.arange(1000.0, 1800.0)), tmp_path / "large.nc")
    assert path.stat().st_size > checksum.SMALL_FILE
    return path


def _summed(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_checksum_is_that_of_the_standard_library(saved, tmp_path):
    path = saved("t.csv", "1,2\n")
    assert sha256(path) == hashlib.sha256(b"1,2\n").hexdigest()
    with pytest.raises(ReadError, match="no such file"):
        sha256(tmp_path / "absent")


def test_a_file_is_summed_once_a_session_and_again_when_it_changes(saved, monkeypatch, counted):
    path = saved("t.csv", "1,2\n")
    os.utime(path, (1e9, 1e9))
    monkeypatch.setattr(checksum, "_is_settled", lambda _mark: True)
    first = sha256(path)
    assert sha256(path) == first
    assert len(counted) == 1
    path.write_text("1,3\n")
    os.utime(path, (1e9, 1e9))
    assert sha256(path) == hashlib.sha256(b"1,3\n").hexdigest()
    assert len(counted) == 2


def test_a_file_that_changed_just_now_is_summed_each_time(saved, monkeypatch):
    """Its next change may leave the same times, so its checksum is not kept."""
    monkeypatch.setattr(checksum, "_FINE_S", 60.0)
    path = saved("t.csv", "1,2\n")
    state = path.stat()
    assert sha256(path) == hashlib.sha256(b"1,2\n").hexdigest()
    assert checksum.mark_of(path) not in checksum._KNOWN
    path.write_text("1,3\n")
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert sha256(path) == hashlib.sha256(b"1,3\n").hexdigest()


@pytest.mark.parametrize(
    ("age_s", "written", "settled"),
    [(0.01, 1, False), (0.1, 1, True), (2.9, 0, False), (4.0, 0, True)],
)
def test_a_file_has_to_rest_as_long_as_its_times_may_stay_the_same(
    monkeypatch, age_s, written, settled
):
    """`written` are the nanoseconds of its time, which a coarse file system does not keep."""
    last = 1_700_000_000 * 10**9 + written
    monkeypatch.setattr(checksum.time, "time_ns", lambda: last + int(age_s * 1e9))
    assert checksum._is_settled(checksum.Mark(0, 0, 0, last, 0)) is settled
    assert checksum._is_settled(checksum.Mark(0, 0, 0, 0, last)) is settled


def test_a_small_file_has_its_checksum_at_once(small_map, tmp_path):
    path = write(small_map, tmp_path / "small.nc")
    assert json.loads(read(path).attrs["source"])["sha256"] == _summed(path)


def test_a_large_file_is_summed_when_its_checksum_is_asked_for(large, counted):
    array = read(large)
    text = json.loads(array.attrs["source"])
    assert not counted
    assert "sha256" not in text
    assert LATER in text
    assert source(array)["sha256"] == _summed(large)
    assert LATER not in source(array)
    part = (2 * array.isel(y=0)).assign_attrs(array.attrs)
    assert source(part) == source(array)
    assert describe(large).recognised["sha256"] == _summed(large)
    assert len(counted) == 1


def test_a_large_file_that_changed_just_now_is_summed_as_it_is_read(large, monkeypatch, counted):
    monkeypatch.setattr(checksum, "_is_settled", lambda _mark: False)
    assert json.loads(read(large).attrs["source"])["sha256"] == _summed(large)
    assert len(counted) == 1


@pytest.mark.parametrize("suffix", [".nc", ".jdx", ".csv", ".zarr"])
def test_what_is_written_holds_the_checksum_of_a_large_file(large, tmp_path, suffix):
    array = read(large).isel(y=slice(2), x=slice(2))
    again = read(write(array, tmp_path / f"part{suffix}"))
    assert source(again)["origin"]["sha256"] == _summed(large)
    assert LATER not in array.assign_attrs(summed(array).attrs).attrs["source"]
    xr.testing.assert_identical(summed(array).drop_attrs(), array.drop_attrs())


def _written_over(path):
    path.write_bytes(path.read_bytes()[::-1])


def _options_beside(path):
    path.with_name(path.name + ".toml").write_text("lazy = false\n")


def _replaced(path):
    """By a file of the same content: only its place on the disk is another."""
    shutil.copy2(path, path.with_name("copy"))
    path.with_name("copy").replace(path)


@pytest.mark.parametrize("change", [_written_over, _options_beside, _replaced, os.remove])
def test_a_large_file_that_changed_since_is_given_no_checksum(large, tmp_path, change):
    array = read(large)
    change(large)
    found = source(array)
    assert "sha256" not in found
    said = "the file is not as it was read, or another session read it"
    assert found["no sha256"] == said
    again = read(write(array.isel(y=[0], x=[0]), tmp_path / "part.nc"))
    assert source(again)["origin"] == found


def test_a_large_file_that_changes_while_it_is_summed_is_given_no_checksum(large, monkeypatch):
    array, plain = read(large), hashlib.file_digest

    def meanwhile(*given):
        digest = plain(*given)
        _written_over(large)
        return digest

    monkeypatch.setattr(hashlib, "file_digest", meanwhile)
    assert "sha256" not in source(array)


def test_files_of_one_name_are_kept_apart(large, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "other").mkdir()
    other = write(read(large) + 1, tmp_path / "other" / large.name)
    arrays = read(large.name), read(f"other/{large.name}")
    monkeypatch.chdir("/")
    assert [source(a)["sha256"] for a in arrays] == [_summed(large), _summed(other)]


def test_what_another_session_read_has_no_checksum_to_give(large):
    array = pickle.loads(pickle.dumps(read(large)))
    checksum.SUMS.clear()
    assert "no sha256" in source(array)


def test_a_folder_is_large_by_all_its_files(tmp_path, large, counted):
    store = write(read(large), tmp_path / "large.zarr")
    counted.clear()
    array = read(store)
    assert not counted
    assert source(array)["sha256"] == sha256(store)
    array = read(store)
    (store / "more").write_text("more")
    assert "sha256" not in source(array)
