"""The live page: one HTML file that holds its data, its look and its scripts, without a network."""

from __future__ import annotations

import base64
import hashlib
import json
from importlib.resources import files
from typing import Any

import numpy as np

from ..figures.style import BLANK, EXPOSED, GEL, residue_colours
from ..words.common import unit_words
from .shown import Layer, Shown

_STRIP = "The map is a strip: its narrow side is drawn wider than to scale, to be clicked."
#: A narrower map is drawn with this share of its longer side.
_LEAST_SHARE = 0.2
_COLOURS = 256
#: Letters and lines on a dark page; the map keeps the colours of the figures.
_DARK = (
    "color-scheme: dark; --ink: #ececec; --soft: #b5b5b5; --rule: #8a8a8a; --paper: #111; "
    "--field: #1e1e1e; --curve: #f29b52; --blank: #8f8f8f; --gel: #a9bbff; --window: #262218; "
    "--band: #3f3720; --focus: #8ab4f8; --hatch: #bbb; --masked: #555;"
)


def page(shown: Shown) -> str:
    """Return one HTML page that holds its data and its scripts, and asks for nothing."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    pages = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    can_place = shown.is_map and shown.position_unit == "µm"
    scripts = [_file(f"viewer{part}.js") for part in ("", "_hands", *["_photo"][: int(can_place)])]
    style = _file("viewer.css")
    for name, look in {"EXPOSED": EXPOSED, "BLANK": BLANK, "GEL": GEL, "DARK": _DARK}.items():
        style = style.replace(f"{{{{ {name} }}}}", look)
    text: str = pages.from_string(_file("viewer.html")).render(
        shown=shown,
        notes=[*shown.notes, *([_STRIP] if _is_strip(shown) else [])],
        can_place=can_place,
        style=Markup(style),
        scripts=[Markup(script) for script in scripts],
        data=Markup(_data(shown)),
        policy="default-src 'none'; img-src data: blob:; base-uri 'none'; form-action 'none'; "
        f"script-src {' '.join(map(_hash, scripts))}; style-src {_hash(style)}",
    )
    return text


def _file(name: str) -> str:
    return (files("residuekit.data") / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def _data(shown: Shown) -> str:
    """All numbers and texts of the page as JSON that no text can leave."""
    n_y, n_x = shown.state.shape
    found = {
        "isMap": shown.is_map, "nx": n_x, "ny": n_y, "space": shown.space,
        "x": _list(shown.x), "y": _list(shown.y), "unit": shown.position_unit,
        "strip": _LEAST_SHARE, "names": shown.names,
        "words": shown.state_words, "states": _coded(shown.said, "<u2"),
        "valid": [not words.startswith("left out") for words in shown.state_words],
        "layers": list(map(_layer, shown.layers)),
        "axis": _coded(shown.wavenumber, "<f8"), "quantity": shown.quantity,
        "spectra": _coded(shown.spectra, "<f4"), "weight": shown.weight.tolist(),
        "lines": [{"kind": kind, "words": words, "values": _coded(values, "<f4")}
                  for kind, (words, values) in shown.references.items()],
        "windows": shown.windows,
        "photo": None if shown.photo is None else vars(shown.photo),
    }  # fmt: skip
    text = json.dumps(found, ensure_ascii=False, allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _list(values: Any) -> list[float] | None:
    return None if values is None else values.tolist()


def _coded(values: Any, kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")


def _layer(layer: Layer) -> dict[str, Any]:
    low, high = layer.scale
    return {
        "name": layer.name, "unit": unit_words(layer.unit), "low": low, "high": high,
        "limit": layer.limit if np.isfinite(layer.limit) else None, "palette": palette(layer),
        "diverging": layer.diverging,
        "words": layer.words, "window": layer.window, "values": _coded(layer.pixels, "<f4"),
    }  # fmt: skip


def palette(layer: Layer) -> list[str]:
    """The colours of the figures over the scale of a score."""
    from matplotlib.colors import to_hex

    low, high = layer.scale
    middles = low + (high - low) * (np.arange(_COLOURS) + 0.5) / _COLOURS
    colours = residue_colours(middles, layer.fade_limit, low, high, diverging=layer.diverging)
    return [to_hex(colour) for colour in colours]


def _is_strip(shown: Shown) -> bool:
    if shown.x is None or shown.y is None:
        return False
    across, up = np.ptp(shown.x), np.ptp(shown.y)
    return bool(min(across, up) / max(across, up) < _LEAST_SHARE)
