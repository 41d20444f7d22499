"""A reader of another package, found by its entry point in a tiny installed one."""

from __future__ import annotations

import sys

import pytest

from residuekit.errors import ReadError
from residuekit.io import read
from residuekit.schema import source

MODULE = """
from residuekit.io import Reader
from residuekit.schema import make_points

def read(path, *, scale: float = 1.0):
    numbers = [float(line) * scale for line in path.read_text().split()]
    return make_points(numbers, range(1000, 1000 + len(numbers)),
                       source={"file": path.name, "reader": "lines"})

READER = Reader("lines", (".lines",), read, lambda head: False)
"""


@pytest.fixture
def installed(tmp_path, monkeypatch):
    def install(module, value="lines_reader:READER"):
        site = tmp_path / "site"
        info = site / "lines_reader-1.0.dist-info"
        info.mkdir(parents=True)
        (site / "lines_reader.py").write_text(module)
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: lines-reader\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(f"[residuekit.readers]\nlines = {value}\n")
        monkeypatch.syspath_prepend(site)
        monkeypatch.delitem(sys.modules, "lines_reader", raising=False)

    return install


def test_an_installed_reader_is_found_by_its_suffix(installed, saved):
    installed(MODULE)
    array = read(saved("a.lines", "0.1\n0.2\n"), scale=2)
    assert array.values.tolist() == [[pytest.approx(0.2), pytest.approx(0.4)]]
    assert source(array)["reader"] == "lines"
    with pytest.raises(ReadError, match="did you mean 'scale'"):
        read(saved("a.lines", "0.1\n"), scael=2)


@pytest.mark.parametrize(
    ("module", "value", "message"),
    [
        ("import absent_library", "lines_reader:READER", "cannot be loaded"),
        ("READER = 3", "lines_reader:READER", "a residuekit.io.Reader"),
    ],
)
def test_a_reader_that_cannot_serve_is_named(installed, saved, module, value, message):
    installed(module, value)
    with pytest.raises(ReadError, match=message):
        read(saved("a.lines", "0.1\n"))


def test_an_array_that_breaks_the_contract_is_refused(installed, saved):
    installed(MODULE.replace("return make_points", "return (lambda a, *_, **k: a)"))
    with pytest.raises(ReadError, match="a list"):
        read(saved("a.lines", "0.1\n"))
