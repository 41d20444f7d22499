"""What lies in ``runs/.cache`` is used only where this user made it on this machine."""

from __future__ import annotations

import io as streams
import os
import shutil
import stat
from pathlib import Path

import numpy as np
import pytest

from residuekit.errors import StudyError, WriteError
from residuekit.results import TABLES
from residuekit.study.cache import Cache
from residuekit.study.inspect import check_folder
from residuekit.study.seal import LENGTH, key_file, own_key, seal

pytestmark = pytest.mark.usefixtures("without_pictures")
posix = pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
KEPT = Path("runs") / ".cache"


@pytest.fixture
def forged(warm_study, finished):
    """The study with all that a run has kept, its clean maps in the place of the exposed ones."""
    shutil.copytree(finished.study.folder / KEPT, warm_study.folder / KEPT, dirs_exist_ok=True)
    return warm_study


def entries(study):
    return sorted((study.folder / KEPT).glob("*.npz"))


def forge(study, key):
    """Whole entries with a little else in their mean spectra, under the seal of another key."""
    rng = np.random.default_rng(1)
    for path in entries(study):
        with np.load(streams.BytesIO(path.read_bytes()[LENGTH:])) as held:
            arrays = dict(held)
        if "mean" not in arrays:
            continue
        means = arrays["mean"] + rng.normal(0, 2e-3, arrays["mean"].shape)
        packed = streams.BytesIO()
        np.savez(packed, **{**arrays, "mean": means})
        path.write_bytes(seal(key, path.stem, packed.getvalue()) + packed.getvalue())


def verdicts(result):
    return {name: (result.folder / f"{name}.csv").read_bytes() for name in TABLES}


def test_forged_entries_are_computed_again_and_it_is_said(forged, finished):
    forge(forged, bytes(LENGTH))
    result = forged.run()
    assert verdicts(result) == verdicts(finished.result)
    assert [r for r in result.provenance["remarks"] if "in runs/.cache came from another user" in r]
    assert result.provenance["computed"]


def test_entries_of_the_user_are_used_and_nothing_is_said(forged):
    result = forged.run()
    assert result.provenance["computed"] == []
    assert not [r for r in result.provenance["remarks"] if "runs/.cache" in r]


def test_the_seal_is_what_tells_forged_entries(forged, finished):
    """The same forgery under the user's own key changes the verdicts: the seal, and no other."""
    forge(forged, own_key())
    assert verdicts(forged.run()) != verdicts(finished.result)


def test_check_of_a_run_computes_a_sample_again(forged):
    forge(forged, own_key())
    result = forged.run()
    with pytest.raises(StudyError, match=r"a mean spectrum that data/.* do not give"):
        check_folder(result.folder)


def test_check_of_an_honest_run_says_what_it_computed(finished):
    assert "6 of 15 mean spectra were computed again: as they were." in check_folder(
        finished.result.folder
    )


def test_an_entry_under_another_name_is_none(tmp_path):
    cache = Cache(tmp_path)
    cache.keep("a", {"x": np.arange(3)})
    shutil.copyfile(tmp_path / "a.npz", tmp_path / "b.npz")
    assert cache.arrays("a")["x"].tolist() == [0, 1, 2]
    assert cache.arrays("b") is None
    assert cache.foreign == {"b"}


@posix
def test_the_key_is_the_users_alone(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    key = own_key()
    assert key == own_key()
    assert key_file().is_relative_to(tmp_path)
    assert stat.S_IMODE(key_file().stat().st_mode) == 0o600
    key_file().chmod(0o644)
    assert own_key() != key


def test_without_a_place_for_the_key_nothing_of_another_run_is_used(tmp_path, monkeypatch):
    Cache(tmp_path / "c").keep("a", {"x": np.arange(3)})
    blocked = tmp_path / "file"
    blocked.write_text("", encoding="utf-8")
    monkeypatch.setenv("XDG_STATE_HOME", str(blocked))
    own = Cache(tmp_path / "c")
    assert own.arrays("a") is None
    own.keep("b", {"x": np.arange(2)})
    assert own.arrays("b")["x"].tolist() == [0, 1]
    assert Cache(tmp_path / "c").arrays("b") is None


@posix
@pytest.mark.parametrize("place", ["runs", "runs/.cache"])
def test_a_link_in_the_place_of_what_runs_write_is_refused(study, tmp_path, place):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "letter.txt").write_text("dear", encoding="utf-8")
    (study.folder / place).parent.mkdir(exist_ok=True)
    (study.folder / place).symlink_to(tmp_path / "elsewhere")
    with pytest.raises(WriteError, match="is a link"):
        study.run()
    assert [path.name for path in (tmp_path / "elsewhere").iterdir()] == ["letter.txt"]
