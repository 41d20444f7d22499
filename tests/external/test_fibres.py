"""Cellulose acetate told from cotton by its bands, on real spectra with instrument faults.

Raw ATR spectra of fibres, %T, 4000 to 550 cm-1: public repository FasTEX-KCL, commit 73ffa1e, MIT
(shared/data/SOURCES.md). The bands, 1736 (C=O), 1240 and 1040 cm-1 (C-O): common handbook
positions, from memory; ATR finds the middle one nearer 1225.
"""

import zipfile

import numpy as np
import pytest

import residuekit as rk
from residuekit.decision.band_measures import band_centroid, band_ratio
from residuekit.schema import FLAGS

pytestmark = pytest.mark.source("from memory", "fastexkcl", "bands of cellulose acetate")

ESTER = {"name": "own C=O 1736", "low": 1690, "high": 1780}
ACETATE = {"name": "own C-O 1240", "low": 1180, "high": 1300}
RING = {"name": "own C-O 1040", "low": 940, "high": 1180}


@pytest.fixture(scope="module")
def fibres(local, tmp_path_factory):
    archive = local / "fibres" / "raw_csv_subset.zip"
    if not archive.is_file():
        pytest.skip("fibre spectra absent")
    folder = tmp_path_factory.mktemp("fibres")
    with zipfile.ZipFile(archive) as packed:
        packed.extractall(folder)

    def read(kind):
        return [rk.read(path) for path in sorted(folder.glob(f"{kind} - *.csv"))]

    return read


def ratios(fibres, kind):
    """The bands at 1736 and 1240 over that at 1040, (n, 2)."""
    return np.array(
        [
            band_ratio(rk.to_absorbance(one), [ESTER, ACETATE], RING)["score"].values[:, 0]
            for one in fibres(kind)
        ]
    )


def test_some_spectra_exceed_a_hundred_per_cent_and_are_read_all_the_same(fibres):
    spectra = [one for kind in ("Acetate", "Cotton", "Rayon") for one in fibres(kind)]
    above = [one for one in spectra if float(one.max()) > 1]
    assert len(above) > 5
    assert all(one.name == "transmittance" and bool(one["valid"].all()) for one in spectra)
    assert all(bool(rk.to_absorbance(one)["valid"].all()) for one in above)
    flagged = [one for one in spectra if int(one["flag"][0]) & FLAGS["over_range"][0]]
    assert [id(one) for one in flagged] == [id(one) for one in above]


def test_all_acetates_and_no_cotton_have_the_three_bands(fibres):
    """Ester bands of the order of the ring's in acetate; in cotton a few per cent at most.

    Two cottons carry an ester all the same (another fibre or a finish): by one band at 1736 or
    1240 alone each would pass for something else, by both over 1040 neither does.
    """
    acetate, cotton = ratios(fibres, "Acetate"), ratios(fibres, "Cotton")
    assert (len(acetate), len(cotton)) == (4, 14)
    assert acetate.min(axis=0) == pytest.approx([0.38, 0.57], abs=0.02)
    assert not (cotton > acetate.min(axis=0) / 2).all(axis=1).any()
    plain = np.abs(cotton).max(axis=1) < 0.05
    assert plain.sum() == 12


def test_rayon_which_is_cellulose_too_has_none_of_them(fibres):
    assert np.abs(ratios(fibres, "Rayon")).max() < 0.05


def test_the_acetates_carbonyl_lies_at_1736(fibres):
    for one in fibres("Acetate"):
        found = band_centroid(rk.to_absorbance(one), [ESTER])
        assert float(found["score"][0, 0]) == pytest.approx(1736.5, abs=2.5)
        assert float(found["standard_error"][0, 0]) < 0.1


def test_each_of_the_three_bands_stands_far_above_its_error_in_acetate(fibres):
    for one in fibres("Acetate"):
        found = rk.band_score(rk.to_absorbance(one), [ESTER, ACETATE, RING])
        assert float((found["score"] / found["standard_error"]).min()) > 100
