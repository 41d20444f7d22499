"""One table of readers: the first bytes and the suffix choose; `describe` says what a file is."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit.errors import ReadError
from residuekit.io import READERS, describe, read, text_table, write
from residuekit.schema import source


def test_no_suffix_belongs_to_two_readers():
    suffixes = [suffix for reader in READERS for suffix in reader.suffixes]
    assert len(suffixes) == len(set(suffixes))


def test_content_goes_before_the_suffix(tmp_path, small_map):
    write(small_map, tmp_path / "m.nc")
    (tmp_path / "m.nc").rename(tmp_path / "m.csv")
    assert source(read(tmp_path / "m.csv"))["reader"] == "NetCDF"


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("absent.csv", None, "no such file"),
        ("t.spectrum", b"1,2", "one of .nc"),
        ("t", b"1,2", "one of .nc"),
        ("t.nc", b"text", "NetCDF signature"),
        ("t.nc", b"", "NetCDF signature"),
        ("t.jdx", b"", "empty file"),
        ("t.jdx", b"text", "outside a block"),
        ("t.jdx", b"$$ only a comment", "no block"),
        ("t.csv", b"\x89PNG\r\n\x1a\n\0\0\0", "NUL"),
        ("nul\0.csv", None, "cannot be opened"),
    ],
)
def test_a_file_that_is_none_is_refused(saved, tmp_path, name, content, message):
    path = tmp_path / name
    if content is not None:
        saved(name, content)
    with pytest.raises(ReadError, match=message):
        read(path)


@pytest.mark.parametrize("name", ["folder", "folder.csv"])
def test_a_folder_is_refused(tmp_path, name):
    (tmp_path / name).mkdir()
    with pytest.raises(ReadError, match="a folder"):
        read(tmp_path / name)


@pytest.mark.parametrize("rows", [3, 200_000])
def test_a_file_that_changes_while_it_is_read_is_refused(saved, monkeypatch, rows):
    text = "cm-1,A\n" + "".join(f"{900 + i / 100:.2f},0.{i % 9}\n" for i in range(rows))
    path = saved("t.csv", text)
    plain = text_table.from_table

    def meanwhile(table, options):
        path.write_text("cm-1,A\n1000,0.1\n1002,0.2\n")
        return plain(table, options)

    monkeypatch.setattr(text_table, "from_table", meanwhile)
    with pytest.raises(ReadError, match="changed while it was read"):
        read(path)


def test_a_description_says_what_was_recognised_and_noticed(saved):
    text = "x (um);y (um);4000;3990;3980\n0;0;50;60;70\n10;0;50;60;70\n10;5;50;60;\n"
    found = describe(saved("m.csv", text), quantity="transmittance")
    assert (found.format, found.layout, found.quantity) == ("table", "wide map", "transmittance")
    assert (found.n_spectra, found.n_missing, found.n_wavenumbers) == (4, 2, 3)
    assert (found.first, found.last) == (3980, 4000)
    assert found.spacing == "10 cm-1 apart"
    assert found.grid == "2 rows (y) x 2 columns (x); y 5 um apart, x 10 um apart"
    assert found.pixel_order == "by the y column, upward"
    assert "taken as percent" in found.warnings[0]
    words = str(found)
    for part in ("wide map", "3980 to 4000 cm-1, 3 points", "delimiter        ;", "warning"):
        assert part in words


def _table(values):
    return "".join(f"{4000 - 10 * k},{value:.4g}\n" for k, value in enumerate(values))


@pytest.mark.parametrize(
    ("values", "scale"),
    [
        (np.linspace(0.80, 0.98, 40), "as a fraction"),
        (1 - 0.9 * np.exp(-(((np.arange(60) - 30) / 4) ** 2)), "as a fraction"),
        (np.r_[np.full(35, 1.0), np.full(25, 60.0)], "in percent"),
    ],
)
def test_numbers_that_look_like_transmittance_are_doubted_with_what_to_type(saved, values, scale):
    path = saved("p.csv", _table(values))
    (said,) = describe(path).warnings
    assert f"look like transmittance or reflectance {scale}" in said
    typed = said.split("beside the file: ")[1].replace(", ", "\n")
    path.with_name("p.csv.toml").write_text(typed, encoding="utf-8")
    assert describe(path).warnings == ()
    assert describe(path).quantity == "transmittance"


@pytest.mark.parametrize(
    "values",
    [
        0.9 * np.exp(-(((np.arange(60) - 30) / 4) ** 2)),
        0.3 + 0.1 * np.sin(np.arange(60)),
        np.linspace(0, 2.9, 60),
        np.random.default_rng(0).normal(0, 1, 60),
    ],
)
def test_absorbance_is_not_doubted(saved, values):
    assert describe(saved("p.csv", _table(values))).warnings == ()


def test_a_description_says_what_was_assumed(saved):
    found = describe(saved("p.csv", "4000,0.5\n3990,0.2\n3900,0.1\n"))
    assert found.quantity == "absorbance (assumed absorbance)"
    assert found.spacing == "unevenly 10 to 90 cm-1 apart"
    assert found.grid == found.pixel_order == ""
    assert "wavenumber       assumed cm-1" in str(found)
