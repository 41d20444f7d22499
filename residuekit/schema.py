"""The vocabulary: dims, coordinates, units, attributes, table columns, and their checks.

One labelled array holds everything that has spectra: a map has the dims
``("y", "x", "wavenumber")``, point spectra ``("spectrum", "wavenumber")``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from .errors import ContractError, Fault
from .labels import MAP_DIMS as MAP_DIMS
from .labels import POINT_DIMS as POINT_DIMS
from .labels import POSITION_UNITS as POSITION_UNITS
from .labels import QUANTITIES as QUANTITIES
from .labels import TECHNIQUES as TECHNIQUES
from .labels import WAVENUMBER as WAVENUMBER
from .labels import WAVENUMBER_UNIT as WAVENUMBER_UNIT
from .labels import are_finite, arranged, faults_of, is_changed
from .labels import marked as marked
from .labels import source as source
from .labels import summed as summed

UNITS = ("1", "cm-1", "um", "pixel", "min", "h", "ug cm-2", "nm", "A", "A cm-1", "reference")

#: Bits of the `flag` coordinate (CF convention: flag_masks, flag_meanings) and what each says.
FLAGS = {
    "missing": (1, "at least one value of the spectrum is missing (NaN)"),
    "dead": (2, "the spectrum is constant: a dead or covered detector element"),
    "saturated": (4, "absorbance above the level the detector can follow"),
    "noisy": (8, "noise far above that of the other pixels of the map"),
    "vapour": (16, "lines of water vapour stand out"),
    "contact": (32, "poor contact with the ATR crystal"),
    "spike": (64, "a single-channel spike"),
    "fringe": (128, "interference fringes"),
    "baseline": (256, "the baseline slopes more than can be corrected safely"),
    "derivative": (512, "derivative-shaped bands: total or mixed reflection"),
    "over_range": (1024, "transmittance or reflectance above 1"),
}

_CONDITIONS = ("paint", "soiling", "ageing_h", "treatment", "exposure_min", "clearance_min")
STRATUM_COLUMNS = _CONDITIONS[:3]
#: What names an arm; and a row of ``verdicts.csv``, an arm and residue.
ARM_COLUMNS = (*_CONDITIONS, "clearance")
JUDGED_COLUMNS = (*ARM_COLUMNS, "residue")
ROLES = ("blank", "exposed", "spiked", "reference", "before")
MEASUREMENT_COLUMNS = (
    "file",
    "sheet",
    "role",
    "mockup",
    "block",
    "paint",
    "soiling",
    "treatment",
    "material",
    "exposure_min",
    "clearance_min",
    "clearance",
    "ageing_h",
    "dose",
    "dose_unit",
    "loading_ug_cm2",
    "loading_error_percent",
    "thickness_nm",
    "session",
)
NEEDED_CELLS = {
    "blank": ("file", "mockup", "paint", "treatment"),
    "exposed": ("file", "mockup", "paint", "treatment", "exposure_min", "clearance_min"),
    "spiked": ("file", "mockup", "paint", "treatment", "loading_ug_cm2"),
    "reference": ("file",),  # and treatment or material
    "before": ("file", "mockup"),
}
VERDICT_COLUMNS = (
    *_CONDITIONS,
    "n_mockups",
    "n_blank_mockups",
    "n_maps",
    "n_pixels",
    "score",
    "estimate",
    "standard_error",
    "decision_limit",
    "detection_limit",
    "mockup_decision_limit",
    "mockup_detection_limit",
    "upper_bound",
    "unit",
    "positive_mockups",
    "share_upper_bound",
    "blind_markers",
    "verdict",
    "reason",
    "residue",
    "clearance",
    "paired",
    "scale",
    "scale_margin",
    "identification_limit",
    "tolerance_bound",
    "against_acceptance",
    "bound_degrees_of_freedom",
    "codes",
)
#: What ``second-procedure.csv`` gives of each arm, twice: as it is, and as ``other_...``.
OTHER_COLUMNS = ("verdict", "estimate", "detection_limit", "unit")
SECOND_COLUMNS = (*JUDGED_COLUMNS, *OTHER_COLUMNS, *(f"other_{name}" for name in OTHER_COLUMNS))
MOCKUP_COLUMNS = (
    *_CONDITIONS,
    "mockup",
    "role",
    "score",
    "n_maps",
    "n_pixels",
    "mean",
    "upper_tail",
    "patch_share",
    "unit",
    "positive",
    "residue",
    "clearance",
    "block",
    "before",
    "unpaired",
    "change",
)
MARKER_COLUMNS = (
    "score",
    *STRATUM_COLUMNS,
    "selectivity",
    "slope",
    "slope_se",
    "slope_degrees_of_freedom",
    "mockup_limit",
    "noise_limit",
    "unit",
    "blind",
    "deciding",
    "residue",
)
COMPARISON_COLUMNS = (
    *STRATUM_COLUMNS, "residue", "left", "right", "difference", "low", "high", "unit", "p",
    "p_holm", "within_acceptance", "panels",
)  # fmt: skip
VERDICTS = ("detected", "not detected", "inconclusive", "not assessable")
NET_SIGNAL = "net signal"
BAND = "band"
LOADING_UNIT = "ug cm-2"
#: What loadings rest on: mock-ups of known loading, or films of the pure material.
SPIKED, REFERENCE_FILM = "spiked", "reference film"
LIST_SEPARATOR = "; "
#: The step that a history gets where the numbers were changed by something else.
CHANGED = "changed outside"
#: The layer of a further score map of a file: after treatment less before it.
DIFFERENCE = "difference"
#: From one column to a wide page, mm.
FIGURE_WIDTHS = (80.0, 260.0)
#: What a run draws beside PDF, SVG and PNG where it is asked for.
FIGURE_EXTRAS = ("tiff", "column", "comparisons", "recovery", "differences")


def make_map(
    values: Any,
    wavenumber: Any,
    x: Any = None,
    y: Any = None,
    *,
    quantity: str = "absorbance",
    technique: str = "unknown",
    source: Mapping[str, Any] | None = None,
) -> xr.DataArray:
    """Make a map from numbers.

    Parameters
    ----------
    values : (n_y, n_x, n_wavenumber) array, row 0 at the lowest y; stored as float32 unless lazy.
    wavenumber : (n_wavenumber,) array, cm-1, ascending or descending (it is turned round).
    x, y : pixel centres in um, ascending; left out, pixel numbers with the unit ``pixel``.
    quantity, technique : one of `QUANTITIES`, `TECHNIQUES`.
    source : what the data came from (file, sha256, reader, ...).

    Returns
    -------
    The map, float32, with the dims (y, x, wavenumber) and the coordinates `valid` and `flag`.

    Raises
    ------
    ContractError : shapes, axis or names that do not fit.

    >>> m = make_map(np.zeros((2, 3, 4)), [1012, 1008, 1004, 1000], x=[0, 5.5, 11], y=[0, 5.5])
    >>> dict(m.sizes), m.name, m["wavenumber"].values[0].item()
    ({'y': 2, 'x': 3, 'wavenumber': 4}, 'absorbance', 1000.0)
    """
    values = _float32(values)
    if values.ndim != 3:
        raise ContractError(
            Fault(f"values of shape {values.shape}", "shape (n_y, n_x, n_wavenumber)",
                  "values.reshape(n_y, n_x, -1), or make_points for single spectra")
        )  # fmt: skip
    unit = "pixel" if x is None and y is None else "um"
    coords: dict[str, Any] = {}
    for name, given, size in (("y", y, values.shape[0]), ("x", x, values.shape[1])):
        centres = np.arange(size, dtype=float) if given is None else np.asarray(given, dtype=float)
        coords[name] = (name, centres, {"units": unit})
    return _assemble(values, MAP_DIMS, wavenumber, coords, quantity, technique, source)


def make_points(
    values: Any,
    wavenumber: Any,
    spectrum: Sequence[Any] | None = None,
    *,
    quantity: str = "absorbance",
    technique: str = "unknown",
    source: Mapping[str, Any] | None = None,
) -> xr.DataArray:
    """Make point spectra from numbers.

    Parameters
    ----------
    values : (n_spectra, n_wavenumber) array, or (n_wavenumber,) for one spectrum; stored as float32
        unless lazy.
    wavenumber : (n_wavenumber,) array, cm-1, ascending or descending (it is turned round).
    spectrum : (n_spectra,) names or numbers; from 0 when left out.
    quantity, technique, source : as in `make_map`.

    Returns
    -------
    The spectra with the dims (spectrum, wavenumber) and the coordinates `valid` and `flag`.

    Raises
    ------
    ContractError : shapes, axis or names that do not fit.

    >>> make_points([0.5, 0.25], [1010, 1000], ["paint"]).values.tolist()
    [[0.25, 0.5]]
    """
    values = _float32(values)
    if values.ndim == 1:
        values = values[None, :]
    if values.ndim != 2:
        raise ContractError(
            Fault(f"values of shape {values.shape}", "shape (n_spectra, n_wavenumber)",
                  "values.reshape(-1, n_wavenumber), or make_map for a map")
        )  # fmt: skip
    names = np.arange(values.shape[0]) if spectrum is None else np.asarray(spectrum)
    coords = {"spectrum": ("spectrum", names)}
    return _assemble(values, POINT_DIMS, wavenumber, coords, quantity, technique, source)


def _float32(values: Any) -> Any:
    return values.astype(np.float32) if hasattr(values, "dask") else np.asarray(values, np.float32)


def _assemble(
    values: Any,
    dims: tuple[str, ...],
    wavenumber: Any,
    coords: dict[str, Any],
    quantity: str,
    technique: str,
    source: Mapping[str, Any] | None,
) -> xr.DataArray:
    axis = np.asarray(wavenumber, dtype=float)
    if axis.ndim == 1 and axis.size > 1 and axis[0] > axis[-1]:
        axis, values = axis[::-1], values[..., ::-1]
    coords[WAVENUMBER] = (WAVENUMBER, axis, {"units": WAVENUMBER_UNIT})
    sizes = dict(zip(dims, values.shape, strict=True))
    for name, (_, centres, *_rest) in coords.items():
        if centres.shape != (sizes[name],):
            raise ContractError(
                Fault(f"{name} of shape {centres.shape} for values of shape {values.shape}",
                      f"one {name} for each of {sizes[name]} places", f"{name} of that length")
            )  # fmt: skip
    array = xr.DataArray(values, dims=dims, coords=coords, name=quantity)
    array.attrs = {
        "units": "1",
        "technique": technique,
        "source": json.dumps(dict(source or {}), sort_keys=True, ensure_ascii=False),
        "history": "[]",
    }
    return check(marked(array))


def check(array: Any, *, quantity: str | Sequence[str] | None = None) -> xr.DataArray:
    """Return the array, complete with `valid` and `flag`, or raise with all that is wrong with it.

    What plain xarray makes of an array is taken where its meaning is clear: dims in another order,
    flips, a row or a pixel of a map, selected or joined points, a mean. A mean holds the pixels
    that are not valid as well: ``m.where(m.valid).mean(("y", "x"))`` leaves them out. Where
    `labels.is_changed` finds numbers that something else has made, the history says
    ``changed outside``, and `valid` and `flag` follow the NaN; in the difference of two maps
    xarray drops those of which `valid` differs, so that only NaN is left out there.

    Parameters
    ----------
    array : the labelled array; `valid` and `flag` are made from its NaN where they are absent.
    quantity : the quantities (`array.name`) the caller can work with; all when left out.

    Returns
    -------
    The array itself where nothing was to be done, else a new one.

    Raises
    ------
    ContractError : one fault for each broken rule.

    >>> m = make_map([[[0.1, 0.2], [0.3, 0.4]]], [1000, 1010])
    >>> check(m.mean(("y", "x"))).dims, history(check(2 * m))
    (('spectrum', 'wavenumber'), [{'step': 'changed outside'}])
    """
    if not isinstance(array, xr.DataArray):
        raise ContractError(
            Fault(f"a {type(array).__name__}", "a labelled xarray.DataArray",
                  "residuekit.make_map(values, wavenumber, x, y) or residuekit.make_points(...)")
        )  # fmt: skip
    made = arranged(array)
    faults = faults_of(made, quantity)
    if faults:
        raise ContractError(faults)
    if is_changed(made):
        return marked(_with_flags(_noted(made)))
    if "valid" in made.coords and "flag" in made.coords:
        return made
    return _with_flags(made)


def _noted(array: xr.DataArray) -> xr.DataArray:
    """The same with the change in its history, once."""
    steps = history(array)
    if not steps or steps[-1]["step"] != CHANGED:
        steps.append({"step": CHANGED})
    return array.assign_attrs(history=json.dumps(steps, ensure_ascii=False))


def _with_flags(array: xr.DataArray) -> xr.DataArray:
    return array.assign_coords(_state(array, array.variable))


def _state(array: xr.DataArray, values: xr.Variable) -> dict[str, xr.Variable]:
    """The coordinates `valid` and `flag` of an array for new values, the flag ``missing`` set anew.

    NaN makes a pixel invalid; one that was invalid for that alone is valid again without it.
    """
    missing = np.uint16(FLAGS["missing"][0])
    finite = xr.Variable(values.dims[:-1], are_finite(values.data))
    valid, flag = xr.ones_like(finite, dtype=bool), xr.zeros_like(finite, dtype=np.uint16)
    if "valid" in array.coords:
        valid = array["valid"].variable.transpose(*finite.dims)
    if "flag" in array.coords:
        flag = array["flag"].variable.transpose(*finite.dims)
    flags = (flag.data & ~missing) | ((~finite.data).astype(np.uint16) * missing)
    return {
        "valid": xr.Variable(finite.dims, finite.data & (valid.data | (flag.data == missing))),
        "flag": xr.Variable(finite.dims, flags, flag_attributes()),
    }


def flag_attributes() -> dict[str, Any]:
    """The CF attributes of the `flag` coordinate."""
    return {
        "flag_masks": np.array([bit for bit, _ in FLAGS.values()], dtype=np.uint16),
        "flag_meanings": " ".join(FLAGS),
    }


def with_step(
    array: xr.DataArray,
    values: Any,
    step: str,
    parameters: Mapping[str, Any],
    *,
    quantity: str | None = None,
    wavenumber: Any = None,
) -> xr.DataArray:
    """Return a copy with new values and the step written into the history.

    `values` keep the shape of `array` but for the last axis, which follows `wavenumber` when that
    is given. NaN in the values makes a pixel invalid; a pixel that was invalid for missing values
    alone is valid again once none is missing.
    """
    axis = array[WAVENUMBER].variable
    if wavenumber is not None:
        axis = xr.Variable(WAVENUMBER, np.asarray(wavenumber, float), {"units": WAVENUMBER_UNIT})
    kept = {
        name: coord.variable
        for name, coord in array.coords.items()
        if WAVENUMBER not in coord.dims and name not in ("valid", "flag")
    }
    values = xr.as_variable((array.dims, values))
    steps = json.dumps([*history(array), {"step": step, **parameters}], ensure_ascii=False)
    made = xr.DataArray(
        values,
        {**kept, WAVENUMBER: axis, **_state(array, values)},
        name=quantity or array.name,
        attrs={**array.attrs, "units": "1", "history": steps},
    )
    return marked(made)


def history(array: xr.DataArray) -> list[dict[str, Any]]:
    """The steps that made this array, oldest first, each with all its parameters."""
    steps: list[dict[str, Any]] = json.loads(array.attrs["history"])
    return steps


def pixel_dims(array: xr.DataArray) -> tuple[str, ...]:
    """The dims that count pixels: ``("y", "x")`` or ``("spectrum",)``."""
    return tuple(str(dim) for dim in array.dims if dim != WAVENUMBER)


def flag_words(flag: int) -> str:
    """Say a pixel's flag in words.

    >>> flag_words(4)
    'absorbance above the level the detector can follow'
    """
    return LIST_SEPARATOR.join(words for bit, words in FLAGS.values() if int(flag) & bit)


def band_name(marker: str) -> str:
    """The name of the band score of a marker.

    >>> band_name("pva C-O 1092")
    'band: pva C-O 1092'
    """
    return f"{BAND}: {marker}"


def marker_of(score: str) -> str:
    """The marker of a band score; another score's own name.

    >>> marker_of("band: pva C-O 1092"), marker_of("net signal")
    ('pva C-O 1092', 'net signal')
    """
    return score.removeprefix(f"{BAND}: ")
