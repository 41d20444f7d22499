"""JCAMP-DX 4.24, written: one block a spectrum, the abscissae of a map in labels of our own."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import Fault, WriteError, did_you_mean
from ..schema import MAP_DIMS, WAVENUMBER
from .jcamp import STATE
from .jcamp_digits import DIF, DUP, SQZ
from .labelled import float32
from .own_files import state_of

_FORMS = ("affn", "difdup")
_WIDTH = 78
#: DIFDUP ordinates are whole numbers up to this: the rounding is half of max |y| / 2**24.
_LARGEST = 2**24
_QUANTITIES = {"kubelka_munk": "KUBELKA-MUNK", "absorption_index": "ABSORPTION INDEX"}


def write(array: xr.DataArray, path: Path, *, form: str = "affn") -> None:
    """Write a labelled array as JCAMP-DX: a LINK of blocks, or one block for one spectrum.

    `form` ``affn`` keeps the float32 ordinates exactly; ``difdup`` is four times shorter, and
    rounds each spectrum to a 2**24th of its largest ordinate. An uneven axis is written in pairs
    (XYPOINTS), which only ``affn`` can; on an even one the wavenumbers come back within a
    millionth of their step.

    Raises
    ------
    WriteError : another form, an uneven axis in DIFDUP, what the format cannot keep.
    """
    if form not in _FORMS:
        raise WriteError(
            Fault(f"form={form!r}", "affn or difdup", did_you_mean(str(form), _FORMS), str(path))
        )
    axis = array[WAVENUMBER].values
    even = axis.size > 1 and np.allclose(
        axis, np.linspace(axis[0], axis[-1], axis.size), rtol=0,
        atol=1e-6 * (axis[-1] - axis[0]) / max(axis.size - 1, 1),
    )  # fmt: skip
    if form == "difdup" and not even:
        raise WriteError(
            Fault("wavenumbers of uneven steps", "even steps for DIFDUP", "form='affn'", str(path))
        )
    state = _plain(state_of(array, path))
    blocks = list(_blocks(array))
    with Path(path).open("w", encoding="ascii", newline="\r\n") as file:
        if len(blocks) > 1:
            head = {"TITLE": "spectra", "JCAMP-DX": "4.24", "DATA TYPE": "LINK",
                    "BLOCKS": len(blocks), STATE: state}  # fmt: skip
            file.writelines(_label(*item) for item in head.items())
        for labels, values in blocks:
            if len(blocks) == 1:
                labels[STATE] = state
            _write_block(file, labels, axis, values, _quantity(array), form if even else "pairs")
        if len(blocks) > 1:
            file.write("##END=\n")


def _plain(state: dict[str, Any]) -> str:
    """JSON without a character that JCAMP-DX reads, or that is lost at the end of a line."""
    text = json.dumps(state, separators=(",", ":"))
    for character in "$# ":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return "\n".join(text[at : at + _WIDTH] for at in range(0, len(text), _WIDTH))


def _quantity(array: xr.DataArray) -> str:
    return _QUANTITIES.get(str(array.name), str(array.name).upper())


def _label(name: str, value: Any) -> str:
    return f"##{name}= {value}\n"


def _blocks(array: xr.DataArray) -> Iterator[tuple[dict[str, Any], Any]]:
    """The labels and ordinates (n,) of each spectrum."""
    values = np.asarray(float32(array.values))
    if array.dims != MAP_DIMS:
        names = array["spectrum"].values if "spectrum" in array.coords else range(len(values))
        for name, row in zip(names, values, strict=True):
            yield {"TITLE": _title(str(name))}, row
        return
    unit = array["x"].attrs["units"]
    for y, line in zip(array["y"].values, values, strict=True):
        for x, row in zip(array["x"].values, line, strict=True):
            yield (
                {
                    "TITLE": f"x {x:g}, y {y:g} {unit}",
                    "$X POSITION": f"{float(x)!r} {unit}",
                    "$Y POSITION": f"{float(y)!r} {unit}",
                },
                row,
            )


def _title(name: str) -> str:
    plain = name.encode("ascii", "replace").decode().replace("$$", "$")
    return " ".join("".join(c if c.isprintable() else " " for c in plain).split())


def _write_block(
    file: Any, labels: dict[str, Any], axis: Any, values: Any, quantity: str, form: str
) -> None:
    finite = values[np.isfinite(values)]
    largest = float(np.abs(finite).max()) if finite.size else 0.0
    factor = largest / _LARGEST if form == "difdup" and largest else 1.0
    head: dict[str, Any] = {
        "JCAMP-DX": "4.24", "DATA TYPE": "INFRARED SPECTRUM", "ORIGIN": "residuekit",
        "OWNER": "not stated", "XUNITS": "1/CM", "YUNITS": quantity, "XFACTOR": 1,
        "YFACTOR": repr(factor), "FIRSTX": repr(float(axis[0])), "LASTX": repr(float(axis[-1])),
        "NPOINTS": axis.size,
    }  # fmt: skip
    if finite.size:
        head |= {"MAXY": repr(float(finite.max())), "MINY": repr(float(finite.min()))}
    if np.isfinite(values[0]):
        head["FIRSTY"] = repr(float(values[0]))
    file.writelines(_label(*item) for item in {"TITLE": labels.pop("TITLE"), **labels}.items())
    file.writelines(_label(*item) for item in head.items())
    file.write(f"##{'XYPOINTS= (XY..XY)' if form == 'pairs' else 'XYDATA= (X++(Y..Y))'}\n")
    lines = {"pairs": _pairs, "affn": _affn, "difdup": _difdup}[form](axis, values, factor)
    file.writelines(f"{line}\n" for line in lines)
    file.write("##END=\n")


def _texts(values: Any) -> list[str]:
    """The shortest digits that give the same float32 back; `?` is a missing ordinate."""
    return ["?" if text == "nan" else text for text in values.astype(str)]


def _pairs(axis: Any, values: Any, _factor: float) -> Iterator[str]:
    for x, y in zip(axis, _texts(values), strict=True):
        yield f"{float(x)!r}, {y}"


def _abscissae(axis: Any) -> list[str]:
    """The axis to a thousandth of its step."""
    step = (axis[-1] - axis[0]) / (axis.size - 1)
    return [f"{x:.{max(0, 3 - int(np.floor(np.log10(step))))}f}" for x in axis]


def _affn(axis: Any, values: Any, _factor: float) -> Iterator[str]:
    places, texts = _abscissae(axis), _texts(values)
    line = places[0]
    for place, text in zip(places, texts, strict=True):
        if len(line) + 1 + len(text) > _WIDTH:
            yield line
            line = place
        line += f" {text}"
    yield line


_DIGITS = {form: {value: character for character, value in table.items()}
           for form, table in (("SQZ", SQZ), ("DIF", DIF), ("DUP", DUP))}  # fmt: skip


def _packed(form: str, number: int) -> str:
    """A number with its first digit squeezed.

    >>> _packed("SQZ", -23), _packed("DIF", 0), _packed("DUP", 12)
    ('b3', '%', 'S2')
    """
    digits = str(abs(number))
    first = int(digits[0])
    return _DIGITS[form][-first if number < 0 else first] + digits[1:]


def _difdup(axis: Any, values: Any, factor: float) -> Iterator[str]:
    """Lines in DIFDUP; each that follows a difference opens with the ordinate before, as check."""
    places = _abscissae(axis)
    whole = [None if np.isnan(v) else round(float(v) / factor) for v in values]
    at, checks = 0, False
    while at < len(whole) or checks:
        start = at - checks
        line, at, checks = _difdup_line(places[start], whole, start)
        yield line


def _difdup_line(place: str, whole: list[int | None], at: int) -> tuple[str, int, bool]:
    """One line from ordinate `at`: its text, the next ordinate, whether a check must follow."""
    line = place
    last: int | None = None
    step: int | None = None
    times = 0
    while at < len(whole) and len(line) < _WIDTH - 12:
        value = whole[at]
        difference = None if value is None or last is None else value - last
        if difference is not None and difference == step:
            times += 1
        else:
            line += _packed("DUP", times) if times > 1 else ""
            times = 1
            if value is None:
                line += "?"
            else:
                line += _packed("SQZ", value) if difference is None else _packed("DIF", difference)
        last, step = value, difference
        at += 1
    line += _packed("DUP", times) if times > 1 else ""
    return line, at, step is not None
