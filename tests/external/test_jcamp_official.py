"""The official conformance files of JCAMP-DX, read where they lie and never copied.

They are the data folder of the source archive of the PyPI package jcamp 1.3.2. Unpack it and set
RESIDUEKIT_JCAMP_DATA to that folder; without it these tests are skipped.
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path

import numpy as np
import pytest

from residuekit.errors import ReadError, ResiduekitWarning
from residuekit.io import read, read_peaks
from residuekit.schema import check

FOLDER = Path(os.environ.get("RESIDUEKIT_JCAMP_DATA", ""))
OFFICIAL = FOLDER / "jcamp-dx.org_official_test_data"
pytestmark = pytest.mark.skipif(
    "RESIDUEKIT_JCAMP_DATA" not in os.environ, reason="RESIDUEKIT_JCAMP_DATA is not set"
)


def _files():
    return sorted(p for p in FOLDER.rglob("*") if p.suffix.lower() in (".jdx", ".dx", ".jcm"))


def test_each_file_gives_an_array_peaks_or_a_read_error():
    """No other exception; and most infrared files of the archive give an array."""
    found = {"array": 0, "peaks": 0, "refused": 0}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResiduekitWarning)
        for path in _files():
            try:
                check(read(path))
                found["array"] += 1
            except ReadError:
                try:
                    found["peaks"] += len(read_peaks(path)) > 0
                except ReadError:
                    found["refused"] += 1
    assert sum(found.values()) == len(_files()) > 100
    assert found["array"] >= 50
    assert found["peaks"] >= 5


@pytest.mark.parametrize(
    ("name", "apart"), [("BRUKPAC.DX", 0), ("BRUKSQZ.DX", 0), ("BRUKDIF.DX", 2e-5)]
)
def test_one_spectrum_in_the_forms_of_the_standard_decodes_alike(name, apart):
    """The DIF file was made apart: its own FIRSTY and MINY differ from those of the others."""
    from residuekit.io.jcamp_block import parse
    from residuekit.io.jcamp_tables import decode

    def ordinates(name):
        path = OFFICIAL / name
        blocks = parse(path, path.read_text(encoding="latin-1"))
        (block,) = [b for b in blocks if b.tables]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResiduekitWarning)
            values = decode(path, block)[1]
        assert (values[0], values.max()) == (float(block.text("FIRSTY")), float(block.text("MAXY")))
        return values

    plain = ordinates("BRUKAFFN.DX")
    assert np.abs(ordinates(name) - plain).max() <= apart * plain.max()
