"""What a step of a procedure may be given: the tables of steps, methods and rules, and their check.

To add a step: a function in this package under `@step`; a parameter of a new name gets its rule in
`RULES`.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
import xarray as xr

from ..errors import Fault, ProcedureError, did_you_mean
from ..kernels import baselines
from ..kernels import normalise as normalisations
from ..validator import Field, Fields, Place, check, choice, flag, listed, number, text, whole

EXAMPLE = 'steps = [{step = "crop", low = 800, high = 3800}]'
Step = TypeVar("Step", bound=Callable[..., xr.DataArray])

#: The steps a procedure may name.
STEPS: dict[str, Callable[..., xr.DataArray]] = {}


def step(function: Step) -> Step:
    """Enter a function in the table of steps."""
    STEPS[function.__name__] = function
    return function


#: The methods of the steps that have some; their keyword-only parameters are the user's.
METHODS: dict[str, dict[str, Callable[..., Any]]] = {
    "correct_baseline": {
        "arpls": baselines.arpls,
        "asymmetric least squares": baselines.asymmetric_least_squares,
        "rubber band": baselines.rubber_band,
        "polynomial": baselines.polynomial,
        "iterated polynomial": baselines.iterated_polynomial,
        "snip": baselines.snip,
        "two-point": baselines.two_point,
    },
    "normalise": {
        "vector": normalisations.vector,
        "snv": normalisations.snv,
        "area": normalisations.area,
        "internal standard": normalisations.internal_standard,
    },
}


_WAVENUMBER = number("a wavenumber", "cm-1", least=0, example="1000")
_INTERVAL = Field(
    "[low, high] in cm-1, low below high", "[1690, 1700]",
    lambda v: isinstance(v, list) and len(v) == 2 and all(map(_WAVENUMBER.fits, v)) and v[0] < v[1],
)  # fmt: skip
_FILE = text("the path of a file", '"data/vapour.csv"')
_SHA256 = Field("64 hexadecimal digits", f'"{"0" * 64}"',
                lambda v: isinstance(v, str) and bool(re.fullmatch("[0-9a-f]{64}", v)))  # fmt: skip

#: One rule for each parameter name, whichever step or method it belongs to.
RULES: Fields = {
    "low": _WAVENUMBER,
    "high": _WAVENUMBER,
    "left": _INTERVAL,
    "right": _INTERVAL,
    "stray_level": number("a transmittance", least=0, below=1, example="0.001"),
    "smoothness": number(above=0, example="1e6"),
    "asymmetry": number(above=0, below=1, example="0.01"),
    "tolerance": number(above=0, example="1e-3"),
    "max_iterations": whole(least=1, example="50"),
    "order": whole(most=20, example="2"),
    "half_window": whole(least=1, example="40"),
    "window": whole("an odd whole number", least=3, odd=True, example="9"),
    "derivative": whole(most=2, example="0"),
    "measure": choice(("area", "height"), example='"area"'),
    "fit_low": _WAVENUMBER,
    "fit_high": _WAVENUMBER,
    "reference": number("a wavenumber", "cm-1", above=0, example="1000"),
    "side": whole(least=1, example="3"),
    "spacing": number("a spacing", "cm-1", above=0, example="4"),
    "threshold": number(above=0, example="8.0"),
    "file": _FILE,
    "thickness": flag(),
    "blanks": listed(_FILE, "a list of paths of files", '["data/blank-1.nc"]', least=1),
    "kept": listed(_FILE, "a list of paths of files, or []", '["data/gel.nc"]'),
    "digests": listed(_SHA256, "a list of sha256 of the files, or []"),
    "sha256": replace(_SHA256, words="64 hexadecimal digits, or nothing", example='""',
                      fits=lambda v: v == "" or _SHA256.fits(v)),
}  # fmt: skip


def parameter_faults(step: Any, given: Mapping[str, Any] | None) -> list[Fault]:
    """Return all that is wrong with a step and its parameters, without any data.

    >>> for fault in parameter_faults("smooth", {"windw": 9, "order": -1}):
    ...     print(fault)
    found smooth with 'windw'; needed parameters among window, order, derivative;
    to mend it: did you mean 'window'?
    found smooth with order = -1; needed a whole number from 0 to 20; to mend it: order = 2
    """
    if not isinstance(step, str) or given is None:
        return [Fault(f"{step!r} as a step", "a table with the key step", EXAMPLE)]
    if step not in STEPS:
        needed = f"one of {', '.join(STEPS)}"
        return [Fault(f"a step {step!r}", needed, did_you_mean(str(step), STEPS))]
    methods = {"method": choice(METHODS[step])} if step in METHODS else {}
    chosen = {name: given[name] for name in methods if name in given}
    _, faults = check(chosen, methods, Place(wrong=f"{step} with {{pair}}"))
    if faults:
        return faults
    known = _known_parameters(step, given)
    named = f"{step} by {given['method']}" if "method" in given else step
    place = Place(wrong=f"{named} with {{pair}}", absent=f"{named} without {{name}}",
                  unknown=f"{named} with {{name!r}}", known="parameters among {names}")  # fmt: skip
    fields = {name: methods.get(name) or RULES[name] for name in known}
    required = [name for name, default in known.items() if default is _ABSENT]
    stated = {
        name: _plain(value)
        for name, value in given.items()
        if value is not None or known.get(name, _ABSENT) is not None
    }
    _, faults = check(stated, fields, place, required)
    return faults or _relation_faults(step, known | stated)


_ABSENT = inspect.Parameter.empty


def _known_parameters(step: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Return each parameter that the step, with its method, takes, and its default."""
    taken = list(inspect.signature(STEPS[step]).parameters.values())[1:]
    taken = [p for p in taken if p.kind is not p.VAR_KEYWORD]
    if step in METHODS:
        kernel = METHODS[step][given.get("method", taken[0].default)]
        options = inspect.signature(kernel).parameters.values()
        taken += [p for p in options if p.kind is p.KEYWORD_ONLY]
    return {p.name: p.default for p in taken}


def _plain(value: Any) -> Any:
    """Return numpy numbers and sequences as what JSON and TOML can hold."""
    if isinstance(value, (tuple, list, np.ndarray)):
        return [_plain(item) for item in value]
    return value.item() if isinstance(value, np.generic) else value


def _relation_faults(step: str, values: Mapping[str, Any]) -> list[Fault]:
    for first, second in (("low", "high"), ("fit_low", "fit_high")):
        low, high = values.get(first), values.get(second)
        if low is not None and high is not None and low >= high:
            found = f"{step} with {first} = {low:g} and {second} = {high:g}"
            fix = f"{first} = {high:g}, {second} = {low:g}"
            return [Fault(found, f"{first} below {second}", fix)]
    if "window" in values and not values["derivative"] <= values["order"] < values["window"]:
        found = ", ".join(f"{name} = {value}" for name, value in values.items())
        needed = "derivative at most order, order below window"
        return [Fault(f"{step} with {found}", needed, "window = 9, order = 2, derivative = 0")]
    return []


def complete_parameters(step: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Return all parameters of a step, defaults too, as plain numbers, texts and lists.

    Raises `ProcedureError` with every fault of `parameter_faults`.

    >>> complete_parameters("correct_baseline", {"method": "polynomial"})
    {'method': 'polynomial', 'order': 1}
    """
    faults = parameter_faults(step, given)
    if faults:
        raise ProcedureError(faults)
    known = _known_parameters(step, given)
    return {name: _plain(given.get(name, default)) for name, default in known.items()}
