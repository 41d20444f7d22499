"""JCAMP-DX 4.24 and 5.01: single spectra, compound files, NTUPLES, tables of peaks.

R. S. McDonald, P. A. Wilks, Appl. Spectrosc. 42 (1988) 151-162 (4.24); P. Lampen, H. Hillig, A. N.
Davies, M. Linscheid, Appl. Spectrosc. 48 (1994) 1545-1552 (NTUPLES); P. Lampen and others, Pure
Appl. Chem. 71 (1999) 1549-1556 (5.01; from memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from .jcamp_tables import decode_block, form
from .jcamp_text import Block, pages, parse
from .labelled import same_axis, spectra
from .opening import content, decoded, fits_in, json_of, refuse
from .options import BlockOptions, takes
from .own_files import as_kept, as_stated
from .pixel_grid import upright
from .unit_words import (
    as_fraction,
    axis_unit_of,
    position_of,
    quantity_of,
    scaled,
    tell,
    to_wavenumber,
)

NAME = "JCAMP-DX"
#: The label of our own that holds what no other label can.
STATE = "$RESIDUEKIT"
_PEAKS = ("PEAKTABLE", "PEAKASSIGNMENTS")
#: Blocks of any file; a larger file may hold one for so many bytes.
_MOST_BLOCKS, _BLOCK_BYTES = 4096, 1024


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of a JCAMP-DX file: a label `##...=`."""
    return re.match(rb"(\xef\xbb\xbf)?\s*(\$\$[^\n]*\s+)*##[^=\n]{1,60}=", head) is not None


@dataclass(frozen=True)
class _Spectrum:
    """One decoded block on its axis in cm-1, as the file gives it."""

    block: Block
    axis: Any
    values: Any
    quantity: str
    notes: dict[str, str]


@takes(BlockOptions)
def read(path: Path, options: BlockOptions) -> xr.DataArray:
    """Read spectra from JCAMP-DX: one block, a compound file (LINK), or the pages of NTUPLES.

    Its blocks hold XYDATA ``(X++(Y..Y))`` or XYPOINTS ``(XY..XY)``; those that carry ``##$X
    POSITION=`` and ``##$Y POSITION=`` make a map. `BlockOptions` says what may be stated.

    Raises
    ------
    ReadError : no spectrum (a table of peaks: `read_peaks`), blocks that differ in their axes or
        quantities, numbers that contradict the labels.

    Warns
    -----
    ResiduekitWarning : a label that contradicts the numbers where these leave no doubt.
    """
    blocks, encoding = blocks_of(path)
    state = _state(path, blocks[0])
    if state:
        options = as_kept(path, state, options)
    found = _spectra(path, blocks, options)
    first = found[0]
    _agree(path, found)
    values = np.stack([spectrum.values for spectrum in found])
    if not state and not np.isfinite(values).any():
        raise refuse(path, "no ordinate that is a number", "ordinates", "export it again")
    title = blocks[0].text("TITLE") if options.block is None else first.block.text("TITLE")
    notes: dict[str, Any] = {**first.notes, "title": title, "encoding": encoding}
    notes |= {"blocks": f"{len(found)} of {len(blocks)} blocks"} if len(blocks) > 1 else {}
    notes |= {"origin": state["source"]} if state else {}
    names = None if len(found) == 1 else [spectrum.block.text("TITLE") for spectrum in found]
    x = y = None
    places, unit = _places(path, [spectrum.block for spectrum in found])
    if places is not None:
        values, x, y, gaps = upright(path, *places, values)
        notes |= {"y order": "by the y position of each block, upward", **gaps}
    array = spectra(path, NAME, values, first.axis, notes, quantity=first.quantity, names=names,
                    technique=options.technique, x=x, y=y, unit=unit)  # fmt: skip
    return as_stated(path, array, state) if state else array


def blocks_of(path: Path) -> tuple[list[Block], str]:
    """Return the blocks of a file, undecoded, and the encoding of its text."""
    text, encoding = decoded(path, content(path))
    return parse(path, text), encoding


def _state(path: Path, block: Block) -> dict[str, Any]:
    word = block.text(STATE)
    state = json_of(word) if word else {}
    if not isinstance(state, dict):
        raise refuse(path, f"##{STATE}= {word[:40]}", "JSON as it was written", "write it again",
                     block.line_of(STATE))  # fmt: skip
    return state


def _spectra(path: Path, blocks: list[Block], options: BlockOptions) -> list[_Spectrum]:
    """The spectra of a file, decoded: all of them, or the wanted one."""
    with_peaks: list[Block] = []
    linked: list[Block] = []
    single: list[Block] = []
    for one in blocks:
        if one.tables and one.tables[0].label in _PEAKS:
            with_peaks.append(one)
        else:
            (linked if "BLOCKS" in one.labels and not one.tables else single).append(one)
    _check_links(path, linked, len(single) + len(with_peaks))
    if with_peaks and not single:
        raise refuse(path, "a table of peaks, no spectrum", "XYDATA or XYPOINTS",
                     "residuekit.io.read_peaks(path), or export the whole spectrum",
                     with_peaks[0].tables[0].line)  # fmt: skip
    wanted = options.block
    if with_peaks and wanted is None:
        tell(path, f"{len(with_peaks)} tables of peaks beside the spectra: not read",
             with_peaks[0].tables[0].line)  # fmt: skip
    n_tables = sum(max(1, len(b.tables)) for b in blocks)
    most = max(_MOST_BLOCKS, path.stat().st_size // _BLOCK_BYTES)
    if n_tables > most:
        raise refuse(path, f"{n_tables} blocks and pages", f"at most {most} in a file of this size",
                     "NetCDF, or several files")  # fmt: skip
    found = [page for b in single for page in pages(path, b)]
    if wanted is not None:
        if not (isinstance(wanted, int) and 1 <= wanted <= len(found)):
            raise refuse(path, f"block={wanted!r}", f"a number from 1 to {len(found)}", "block=1")
        found = [found[wanted - 1]]
    if not found:
        raise refuse(path, "a LINK block without others", "blocks with spectra", "export it again")
    read: list[_Spectrum] = []
    points = 0
    for one in found:
        read.append(_spectrum(path, one, options))
        points += read[-1].values.size
        fits_in(path, points)
    return read


def _check_links(path: Path, linked: list[Block], found: int) -> None:
    for link in linked:
        declared = link.number(path, "BLOCKS")
        line = link.line_of("BLOCKS")
        if not link.ended:
            raise link.cut_off(path, line, " of the LINK block")
        if len(linked) == 1 and declared not in (found, found + 1):
            tell(path, f"BLOCKS {declared:g}, but {found} blocks", line)


def _spectrum(path: Path, block: Block, options: BlockOptions) -> _Spectrum:
    if "INTERFEROGRAM" in block.text("DATATYPE").upper():
        raise refuse(path, f"DATA TYPE {block.text('DATATYPE')!r}", "a spectrum",
                     "export the spectrum that the instrument computed of it",
                     block.line_of("DATATYPE"))  # fmt: skip
    axis, values, forms = decode_block(path, block)
    word = block.needed(path, "XUNITS")
    unit = axis_unit_of(word)
    if unit is None:
        raise refuse(path, f"XUNITS {word!r}", "1/CM, MICROMETERS or NANOMETERS",
                     "export the spectrum in wavenumbers", block.line_of("XUNITS"))  # fmt: skip
    axis = to_wavenumber(path, axis, unit)
    y_word = block.text("YUNITS")
    known = quantity_of(y_word, short=True)
    if options.quantity is None and known is None:
        raise refuse(path, f"YUNITS {y_word!r}", "ABSORBANCE, TRANSMITTANCE, %T, REFLECTANCE or "
                     "KUBELKA-MUNK", "quantity='absorbance' (or another)",
                     block.line_of("YUNITS"))  # fmt: skip
    percent = known[1] if options.percent is None and known is not None else options.percent
    name = options.quantity or (known[0] if known else "")
    values, counted = scaled(path, values, {}, [y_word])
    values, scale = as_fraction(path, values, name, percent)
    table = block.tables[0]
    notes = {
        "layout": f"{table.label} ({form(table)})",
        "form": forms,
        "units": f"{unit}, {y_word}",
        "data type": block.text("DATATYPE"),
    }
    return _Spectrum(block, axis, values, name, {**notes, **counted, **scale})


def _agree(path: Path, found: list[_Spectrum]) -> None:
    """Refuse blocks that do not share one axis and one quantity."""
    first = found[0]
    for number, other in enumerate(found[1:], start=2):
        either = f"block=1 or block={number}"
        if other.quantity != first.quantity:
            raise refuse(path, f"block 1 in {first.quantity}, block {number} in {other.quantity}",
                         "one quantity", either, other.block.line)  # fmt: skip
        if not same_axis(first.axis, other.axis):
            spans = " and ".join(f"{s.axis[0]:g} to {s.axis[-1]:g} ({s.axis.size} points)"
                                 for s in (first, other))  # fmt: skip
            raise refuse(path, f"blocks 1 and {number} on different axes: {spans}", "one axis",
                         either, other.block.line)  # fmt: skip


def _places(path: Path, blocks: list[Block]) -> tuple[tuple[Any, Any] | None, str]:
    """The x and y of each block (n_blocks,) in their unit; None where no block has any."""
    found: list[dict[str, float]] = []
    units: set[str] = set()
    for block in blocks:
        place = {}
        for label, (value, line) in block.labels.items():
            bare = label.removeprefix("$").replace("POSITION", "").lower()
            if label.startswith("$") and bare in ("x", "y"):
                place[bare], unit = _place(path, label, bare, value, line)
                units.add(unit)
        found.append(place)
    if not any(found):
        return None, ""
    partly = [b for b, place in zip(blocks, found, strict=True) if set(place) != {"x", "y"}]
    if partly or len(units) > 1:
        raise refuse(path, "blocks without positions among others that have them" if partly else
                     f"positions in {' and '.join(sorted(units))}", "x and y in one unit for each "
                     "block", "mend the labels, or choose one: block=1",
                     partly[0].line if partly else None)  # fmt: skip
    return (np.array([p["x"] for p in found]), np.array([p["y"] for p in found])), units.pop()


def _place(path: Path, label: str, name: str, value: str, line: int) -> tuple[float, str]:
    number, _, unit_word = value.partition(" ")
    known = position_of(f"{name} {unit_word}")
    try:
        place = float(number)
    except ValueError:
        place = np.nan
    if not np.isfinite(place) or known is None or known[1] is None:
        raise refuse(path, f"##{label}= {value[:40]}", "a number and its unit, um, mm or pixel",
                     f"##{label}= 12.5 um", line)  # fmt: skip
    return place * known[2], known[1]
