"""What a step of a procedure may be given: the tables of steps, methods and rules, and their check.

To add a step: a function in this package under `@step`; a parameter of a new name gets its rule in
`RULES`.
"""

from __future__ import annotations

import inspect
import math
import re
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, TypeVar

import numpy as np
import xarray as xr

from ..errors import Fault, ProcedureError, did_you_mean
from ..kernels import baselines
from ..kernels import normalise as normalisations

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


class Rule(NamedTuple):
    """What a parameter must be, in words; an example; and the test."""

    words: str
    example: str
    holds: Callable[[Any], bool]


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _whole(value: Any, lowest: int, highest: float = math.inf) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and lowest <= value <= highest


def _interval(value: Any) -> bool:
    pair = isinstance(value, list) and len(value) == 2 and all(map(_number, value))
    return pair and 0 <= value[0] < value[1]


def _is_sha256(value: Any) -> bool:
    return isinstance(value, str) and (value == "" or bool(re.fullmatch("[0-9a-f]{64}", value)))


def _is_texts(value: Any, least: int) -> bool:
    texts = isinstance(value, list) and all(isinstance(one, str) and one for one in value)
    return texts and len(value) >= least


_WAVENUMBER = Rule("a wavenumber in cm-1", "1000", lambda v: _number(v) and v >= 0)
_INTERVAL = Rule("[low, high] in cm-1, low below high", "[1690, 1700]", _interval)
_POSITIVE = "a number above 0"

#: One rule for each parameter name, whichever step or method it belongs to.
RULES: dict[str, Rule] = {
    "low": _WAVENUMBER,
    "high": _WAVENUMBER,
    "left": _INTERVAL,
    "right": _INTERVAL,
    "stray_level": Rule("a transmittance from 0 to below 1", "0.001",
                        lambda v: _number(v) and 0 <= v < 1),
    "smoothness": Rule(_POSITIVE, "1e6", lambda v: _number(v) and v > 0),
    "asymmetry": Rule("a number between 0 and 1", "0.01", lambda v: _number(v) and 0 < v < 1),
    "tolerance": Rule(_POSITIVE, "1e-3", lambda v: _number(v) and v > 0),
    "max_iterations": Rule("a whole number from 1", "50", lambda v: _whole(v, 1)),
    "order": Rule("a whole number from 0 to 20", "2", lambda v: _whole(v, 0, 20)),
    "half_window": Rule("a whole number from 1", "40", lambda v: _whole(v, 1)),
    "window": Rule("an odd whole number from 3", "9", lambda v: _whole(v, 3) and v % 2 == 1),
    "derivative": Rule("0, 1 or 2", "0", lambda v: _whole(v, 0, 2)),
    "measure": Rule("'area' or 'height'", '"area"', lambda v: v in ("area", "height")),
    "fit_low": _WAVENUMBER,
    "fit_high": _WAVENUMBER,
    "reference": Rule("a wavenumber in cm-1 above 0", "1000", lambda v: _number(v) and v > 0),
    "spacing": Rule("a spacing in cm-1 above 0", "4", lambda v: _number(v) and v > 0),
    "threshold": Rule(_POSITIVE, "8.0", lambda v: _number(v) and v > 0),
    "file": Rule("the path of a file", '"data/vapour.csv"',
                 lambda v: isinstance(v, str) and v != ""),
    "thickness": Rule("true or false", "true", lambda v: isinstance(v, bool)),
    "blanks": Rule("a list of paths of files", '["data/blank-1.nc"]', lambda v: _is_texts(v, 1)),
    "kept": Rule("a list of paths of files, or []", '["data/gel.nc"]', lambda v: _is_texts(v, 0)),
    "digests": Rule("a list of sha256 of the files, or []", "[]",
                    lambda v: isinstance(v, list) and all(one and _is_sha256(one) for one in v)),
    "sha256": Rule("64 hexadecimal digits, or nothing", '""', _is_sha256),
}  # fmt: skip


def parameter_faults(step: Any, given: Mapping[str, Any]) -> list[Fault]:
    """Return all that is wrong with a step and its parameters, without any data.

    >>> for fault in parameter_faults("smooth", {"windw": 9, "order": -1}):
    ...     print(fault)
    found smooth with 'windw'; needed parameters among window, order, derivative;
    to mend it: did you mean 'window'?
    found smooth with order = -1; needed a whole number from 0 to 20; to mend it: order = 2
    """
    if step not in STEPS:
        needed = f"one of {', '.join(STEPS)}"
        return [Fault(f"a step {step!r}", needed, did_you_mean(str(step), STEPS))]
    methods = METHODS.get(step, {})
    method = given.get("method")
    if methods and "method" in given and method not in list(methods):
        needed = f"one of {', '.join(methods)}"
        fix = did_you_mean(str(method), methods)
        return [Fault(f"{step} with method = {method!r}", needed, fix)]
    known = _known_parameters(step, given)
    listed = ", ".join(known) or "none"
    faults = [
        Fault(f"{_named(step, given)} with {name!r}", f"parameters among {listed}",
              did_you_mean(name, known))
        for name in given
        if name not in known
    ]  # fmt: skip
    values = {name: _plain(given.get(name, default)) for name, default in known.items()}
    for name, value in values.items():
        if name == "method" or (value is None and known[name] is None):
            continue
        rule = RULES[name]
        if not rule.holds(value):
            found = f"without {name}" if value is _ABSENT else f"with {name} = {value!r}"
            fix = f"{name} = {rule.example}"
            faults.append(Fault(f"{_named(step, given)} {found}", rule.words, fix))
    return faults or _relation_faults(step, values)


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


def _named(step: str, given: Mapping[str, Any]) -> str:
    return f"{step} by {given['method']}" if "method" in given else step


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
