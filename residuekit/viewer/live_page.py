"""The live page: models of bokeh, the little glue between them, one HTML page without a network."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..figures.map_panel import limit_edges
from ..figures.style import BLANK, EXPOSED, GEL, INK, residue_colours
from ..words.common import unit_words
from .bins import edges
from .shown import KEPT, LEFT_OUT, Layer, Shown

#: The longer side of a map, and the least of the shorter one, in pixels of the screen.
_LONG, _SHORT = 300, 120
_STRIP = "The map is a strip: its narrow side is drawn wider than to scale, to be clicked."
_PLOT_HEIGHT = 380
#: On a narrower screen the spectrum stands below the map.
_LEAST_SPECTRUM = 340
#: Kept free above the lines for the names of the windows, as a share of their span.
_HEADROOM = 0.45
_WINDOW, _GREY = "#e9dfc4", "#b8b8b8"
_COLOURS = 256
#: Between the entries of a legend, pixels.
_LEGEND_SPACE = 24
#: Outlines of more points than this are told in numbers alone.
_MOST_OUTLINE_POINTS = 20_000

#: Whatever a text in the data says, the page may run its own scripts and fetch nothing.
_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline' 'unsafe-eval'; style-src 'unsafe-inline'; "
    "img-src data: blob:; font-src data:"
)
_TEMPLATE = """{% extends base %}
{% block preamble %}
    <meta http-equiv="Content-Security-Policy" content="{{ policy }}">
    <meta name="viewport" content="width=device-width, initial-scale=1">
{% endblock %}"""

# bokeh has no way to say these three in Python: which spectra to average, which score to colour
# by, and which pixel a number names.
_CHOOSE = """
const {weight, spectra, place, flags} = pixels.data
const chosen = pixels.selected.indices
const every = Array.from(weight.keys())
const used = (chosen.length ? chosen : every).filter((i) => weight[i] > 0)
const shown = used.length ? used : (chosen.length ? chosen : every)
const channels = curve.data.y.length
const mean = new Float64Array(channels)
let total = 0, count = 0
for (const i of shown) {
  const w = Math.max(weight[i], 1)
  for (let k = 0; k < channels; k++) mean[k] += w * spectra[i * channels + k]
  total += w
  count += weight[i]
}
curve.data = {x: curve.data.x, y: mean.map((sum) => sum / total)}
const left_out = chosen.length - used.length
if (chosen.length == 1) {
  said.text = `${place[chosen[0]]}: ${flags[chosen[0]]}`
  named.value = chosen[0]
} else if (chosen.length) {
  said.text = `mean of ${count} valid spectra in ${chosen.length} places, ${left_out} left out`
} else {
  said.text = start
}
if (list) list.value = chosen.map(String)
"""
_COLOUR = """
const number = select.options.indexOf(select.value)
const {low, high, palette, unit, words, window} = layers[number]
pixels.data.shown = pixels.data[`layer ${number}`]
pixels.change.emit()
mapper.setv({palette, low, high})
unit_label.text = unit
counts.text = words
band.visible = window != null
if (window != null) band.setv({left: window[0], right: window[1]})
outlines.forEach((line, k) => { if (line) line.visible = k == number })
"""
_NAME = "pixels.selected.indices = named.value == null ? [] : [named.value]"
_LIST = "pixels.selected.indices = list.value.map(Number)"


def page(shown: Shown) -> str:
    """Return one HTML page that holds its data and the plotting library, and asks for nothing."""
    from bokeh.embed import file_html
    from bokeh.resources import Resources
    from jinja2 import Environment

    template = Environment(autoescape=True).from_string(_TEMPLATE)
    text: str = file_html(
        layout(shown), Resources(mode="inline"), title=shown.title, template=template,
        template_variables={"policy": _POLICY},
    )  # fmt: skip
    return text


def layout(shown: Shown) -> Any:
    """Map (or list) and spectrum side by side, joined by the glue."""
    from bokeh.layouts import column, row
    from bokeh.models import ColumnDataSource, CustomJS, Div, MultiSelect, Select, Spinner, Title

    pixels = ColumnDataSource(_columns(shown), name="pixels")
    curve = ColumnDataSource({"x": shown.wavenumber, "y": shown.mean()}, name="curve")
    names = [layer.name for layer in shown.layers]
    select = Select(title="Score shown", options=names, value=names[0], name="score",
                    sizing_mode="stretch_width")  # fmt: skip
    named = Spinner(title=f"{'Pixel' if shown.is_map else 'Spectrum'} number, from 0", low=0,
                    high=len(shown.weight) - 1, step=1, value=None, name="number",
                    width=180)  # fmt: skip
    start = f"mean of all {int(shown.weight.sum())} valid spectra; " + (
        "click a pixel or drag a box"
        if shown.is_map
        else "click a dot, drag a box, or use the list"
    )
    said = _text(start, name="said", html_attributes={"role": "status", "aria-live": "polite"})
    counts = _text(shown.layers[0].words, name="counts")
    unit_label = Title(text=_unit(shown.layers[0]), align="right", text_font_style="normal")
    options = [(str(k), place) for k, place in enumerate(shown.places)]
    several = None if shown.is_map else MultiSelect(
        title="Spectra", options=options, size=min(8, max(2, len(options))), name="list",
        sizing_mode="stretch_width",
    )  # fmt: skip
    left, mapper, outlines = _scores(shown, pixels)
    left.add_layout(unit_label, "above")
    right, band = _spectrum(shown, curve)
    pixels.selected.js_on_change("indices", CustomJS(code=_CHOOSE, args={
        "pixels": pixels, "curve": curve, "said": said, "named": named, "list": several,
        "start": start,
    }))  # fmt: skip
    select.js_on_change("value", CustomJS(code=_COLOUR, args={
        "pixels": pixels, "select": select, "mapper": mapper, "unit_label": unit_label,
        "counts": counts, "band": band, "outlines": outlines,
        "layers": list(map(_layer, shown.layers)),
    }))  # fmt: skip
    named.js_on_change("value", CustomJS(code=_NAME, args={"pixels": pixels, "named": named}))
    if several is not None:
        several.js_on_change(
            "value", CustomJS(code=_LIST, args={"pixels": pixels, "list": several})
        )
    heading = Div(text=shown.title, render_as_text=True, disable_math=True,
                  styles={"font-weight": "bold", "font-size": "14px"},
                  html_attributes={"role": "heading", "aria-level": "1"})  # fmt: skip
    notes = [*shown.notes, *([_STRIP] if _is_strip(shown) else [])]
    beside = [part for part in (select, several, left, counts, named) if part is not None]
    return column(
        heading,
        row(column(*beside, width=left.width),
            column(said, right, sizing_mode="stretch_width", min_width=_LEAST_SPECTRUM),
            sizing_mode="stretch_width", spacing=8, styles={"flex-wrap": "wrap"}),
        *(_text(note) for note in notes),
        sizing_mode="stretch_width", margin=8,
    )  # fmt: skip


def _text(words: str, **look: Any) -> Any:
    from bokeh.models import Div

    return Div(text=words, render_as_text=True, disable_math=True, sizing_mode="stretch_width",
               margin=(1, 5), **look)  # fmt: skip


def _columns(shown: Shown) -> dict[str, Any]:
    columns: dict[str, Any] = {
        "spectra": shown.spectra, "weight": shown.weight.astype(np.int32),
        "place": list(shown.places), "flags": list(shown.flags),
        "shown": shown.layers[0].values.astype(np.float32),
        **{f"layer {k}": one.values.astype(np.float32) for k, one in enumerate(shown.layers)},
    }  # fmt: skip
    if shown.x is None or shown.y is None:
        return {**columns, "x": np.arange(len(shown.weight), dtype=np.int32)}
    left, bottom = np.meshgrid(shown.x[:-1], shown.y[:-1])
    right, top = np.meshgrid(shown.x[1:], shown.y[1:])
    sides = {"left": left, "right": right, "bottom": bottom, "top": top,
             "x": (left + right) / 2, "y": (bottom + top) / 2}  # fmt: skip
    return columns | {name: side.ravel().astype(np.float32) for name, side in sides.items()}


def _unit(layer: Layer) -> str:
    return unit_words(layer.unit)


def _layer(layer: Layer) -> dict[str, Any]:
    low, high = layer.scale
    window = None if layer.window is None else list(layer.window)
    return {"low": low, "high": high, "palette": _palette(layer), "unit": _unit(layer),
            "words": layer.words, "window": window}  # fmt: skip


def _scores(shown: Shown, pixels: Any) -> tuple[Any, Any, list[Any]]:
    """The map, or a dot a spectrum; its colours; an outline (or None) a score."""
    from bokeh.models import BooleanFilter, BoxSelectTool, CDSView, HoverTool, LinearColorMapper
    from bokeh.plotting import figure
    from bokeh.transform import transform

    low, high = shown.layers[0].scale
    mapper = LinearColorMapper(
        palette=_palette(shown.layers[0]), low=low, high=high, nan_color=_GREY
    )
    width, height = _frame(shown)
    plot = figure(
        frame_width=width, frame_height=height, width=width + 140, tools="tap,reset",
        toolbar_location="right", name="map",
        html_attributes={"aria-label": "Map of the chosen score. Every pixel can also be chosen by "
                         "its number below."},
        **({"x_range": tuple(shown.x[[0, -1]]), "y_range": tuple(shown.y[[0, -1]])}
           if shown.x is not None and shown.y is not None else {}),
    )  # fmt: skip
    colour = transform("shown", mapper)
    views = [CDSView(filter=BooleanFilter([bool(b) for b in shown.state == s]))
             for s in (LEFT_OUT, KEPT)]  # fmt: skip
    outlines: list[Any] = [None] * len(shown.layers)
    if shown.is_map:
        sides = {"left": "left", "right": "right", "bottom": "bottom", "top": "top"}
        cells = plot.quad(**sides, source=pixels, fill_color=colour, line_color=colour)
        hatched = plot.quad(**sides, source=pixels, view=views[0], fill_color=_GREY,
                            line_color=None, hatch_pattern="right_diagonal_line",
                            hatch_color="#666666", hatch_scale=6)  # fmt: skip
        _keep_look(hatched)
        outlines = [_outline(plot, shown, k) for k in range(len(shown.layers))]
    else:
        cells = plot.scatter("x", "shown", source=pixels, size=9, fill_color=colour, line_color=INK)
    circles = plot.scatter("x", "y" if shown.is_map else "shown", source=pixels, view=views[1],
                           marker="circle", size=7, fill_color=None, line_color=INK)  # fmt: skip
    _keep_look(circles)
    cells.nonselection_glyph = None
    chosen = cells.glyph.clone(line_color=INK, line_width=2.5)
    cells.selection_glyph = chosen
    box = BoxSelectTool(renderers=[cells], description="Average a box")
    hover = HoverTool(
        renderers=[cells], formatters={"@shown": "printf"},
        tooltips=[("place", "@place"), ("score", "@shown{%.4g}"), ("state", "@flags"),
                  ("number", "$index")],
    )  # fmt: skip
    plot.add_tools(box, hover)
    plot.toolbar.active_drag, plot.toolbar.logo = box, None
    _bar(plot, mapper)
    unit = f" ({shown.position_unit})" if shown.position_unit else ""
    plot.xaxis.axis_label = f"x{unit}" if shown.is_map else "spectrum number"
    plot.yaxis.axis_label = f"y{unit}" if shown.is_map else "score"
    plot.xaxis.ticker.desired_num_ticks = plot.yaxis.ticker.desired_num_ticks = 5
    plot.grid.visible = False
    return plot, mapper, outlines


def _keep_look(renderer: Any) -> None:
    renderer.nonselection_glyph = renderer.selection_glyph = None


def _palette(layer: Layer) -> list[str]:
    """The colours of the figures over the scale of a score."""
    from matplotlib.colors import to_hex

    low, high = layer.scale
    middles = low + (high - low) * (np.arange(_COLOURS) + 0.5) / _COLOURS
    return [to_hex(colour) for colour in residue_colours(middles, layer.fade_limit, low, high)]


def _frame(shown: Shown) -> tuple[int, int]:
    """The size of the frame: square pixels, but that a strip is widened to be clicked."""
    if shown.x is None or shown.y is None:
        return _LONG, _LONG // 2
    spans = np.ptp(shown.x), np.ptp(shown.y)
    across, up = (max(_SHORT, round(_LONG * span / max(spans))) for span in spans)
    return across, up


def _is_strip(shown: Shown) -> bool:
    if shown.x is None or shown.y is None:
        return False
    across, up = np.ptp(shown.x), np.ptp(shown.y)
    return bool(min(across, up) / max(across, up) < _SHORT / _LONG)


def _bar(plot: Any, mapper: Any) -> None:
    from bokeh.models import BasicTicker, ColorBar

    plot.add_layout(ColorBar(color_mapper=mapper, width=10, padding=4, title=None,
                             ticker=BasicTicker(desired_num_ticks=4)), "right")  # fmt: skip


def _outline(plot: Any, shown: Shown, number: int) -> Any:
    """The outline of the pixels above the limit, hidden but for the first score."""
    layer = shown.layers[number]
    points = outline(shown, layer)
    if not points.size:
        return None
    line = plot.line(points[:, 0], points[:, 1], color=INK, line_width=1.5, line_cap="square",
                     name=f"limit {number}")  # fmt: skip
    line.visible = number == 0
    return line


def outline(shown: Shown, layer: Layer) -> np.ndarray[Any, np.dtype[np.float32]]:
    """The points (n, 2) along the edges of single pixels above the limit, closed at the
    border of the map.

    NaN stands between the lines; there are none where there would be too many.
    """
    nothing = np.empty((0, 2), dtype=np.float32)
    if not np.isfinite(layer.limit) or shown.centres is None:
        return nothing
    across, up = (edges(centres, 1) for centres in shown.centres)
    ends = limit_edges(np.pad(layer.pixels > layer.limit, 1)).astype(np.intp) - 1
    lines = np.full((len(ends), 3, 2), np.nan, dtype=np.float32)
    lines[:, :2, 0], lines[:, :2, 1] = across[ends[..., 0]], up[ends[..., 1]]
    return lines.reshape(-1, 2) if lines.size <= 2 * _MOST_OUTLINE_POINTS else nothing


def _spectrum(shown: Shown, curve: Any) -> tuple[Any, Any]:
    """The chosen spectrum on a descending axis with its references and the marker windows."""
    from bokeh.models import BoxAnnotation, ColumnDataSource, Range1d
    from bokeh.plotting import figure

    axis = shown.wavenumber
    low, high = (axis[0], axis[-1]) if axis.size > 1 else (axis[0] - 1, axis[0] + 1)
    plot = figure(
        height=_PLOT_HEIGHT, sizing_mode="stretch_width", x_range=Range1d(high, low),
        tools="xbox_zoom,box_zoom,pan,reset,save", active_drag="xbox_zoom", name="spectrum",
        html_attributes={"aria-label": "Spectrum of the chosen pixels beside the blank mean and "
                         "the pure gel"},
    )  # fmt: skip
    plot.toolbar.logo = None
    for _, left, right in shown.windows:
        plot.add_layout(BoxAnnotation(left=left, right=right, fill_color=_WINDOW, fill_alpha=0.45,
                                      line_color=None, level="underlay"))  # fmt: skip
    window = shown.layers[0].window or (low, low)
    band = BoxAnnotation(left=window[0], right=window[1], fill_color=_WINDOW, fill_alpha=1.0,
                         line_color="#8a7a45", level="underlay", name="band",
                         visible=shown.layers[0].window is not None)  # fmt: skip
    plot.add_layout(band)
    _name_windows(plot, shown)
    looks = {"blank": {"color": BLANK, "line_width": 2.5},
             "gel": {"color": GEL, "line_dash": [6, 3], "line_width": 1.5}}  # fmt: skip
    lines = []
    for kind, (words, values) in shown.references.items():
        source = ColumnDataSource({"x": axis, "y": values}, name=kind)
        lines.append(plot.line("x", "y", source=source, legend_label=words, **looks[kind]))
    lines.append(plot.line("x", "y", source=curve, color=EXPOSED, line_width=1.5,
                           legend_label="chosen"))  # fmt: skip
    if shown.windows:
        lines.append(_headroom(plot, shown))
    plot.y_range.renderers = lines
    plot.xaxis.axis_label, plot.yaxis.axis_label = "wavenumber (cm⁻¹)", shown.quantity
    plot.add_layout(plot.legend[0], "above")
    plot.legend.orientation, plot.legend.click_policy = "horizontal", "hide"
    plot.legend.border_line_color, plot.legend.spacing = None, _LEGEND_SPACE
    return plot, band


def _headroom(plot: Any, shown: Shown) -> Any:
    """An unseen point above all lines, so that the names of the windows stand clear of them."""
    lines = np.concatenate([shown.mean(), *(values for _, values in shown.references.values())])
    drawn = lines[np.isfinite(lines)]
    top = drawn.max() + _HEADROOM * np.ptp(drawn) if drawn.size else 0.0
    return plot.scatter([shown.wavenumber[0]], [top], alpha=0)


def _name_windows(plot: Any, shown: Shown) -> None:
    from bokeh.models import Range1d

    plot.extra_y_ranges = {"share": Range1d(0, 1)}
    plot.text(
        [(left + right) / 2 for _, left, right in shown.windows], [0.99] * len(shown.windows),
        [name for name, _, _ in shown.windows], y_range_name="share", angle=np.pi / 2,
        text_align="right", text_baseline="middle", text_font_size="11px", text_color=INK,
        background_fill_color="white", background_fill_alpha=0.75,
    )  # fmt: skip
