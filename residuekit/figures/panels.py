"""The public panels: one call draws one thing on the Axes it is given, named, with its units."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..calibration.limit import Limit
from ..errors import ContractError, Fault, did_you_mean
from ..markers import Marker, resolve
from ..spectra.arrays import mean_spectrum, same_axis, valid_spectra
from ..words.caption import deciding_limit
from ..words.common import number, unit_words
from .map_panel import HATCHED, difference_scale, draw_colour_bar, draw_pixels, shared_scale
from .mockup_panel import LIMITS, LOOK, draw_mockups
from .series import draw_series, role_of
from .spectra_panel import draw_spectra, gel_factor, shade_windows
from .stratum import Group
from .style import BLANK, DASHES, EXPOSED, GEL, INK, MASKED, MM_PER_INCH, WORKING, figure_style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]
Spectra = xr.DataArray | Sequence[xr.DataArray]

#: Told apart by people who are colour-blind; the first is the comparator's grey.
COLOURS = (BLANK, EXPOSED, WORKING, "#7a5195", "#e69f00", "#56b4e9")
_LIMIT_WORDS = {
    "decision_limit": "decision limit, mean",
    "detection_limit": "detection limit, mean",
    "mockup_decision_limit": "decision limit, one mock-up",
    "mockup_detection_limit": "detection limit, one mock-up",
}
#: Letters of a name of which two stand side by side in a legend.
_SHORT = 32
_SERIES = {"exposure_min": "exposure (min)", "ageing_h": "ageing (h)"}


def plot_map(
    scores: xr.Dataset | xr.DataArray,
    *,
    limit: float | Limit | None = None,
    marker: str | None = None,
    scale: tuple[float, float] | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw a map of scores: y upward, square pixels, a colour bar beside it.

    What is not above the limit of one pixel is faded and outlined, pixels that are not valid are
    grey and hatched. A difference map of a run has colours around zero.

    Parameters
    ----------
    scores : from `band_score` and its kin, or one map of numbers with the dims (y, x).
    limit : of one pixel, in the unit of the score, or a `PixelLimit`, whose decision limit is
        taken; left out, the `pixel_limit` of the scores of a run where there is one.
    marker : the score to draw; needed where there are several.
    scale : lowest and highest value of the colours, in the unit of the score; left out, from the
        lowest pixel or zero to the highest. Give one scale to maps that are to be compared.
    ax : where to draw; left out, the Axes of a new figure (``ax.figure``).

    Returns
    -------
    The Axes, with its positions in um (or pixels).

    Raises
    ------
    ContractError : no map, several scores and no `marker`, a limit of another level or unit.

    >>> import residuekit as rk
    >>> m, _ = rk.simulate_map(shape=(4, 5), residue_ug_cm2=2, seed=1)
    >>> ax = rk.plot_map(rk.band_score(m, ["pva C-O 1092"]), limit=0.5)
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('x (µm)', 'y (µm)')
    """
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    one, unit, own_limit = _one_map(scores, marker)
    line = own_limit if limit is None else _pixel_limit(limit, unit)
    values = one.transpose("y", "x").values.astype(np.float64)
    if "valid" in one.coords:
        values = np.where(one["valid"].transpose("y", "x").values, values, np.nan)
    diverging = scores.attrs.get("layer") == schema.DIFFERENCE
    if scale is None and diverging:
        scale = difference_scale([values], [line])
    elif scale is None:
        scale = shared_scale([values], [line], math.inf)
    ax = _axes(ax)
    look: dict[str, Any] = {"limit": line, "scale": scale, "diverging": diverging}
    draw_pixels(ax, values, one["x"].values, one["y"].values, **look)
    words = unit_words(unit)
    bar, size = ax.inset_axes((1.32, 0, 0.07, 1)), ax.xaxis.label.get_fontsize()
    draw_colour_bar(bar, words=words, **look)
    bar.tick_params(labelsize=size)
    for said in bar.texts:
        said.set_fontsize(size)
    for dim, label in (("x", ax.set_xlabel), ("y", ax.set_ylabel)):
        label(f"{dim} ({unit_words(one[dim].attrs.get('units', 'pixel'))})")
    handles: list[Any] = []
    if math.isfinite(line):
        text = f"limit of one pixel, {number(line)} {words}".rstrip()
        handles.append(Line2D([], [], color=INK, linewidth=1, label=text))
    if not np.isfinite(values).all():
        grey = {**HATCHED, "fill": True, "facecolor": MASKED, "edgecolor": HATCHED["color"]}
        del grey["color"]
        handles.append(Patch(**grey, label="not valid"))
    _legend(ax, handles)
    return ax


def plot_spectra(
    spectra: Spectra | Mapping[str, Spectra],
    *,
    reference: xr.DataArray | None = None,
    markers: Iterable[Marker | str | dict[str, Any]] = (),
    ax: Axes | None = None,
) -> Axes:
    """Draw mean spectra with a band of one standard deviation, high wavenumbers on the left.

    Parameters
    ----------
    spectra : a labelled array, or a sequence with one array a mock-up; or a mapping of names to
        such, the comparator first. Of an array the valid spectra are averaged; the spread is that
        of the spectra of one array, or of the mock-ups of a sequence.
    reference : the pure gel, drawn dashed and scaled to half the height of the first group.
    markers : bands whose windows are shaded, each with its position.
    ax : where to draw; left out, the Axes of a new figure (``ax.figure``).

    Returns
    -------
    The Axes: wavenumbers in cm-1, the quantity of the arrays.

    Raises
    ------
    ContractError : no spectra or no valid one, more than six groups, axes or quantities that
        differ. MarkerError : unknown markers.

    >>> import residuekit as rk
    >>> m, _ = rk.simulate_map(shape=(2, 2), seed=1)
    >>> ax = rk.plot_spectra({"blank": m, "exposed": [m, 1.1 * m]}, markers=["pva C-O 1092"])
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('wavenumber (cm⁻¹)', 'absorbance')
    """
    from matplotlib.lines import Line2D

    groups = spectra if isinstance(spectra, Mapping) else {"": spectra}
    if not 1 <= len(groups) <= len(COLOURS):
        raise ContractError(
            Fault(f"{len(groups)} groups of spectra", f"1 to {len(COLOURS)}, told apart by colour",
                  "a panel for each few of them")
        )  # fmt: skip
    axis, quantity, curves = _curves(groups)
    gel = None
    if reference is not None:
        reference = schema.check(reference)
        same_axis(axis, reference[schema.WAVENUMBER].values)
        gel = mean_spectrum(reference)
    first, *others = curves
    chosen = resolve(markers)
    ax = _axes(ax)
    draw_spectra(ax, axis, first, list(zip(others, COLOURS[1:], strict=False)), gel)
    width = ax.get_window_extent().width / ax.figure.dpi * MM_PER_INCH
    shade_windows(ax, [vars(one) for one in chosen], width,
                  [one.name.split()[-1] for one in chosen])  # fmt: skip
    ax.set(xlabel=f"wavenumber ({unit_words('cm-1')})", ylabel=quantity.replace("_", " "))
    handles = [
        Line2D([], [], color=colour, linewidth=width, label=f"{name} (n = {len(rows)})".lstrip())
        for name, rows, colour, width in zip(
            groups, curves, COLOURS, (1.8, *[0.8] * len(others)), strict=False
        )
    ]
    if gel is not None:
        factor = number(gel_factor(first, gel))
        handles.append(
            Line2D([], [], color=GEL, linestyle=DASHES[GEL], label=f"reference × {factor}")
        )
    _legend(ax, handles)
    return ax


def plot_mockups(
    scores: Mapping[str, npt.ArrayLike],
    *,
    verdicts: Mapping[str, Mapping[str, Any]] | None = None,
    working: str | None = None,
    acceptance_limit: float | None = None,
    label: str = "score",
    unit: str = "",
    ax: Axes | None = None,
) -> Axes:
    """Draw a dot for every mock-up, a line a group, each with its mean and the limits of its arm.

    Parameters
    ----------
    scores : name of a group -> (n,) scores, one a mock-up, in `unit`, NaN where one was not
        measured. The first group stands at the top.
    verdicts : name of an arm -> its row of ``verdicts.csv``, or any mapping with some of
        ``decision_limit``, ``detection_limit``, ``mockup_decision_limit``,
        ``mockup_detection_limit``, ``estimate`` and ``upper_bound``, in `unit`. Groups without one
        are drawn hollow, as controls.
    working : name of the arm of the working exposure, which has a colour of its own.
    acceptance_limit : in `unit`, drawn over all lines.
    label, unit : what the scores are, and their unit (``"ug cm-2"``, ``"A cm-1"``).
    ax : where to draw; left out, the Axes of a new figure (``ax.figure``).

    Returns
    -------
    The Axes.

    Raises
    ------
    ContractError : no group, or a verdict of a group that has no scores.

    >>> import residuekit as rk
    >>> ax = rk.plot_mockups(
    ...     {"water": [0.1, -0.1, 0.0], "gel, 2 min": [0.2, 0.4, 0.1]},
    ...     verdicts={"gel, 2 min": {"decision_limit": 0.3}},
    ...     label="net signal",
    ...     unit="ug cm-2",
    ... )
    >>> [text.get_text() for text in ax.get_yticklabels()], ax.get_xlabel()
    (['water\\nn = 3', 'gel, 2 min\\nn = 3'], 'net signal (µg cm⁻²)')
    """
    rows = verdicts or {}
    unknown = [name for name in rows if name not in scores]
    if unknown or not scores:
        found = f"a verdict of {unknown[0]!r}" if unknown else "no group of mock-ups"
        fix = did_you_mean(unknown[0], scores) if unknown else "scores={'water': [...]}"
        raise ContractError(Fault(found, "the scores of its mock-ups", fix))
    bare = dict.fromkeys((*LIMITS, "estimate", "upper_bound"), math.nan)
    groups = [
        Group(name, "exposed" if name in rows else "blank", (), _known(values),
              {**bare, **rows[name]} if name in rows else None, name == working)
        for name, values in scores.items()
    ]  # fmt: skip
    ax = _axes(ax)
    draw_mockups(ax, groups, acceptance_limit, limits=tuple(LIMITS))
    ax.set_yticks(range(len(groups)), [f"{one.words}\nn = {one.values.size}" for one in groups])
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel(f"{label} ({unit_words(unit)})" if unit else label)
    limits = [one.verdict for one in groups if one.verdict is not None]
    drawn = [name for name in LIMITS if any(np.isfinite(row[name]) for row in limits)]
    roles = {"working" if one.working else one.role for one in groups}
    _legend(ax, _mockup_key(roles, "|", drawn, acceptance_limit, unit))
    return ax


def plot_series(
    verdicts: pd.DataFrame,
    mockups: pd.DataFrame,
    *,
    over: str = "exposure_min",
    acceptance_limit: float | None = None,
    working_exposure_min: float | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw one series over exposure or ageing: a column a rung, a dot a mock-up, limits, verdicts.

    Parameters
    ----------
    verdicts : rows of ``verdicts.csv`` (`StudyResult.verdicts`) that differ in `over` alone.
    mockups : ``mockups.csv`` (`StudyResult.mockups`), of which the rows of these arms and of the
        blanks they stand against are drawn.
    over : ``exposure_min`` or ``ageing_h``.
    acceptance_limit : in the unit of the verdicts.
    working_exposure_min : the arms of this exposure have a colour of their own.
    ax : where to draw; left out, the Axes of a new figure (``ax.figure``).

    Returns
    -------
    The Axes.

    Raises
    ------
    ContractError : `over` is neither, no rows, or rows of more than one series.

    >>> import pandas as pd, residuekit as rk
    >>> rk.plot_series(pd.DataFrame(), pd.DataFrame(), over="dose")
    Traceback (most recent call last):
    ...
    residuekit.errors.ContractError: found over='dose'; needed exposure_min or ageing_h; ...
    """
    if over not in _SERIES:
        raise ContractError(
            Fault(f"over={over!r}", " or ".join(_SERIES), did_you_mean(over, _SERIES))
        )
    same = [name for name in schema.ARM_COLUMNS if name != over and name in verdicts]
    series = len(verdicts.groupby(same, dropna=False)) if len(verdicts) else 0
    if series != 1:
        raise ContractError(
            Fault(f"{series} series", f"the rows of one, which differ in {over} alone",
                  "verdicts[verdicts['paint'] == ...]")
        )  # fmt: skip
    rungs = verdicts.sort_values(over).to_dict("records")
    ax = _axes(ax)
    draw_series(ax, rungs, mockups.to_dict("records"), over, acceptance_limit, working_exposure_min)
    ax.set_xlabel(_SERIES[over])
    names = map(deciding_limit, rungs)
    drawn = {name for name, row in zip(names, rungs, strict=True) if np.isfinite(row[name])}
    roles = {"blank", *(role_of(rung, working_exposure_min) for rung in rungs)}
    unit = rungs[0]["unit"]
    _legend(ax, _mockup_key(roles, "_", sorted(drawn), acceptance_limit, unit))
    return ax


def _known(values: npt.ArrayLike) -> Floats:
    numbers = np.atleast_1d(np.asarray(values, dtype=float))
    known: Floats = numbers[np.isfinite(numbers)]
    return known


def _axes(ax: Axes | None) -> Axes:
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    with figure_style():
        return Figure(figsize=(4.5, 3.2), layout="constrained").add_subplot()


def _legend(ax: Axes, handles: Sequence[Any]) -> None:
    """A legend above the panel, where it hides nothing; long names stand one below the other."""
    if handles:
        columns = 2 if max(len(one.get_label()) for one in handles) <= _SHORT else 1
        ax.legend(handles=handles, loc="lower left", bbox_to_anchor=(0, 1.01), frameon=False,
                  fontsize=ax.xaxis.label.get_fontsize(), ncols=min(len(handles), columns),
                  borderaxespad=0)  # fmt: skip


def _mockup_key(
    roles: Collection[str],
    mean: str,
    drawn: Iterable[str],
    acceptance_limit: float | None,
    unit: str,
) -> list[Any]:
    from matplotlib.lines import Line2D

    named = {"blank": "control", "working": "working exposure", "exposed": "exposed mock-up"}
    handles = [
        Line2D([], [], linestyle="", marker=LOOK[role]["marker"], markersize=4, label=words,
               markerfacecolor=LOOK[role]["facecolors"], markeredgecolor=LOOK[role]["edgecolors"])
        for role, words in named.items() if role in roles
    ]  # fmt: skip
    handles.append(Line2D([], [], linestyle="", marker=mean, markersize=9, color=INK, label="mean"))
    handles += [Line2D([], [], linewidth=1, label=_LIMIT_WORDS[name], **LIMITS[name])
                for name in drawn]  # fmt: skip
    if acceptance_limit is not None:
        text = f"acceptance limit, {number(acceptance_limit)} {unit_words(unit)}".rstrip()
        handles.append(Line2D([], [], color=INK, linewidth=1, label=text))
    return handles


def _curves(groups: Mapping[str, Spectra]) -> tuple[Floats, str, list[Floats]]:
    """The common axis, the quantity, and the spectra (n, n_wavenumber) of each group."""
    parts = {
        name: [schema.check(one) for one in ([given] if isinstance(given, xr.DataArray) else given)]
        for name, given in groups.items()
    }
    empty = [name for name, arrays in parts.items() if not arrays]
    if empty:
        raise ContractError(
            Fault(f"no spectra of {empty[0]!r}", "one array or more", "leave it out")
        )
    every = [one for arrays in parts.values() for one in arrays]
    axis = every[0][schema.WAVENUMBER].values
    quantities = sorted({str(one.name) for one in every})
    if len(quantities) > 1:
        raise ContractError(
            Fault(f"spectra of {' and '.join(quantities)}", "one quantity",
                  "residuekit.to_absorbance(array) first")
        )  # fmt: skip
    for one in every:
        same_axis(axis, one[schema.WAVENUMBER].values)
        mean_spectrum(one)  # says so where no spectrum is valid
    curves = [
        np.stack([mean_spectrum(one) for one in arrays])
        if len(arrays) > 1
        else valid_spectra(arrays[0]).astype(np.float64)
        for arrays in parts.values()
    ]
    return axis, quantities[0], curves


def _one_map(
    scores: xr.Dataset | xr.DataArray, marker: str | None
) -> tuple[xr.DataArray, str, float]:
    """One map (y, x), its unit, and the pixel limit that it carries (else minus infinity)."""
    one = scores["score"] if isinstance(scores, xr.Dataset) else scores
    if "marker" in one.dims:
        names = [str(name) for name in one["marker"].values]
        name = names[0] if marker is None and len(names) == 1 else marker
        if name not in names:
            found = "several scores" if name is None else f"the score {name!r}"
            fix = f"marker={names[0]!r}" if name is None else did_you_mean(name, names)
            raise ContractError(Fault(found, f"one of {', '.join(names)}", fix))
        one = one.isel(marker=names.index(name))
    if set(one.dims) != {"y", "x"}:
        raise ContractError(
            Fault(f"numbers with the dims {one.dims}", "a map of numbers, dims ('y', 'x')",
                  "residuekit.band_score(m, [...]) of a map, or its ['score'].sel(marker=...)")
        )  # fmt: skip
    unit = str(one["unit"].item()) if "unit" in one.coords else str(one.attrs.get("units", ""))
    limit = float(one["pixel_limit"]) if "pixel_limit" in one.coords else -math.inf
    return one, unit, limit


def _pixel_limit(limit: float | Limit, unit: str) -> float:
    if not isinstance(limit, Limit):
        return float(limit)
    if limit.level != "pixel" or (unit and limit.unit != unit):
        raise ContractError(
            Fault(f"a {limit.level} limit in {limit.unit!r}",
                  f"a pixel limit in {unit!r}: limits of other levels are other numbers",
                  "residuekit.calibration.from_blanks(..., level='pixel') of this score")
        )  # fmt: skip
    return limit.decision_limit
