"""The official conformance files of JCAMP-DX, read where they lie and never copied.

They are the data folder of the source archive of the PyPI package jcamp 1.3.2 (MIT; the files
declare themselves public domain). pip fetches that archive for these tests, which skip where it
cannot.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tarfile
import warnings

import numpy as np
import pytest

from residuekit.errors import ReadError, ResiduekitWarning
from residuekit.io import read, read_peaks
from residuekit.schema import check

pytestmark = pytest.mark.source("computed", "mcdonald1988", "one spectrum in several forms")

SHA256 = "27ce753f5bb2601d3138fc2a4787c0049deb0ab51ce052cb62806bcbd12eddb9"
FETCH = ("download", "--no-deps", "--no-binary", "jcamp", "--retries", "0", "jcamp==1.3.2")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The data folder of the archive, unpacked for these tests alone."""
    place = tmp_path_factory.mktemp("archive")
    command = [sys.executable, "-m", "pip", *FETCH, "--dest", str(place)]
    try:
        done = subprocess.run(command, capture_output=True, timeout=120, check=False)
    except subprocess.TimeoutExpired:
        pytest.skip("no package index answers in time")
    if done.returncode:
        pytest.skip("no package index, or no jcamp 1.3.2 in it")
    (archive,) = place.glob("*.tar.gz")
    assert hashlib.sha256(archive.read_bytes()).hexdigest() == SHA256
    with tarfile.open(archive) as packed:
        packed.extractall(place, filter="data")
    return place / "jcamp-1.3.2" / "data"


def _files(folder):
    return sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".jdx", ".dx", ".jcm"))


def test_each_file_gives_an_array_peaks_or_a_read_error(folder):
    """No other exception; and most infrared files of the archive give an array."""
    found = {"array": 0, "peaks": 0, "refused": 0}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResiduekitWarning)
        for path in _files(folder):
            try:
                check(read(path))
                found["array"] += 1
            except ReadError:
                try:
                    found["peaks"] += len(read_peaks(path)) > 0
                except ReadError:
                    found["refused"] += 1
    assert sum(found.values()) == len(_files(folder)) > 100
    assert found["array"] >= 50
    assert found["peaks"] >= 5


@pytest.mark.parametrize(
    ("name", "apart"), [("BRUKPAC.DX", 0), ("BRUKSQZ.DX", 0), ("BRUKDIF.DX", 2e-5)]
)
def test_one_spectrum_in_the_forms_of_the_standard_decodes_alike(folder, name, apart):
    """The DIF file was made apart: its own FIRSTY and MINY differ from those of the others."""
    from residuekit.io.jcamp_tables import decode_block
    from residuekit.io.jcamp_text import parse

    def ordinates(name):
        path = folder / "jcamp-dx.org_official_test_data" / name
        blocks = parse(path, path.read_text(encoding="latin-1"))
        (block,) = [b for b in blocks if b.tables]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResiduekitWarning)
            values = decode_block(path, block)[1]
        assert (values[0], values.max()) == (float(block.text("FIRSTY")), float(block.text("MAXY")))
        return values

    plain = ordinates("BRUKAFFN.DX")
    assert np.abs(ordinates(name) - plain).max() <= apart * plain.max()
