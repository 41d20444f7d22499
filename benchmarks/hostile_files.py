"""Files that mean harm, by format: pipes, sizes that no file can hold, storage elsewhere."""

from __future__ import annotations

import json
import os
import socket
import struct
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from residuekit import io
from residuekit.schema import make_map

Made = tuple[str, Path, dict[str, Any]]
MAP = {"quantity": "absorbance", "first_row": "bottom", "dims": ("y", "x", "wavenumber")}
#: What is large for what it is, and read: left out of the quick form.
LONG = {"100,000 cells", "69,000 texts", "20,000 columns", "4,000 blocks", "pairs",
        "8 million cells", "more strings", "a part of 256 MB", "a name in each row", "one quote",
        "empty rows", "20,000 blocks", "headers alone", "blank lines", "comments",
        "repeats in 100 blocks", "200 pages of 4 million pixels"}  # fmt: skip
_BLOCK = (
    "##TITLE= s\n##JCAMP-DX= 4.24\n##DATA TYPE= INFRARED SPECTRUM\n##XUNITS= 1/CM\n"
    "##YUNITS= ABSORBANCE\n##FIRSTX= 1000\n##LASTX= {last}\n##NPOINTS= {n}\n##XYDATA= (X++(Y..Y))\n"
    "{table}\n##END=\n"
)
_SHEET = (
    "xl/worksheets/sheet1.xml",
    '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>',
    "</sheetData></worksheet>",
)
_STRINGS = (
    "xl/sharedStrings.xml",
    '<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">',
    "</sst>",
)


def no_files(folder: Path) -> Iterator[Made]:
    """Pipes, sockets, devices and links to them, under every suffix."""
    for suffix in (s for reader in io.READERS for s in reader.suffixes[:1]):
        pipe = folder / f"pipe{suffix}"
        os.mkfifo(pipe)
        yield pipe.name, pipe, {}
        zero = folder / f"zero{suffix}"
        zero.symlink_to("/dev/zero")
        yield zero.name, zero, {}
    with socket.socket(socket.AF_UNIX) as one:
        here = Path.cwd()
        os.chdir(folder)  # the path of a socket may be 100 characters long
        one.bind("s.csv")
        os.chdir(here)
        yield "socket", folder / "s.csv", {}
    loop = folder / "loop.csv"
    loop.symlink_to("loop.csv")
    yield "a link to itself", loop, {}
    beside = folder / "a.csv"
    beside.write_text("wavenumber,a\n1000,1\n1001,2\n", encoding="utf-8")
    os.mkfifo(folder / "a.csv.toml")
    yield "options in a pipe", beside, {"quantity": "absorbance"}
    bare = folder / "a.npy"
    np.save(bare, np.zeros((1, 2, 3)))
    os.mkfifo(folder / "w.txt")
    yield "wavenumbers in a pipe", bare, {**MAP, "wavenumber": "w.txt"}
    pixels = folder / "pixels"
    pixels.mkdir()
    (pixels / "map.toml").symlink_to("/dev/zero")
    yield "map.toml, a link to a device", pixels, {"shape": (1, 1)}
    (pixels / "map.toml").unlink()
    os.mkfifo(pixels / "1.csv")
    yield "a pixel that is a pipe", pixels, {"shape": (1, 1), "order": "rows",
                                             "start": "top left"}  # fmt: skip


def hdf5(folder: Path) -> Iterator[Made]:
    """Storage elsewhere, padding, nesting, sizes that no file can hold."""
    secret = folder / "secret.bin"
    secret.write_bytes(np.linspace(0, 1, 24).tobytes())

    def spectra(file: h5py.File, values: Any = None, **how: Any) -> None:
        file["wavenumber"] = np.arange(1000.0, 1006.0)
        file["wavenumber"].attrs["units"] = "cm-1"
        file["wavenumber"].make_scale()
        one = file.create_dataset("absorbance", (4, 6), "f8", **how)
        if values is not None:
            one[...] = values
        one.dims[1].attach_scale(file["wavenumber"])

    for suffix in (".nc", ".h5"):
        for padding in (0, 10_001) if suffix == ".nc" else (0,):
            path = folder / f"external{padding}{suffix}"
            with h5py.File(path, "w") as file:
                for number in range(padding):
                    file.create_group(f"a{number}")
                spectra(file, external=[(str(secret), 0, h5py.h5f.UNLIMITED)])
            yield path.name, path, {}
            path = folder / f"linked{padding}{suffix}"
            with h5py.File(folder / "other.h5", "w") as file:
                spectra(file, 0.5)
            with h5py.File(path, "w") as file:
                for number in range(padding):
                    file.create_group(f"a{number}")
                for name in ("absorbance", "wavenumber"):
                    file[name] = h5py.ExternalLink("other.h5", name)
            yield path.name, path, {}
        path = folder / f"nested{suffix}"
        with h5py.File(path, "w") as file:
            spectra(file, 0.5)
            group: Any = file
            for _ in range(1000):
                group = group.create_group("g")
        yield path.name, path, {}
        path = folder / f"round{suffix}"
        with h5py.File(path, "w") as file:
            spectra(file, 0.5)
            file["g/again"] = file["/"]
        yield path.name, path, {}
    path = folder / "huge.nc"
    with h5py.File(path, "w") as file:
        file.create_dataset("absorbance", (40_000, 40_000), "f8", chunks=(64, 64))
        file["absorbance"].dims[1].label = "wavenumber"
    yield "12 GB declared", path, {"dims": {"wavenumber": "phony_dim_1"}}
    path = folder / "bytes.h5"
    with h5py.File(path, "w") as file:
        file["p"] = np.random.default_rng(0).integers(0, 256, 4_000_000, np.uint8)
        values = file.create_dataset("v", (500_000, 400), "u1", chunks=(5000, 400),
                                     compression="gzip")  # fmt: skip
        values.attrs["long_name"] = "absorbance"
        file["w"] = np.arange(1000.0, 1400.0)
    yield "200 million bytes for 4 MB", path, {
        "dataset": "v", "dims": ("spectrum", "wavenumber"), "wavenumber": "w",
        "quantity": "absorbance"}  # fmt: skip


def zarr(folder: Path) -> Iterator[Made]:
    """Chunks and descriptions that are pipes, links out of the store, sizes."""

    def store(name: str) -> Path:
        io.write(make_map(np.ones((2, 2, 4)), np.arange(1000.0, 1004.0)), folder / name)
        return folder / name

    for name, part in (("chunk", "absorbance/0.0.0"), ("description", "absorbance/.zarray"),
                       ("attributes", "absorbance/.zattrs")):  # fmt: skip
        path = store(f"{name}.zarr")
        (path / part).unlink()
        os.mkfifo(path / part)
        yield f"{name}, a pipe", path, {}
        (path / part).unlink()
        (path / part).symlink_to("/dev/zero")
        yield f"{name}, a device", path, {}
    for name in ("chunks", "shape"):
        path = store(f"{name}.zarr")
        said = json.loads((path / "absorbance/.zarray").read_text(encoding="utf-8"))
        said[name] = [100_000, 10_000, 4]
        (path / "absorbance/.zarray").write_text(json.dumps(said), encoding="utf-8")
        yield f"huge {name}", path, {}


def classic(folder: Path) -> Iterator[Made]:
    """NetCDF 3 whose header counts more than there is."""
    from scipy.io import netcdf_file

    path = folder / "a.nc"
    with netcdf_file(path, "w") as file:
        file.createDimension("wavenumber", 6)
        file.createDimension("spectrum", 4)
        axis = file.createVariable("wavenumber", "d", ("wavenumber",))
        axis[:] = np.arange(1000.0, 1006.0)
        axis.units = b"cm-1"
        file.createVariable("absorbance", "d", ("spectrum", "wavenumber"))[:] = 0.5
    data = path.read_bytes()
    for old, new in ((6, 2**31 - 1), (4, 2**28), (4, 2**24)):
        at = data.index(struct.pack(">i", old), 12)
        path = folder / f"n{new}-{old}.nc"
        path.write_bytes(data[:at] + struct.pack(">i", new) + data[at + 4 :])
        yield path.name, path, {}


def workbooks(folder: Path) -> Iterator[Made]:
    """Millions of cells, strings, rows and columns in a few kB."""
    import openpyxl

    plain = folder / "plain.xlsx"
    book = openpyxl.Workbook()
    book.active.append(["wavenumber", "a"])
    book.save(plain)

    def packed(name: str, part: tuple[str, str, str], body: str) -> Path:
        path = folder / f"{name}.xlsx"
        with (
            zipfile.ZipFile(plain) as old,
            zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new,
        ):
            for member in old.infolist():
                if member.filename != part[0]:
                    new.writestr(member.filename, old.read(member))
            new.writestr(part[0], part[1] + body + part[2])
        return path

    row = "<row>" + "<c><v>1</v></c>" * 1000 + "</row>"
    yield "8 million cells", packed("cells", _SHEET, row * 8000), {}
    numbered = [f"<row><c><v>{1000 + n}</v></c>" for n in range(99)]
    for name, cell, count in (
        ("100,000 cells", "<c><v>1</v></c>", 99),
        ("69,000 texts", '<c t="inlineStr"><is><t>a</t></is></c>', 69),
    ):
        body = "".join(one + cell * 999 + "</row>" for one in numbered[:count])
        yield name, packed("most", _SHEET, body), {"quantity": "absorbance"}
    far = "".join(f'<row r="{n}"><c r="XFD{n}"><v>1</v></c></row>' for n in range(1, 20_000))
    yield "cells in the last column", packed("far", _SHEET, far), {}
    last = '<row r="1"><c><v>1</v></c></row><row r="1048576"><c><v>1</v></c></row>'
    yield "a cell in the last row", packed("last", _SHEET, last), {}
    yield "empty rows", packed("rows", _SHEET, "<row/>" * 1_400_000), {}
    yield "strings", packed("strings", _STRINGS, "<si/>" * 245_000), {}
    yield "more strings", packed("more", _STRINGS, "<si><t>a</t></si>" * 3_000_000), {}
    yield "a part of 256 MB", packed("huge", _STRINGS, " " * 2**28), {}


def texts(folder: Path) -> Iterator[Made]:
    """Wide, long and misleading tables of just under 5 MB."""
    wide = "wavenumber," + ",".join(["a"] * 1_000_000) + "\n1000," + ",".join(["1"] * 1_000_000)
    n = 20_000
    most = f"wavenumber,{','.join(['a'] * (n - 1))}\n" + "\n".join(
        f"{1000 + k}," + ",".join(["0.5"] * (n - 1)) for k in range(50)
    )
    rows = "\n".join(f"{1000 + k},0.5" for k in range(420_000))
    cells = {
        "a million columns": wide,
        "20,000 columns": most,
        "text in the last row": f"wavenumber,a\n{rows}\n1,x",
        "quoted cells": "wavenumber,a\n" + '"1000","0.5"\n' * 380_000,
        "a name in each row": "name,1000,1001\n" + "a,0.5,0.5\n" * 450_000,
        "headers alone": "a,b\n" * 1_200_000,
        "comments": "# a\n" * 1_200_000 + "1000,1\n1001,2\n",
        "one line": "1," * 2_400_000,
        "one quote": 'wavenumber,"' + "a,b\n" * 1_200_000,
        "pixels on a diagonal": "x,y,wavenumber,absorbance\n"
        + "\n".join(f"{k},{k},1000,0.5" for k in range(200_000)),
        "blank lines": "wavenumber,a\n" + "\n" * 4_800_000 + "1000,1\n",
    }
    for name, text in cells.items():
        path = folder / f"{name}.csv"
        path.write_text(text, encoding="utf-8")
        yield name, path, {"quantity": "absorbance"}
        path.unlink()


def jcamp(folder: Path) -> Iterator[Made]:
    """Blocks, pages, labels and repeats without end."""
    one = _BLOCK.format(last=1001, n=2, table="1000 1 2")
    link = "##TITLE= l\n##BLOCKS= {n}\n##DATA TYPE= LINK\n{blocks}##END=\n"
    packed = _BLOCK.format(last=5000, n=4_000_000, table="1000A" + "S" * 5 + "Z999999\n" * 4)
    long = _BLOCK.format(last=5000, n=3_999_000, table="1000@" + "s99999" * 4)
    pages = (
        "##TITLE= p\n##NTUPLES= x\n##SYMBOL= X,Y" + ",Z" * 500_000 + "\n"
        + "##PAGE= N=1\n##DATA TABLE= (X++(Y..Y)), XYDATA\n1000 1 2\n" * 60_000
        + "##END NTUPLES= x\n##END=\n"
    )  # fmt: skip
    cells = {
        "20,000 blocks": link.format(n=20_000, blocks=one * 20_000),
        "4,000 blocks": link.format(n=4000, blocks=one * 4000),
        "60,000 pages of 500,000 symbols": pages,
        "repeats": packed,
        "repeats in 100 blocks": link.format(n=100, blocks=long * 100),
        "a million labels": "##TITLE= a\n" + "##A=\n" * 950_000,
        "titles": "##TITLE= a\n" * 400_000,
        "peaks": "##TITLE= a\n##PEAK TABLE= (XY..XY)\n" + "1,2\n" * 1_200_000 + "##END=\n",
        "pairs": _BLOCK.replace("X++(Y..Y)", "XY..XY").format(
            last=1_600_999, n=600_000, table="\n".join(f"{k} 1" for k in range(1000, 601_000))
        ),
    }
    for name, text in cells.items():
        path = folder / f"{name}.jdx"
        path.write_text(text, encoding="utf-8")
        yield name, path, {}
        path.unlink()


def arrays(folder: Path) -> Iterator[Made]:
    """NumPy and flat files whose heads or options say more than they hold."""
    path = folder / "many.npz"
    with zipfile.ZipFile(path, "w") as archive:
        for number in range(40_000):
            archive.writestr(f"{number}.npy", b"")
    yield "40,000 arrays", path, MAP
    path = folder / "packed.npz"
    np.savez_compressed(path, a=np.zeros((256, 1024, 1024), np.uint8))
    yield "256 MB of zeros", path, MAP
    path = folder / "head.npy"
    np.save(path, np.zeros(4))
    path.write_bytes(path.read_bytes().replace(b"(4,), }  ", b"(4000000000,), }"[:9]))
    yield "a head that lies", path, MAP
    path = folder / "a.raw"
    path.write_bytes(bytes(100))
    yield "a shape of 8 TB", path, {**MAP, "shape": (10**4, 10**4, 10**4), "dtype": "float64",
                                    "byte_order": "little", "interleave": "bsq"}  # fmt: skip


def pictures(folder: Path) -> Iterator[Made]:
    """TIFF pages that unpack to far more than the file holds."""
    from PIL import Image

    path = folder / "large.tif"
    Image.new("L", (12_000, 12_000)).save(path, compression="tiff_adobe_deflate")
    yield "a page of 144 million pixels", path, {"quantity": "absorbance", "first_row": "top",
                                                 "wavenumber": [1000.0]}  # fmt: skip
    path = folder / "pages.tif"
    page = Image.new("L", (2000, 2000))
    page.save(path, save_all=True, append_images=[page] * 199, compression="tiff_adobe_deflate")
    yield "200 pages of 4 million pixels", path, {
        "quantity": "absorbance", "first_row": "top",
        "wavenumber": np.arange(1000.0, 1200.0).tolist()}  # fmt: skip


def made(folder: Path) -> Iterator[Made]:
    """Name, path and options of every hostile file, one at a time."""
    for maker in (no_files, hdf5, zarr, classic, workbooks, texts, jcamp, arrays, pictures):
        place = folder / maker.__name__
        place.mkdir()
        for name, path, given in maker(place):
            yield f"{maker.__name__}: {name}", path, given
