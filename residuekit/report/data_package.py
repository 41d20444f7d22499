"""The tables of a deposit described column by column (datapackage.json, Frictionless)."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence
from typing import Any

from ..words.columns import COLUMNS
from ..words.deposit import TABLES
from .archive import Piece

_TRUTHS = {"true", "false", "True", "False"}


def data_package(title: str, licence: str, tables: Iterable[Piece]) -> dict[str, Any]:
    """Describe the CSV tables among the pieces of a deposit."""
    return {
        "profile": "tabular-data-package",
        "name": _slug(title),
        "title": title,
        "licenses": [{"name": licence, "path": f"https://spdx.org/licenses/{licence}.html"}],
        "resources": list(map(_resource, tables)),
    }


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-") or "table"


def _resource(piece: Piece) -> dict[str, Any]:
    path, text = piece.path, piece.read().decode("utf-8-sig")
    stem = path.rpartition("/")[2].rpartition(".")[0]
    lines = (line for line in io.StringIO(text, newline="") if not line.startswith("#"))
    first = next(lines, "")
    delimiter = max(",;\t", key=first.count)
    header, *rows = csv.reader([first, *lines], delimiter=delimiter)
    decimal = "," if delimiter != "," and re.search(r"(?m)(^|[;\t])-?\d+,\d", text) else "."
    return {
        "profile": "tabular-data-resource",
        "name": _slug(path.rpartition(".")[0]),
        "path": path,
        "title": TABLES.get(stem, stem),
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": piece.size,
        "hash": f"sha256:{piece.sha256}",
        "dialect": {"delimiter": delimiter, "commentChar": "#"},
        "schema": {"fields": _fields(header, rows, decimal), "missingValues": [""]},
    }


def _fields(
    header: Sequence[str], rows: Sequence[Sequence[str]], decimal: str
) -> list[dict[str, Any]]:
    fields = []
    for place, name in enumerate(header):
        cells = [row[place] for row in rows if place < len(row)]
        field = {"name": name, "type": _type_of(cells, decimal)}
        if name in COLUMNS:
            field["description"] = COLUMNS[name]
        if field["type"] == "number" and decimal == ",":
            field["decimalChar"] = decimal
        fields.append(field)
    return fields


def _type_of(cells: Iterable[str], decimal: str) -> str:
    """The type of a column by its filled cells.

    >>> _type_of(["1.5", "", "inf"], "."), _type_of(["true", "false"], "."), _type_of(["a"], ".")
    ('number', 'boolean', 'string')
    """
    filled = [cell for cell in cells if cell]
    if filled and all(cell in _TRUTHS for cell in filled):
        return "boolean"
    try:
        for cell in filled:
            float(cell.replace(decimal, "."))
    except ValueError:
        return "string"
    return "number" if filled else "string"
