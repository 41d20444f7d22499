"""The procedure: the ordered, recorded list of preprocessing steps, from and to TOML."""

from __future__ import annotations

import html
import json
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from ..errors import Fault, ProcedureError, ReadError, ResiduekitError
from ..io.opening import MOST_TOML, content
from ..kernels.compiled import over_blocks
from ..schema import POINT_DIMS, WAVENUMBER, check, flag_attributes, marked, pixel_dims
from ..toml_lines import lines_of, load_toml
from ..validator import Place, unknown_faults
from .parameters import EXAMPLE, STEPS, complete_parameters, parameter_faults

__all__ = ["Procedure"]

Step = tuple[str, dict[str, Any]]
SPECTRA_AT_ONCE = 4096


@dataclass(frozen=True, repr=False)
class Procedure:
    """An ordered list of preprocessing steps, each with all its parameters.

    Names and parameters are those of the functions in `residuekit.spectra`. They are checked, and
    defaults filled in, when the procedure is made.

    Parameters
    ----------
    steps : (name, parameters) of each step.
    file, lines : where each step was written, for the errors.

    Raises
    ------
    ProcedureError : all that is wrong with names and parameters.

    >>> Procedure.from_steps([{"step": "crop", "low": 800, "high": 3800}, {"step": "smooth"}])
    Procedure of 2 steps
      1. crop: low = 800, high = 3800
      2. smooth: window = 9, order = 2, derivative = 0
    """

    steps: tuple[Step, ...] = ()
    file: str = field(default="", compare=False)
    lines: tuple[int | None, ...] = field(default=(), compare=False)
    _patterns: dict[Any, xr.DataArray] = field(default_factory=dict, init=False, compare=False)

    def __post_init__(self) -> None:
        self.check()
        complete = tuple((name, complete_parameters(name, given)) for name, given in self.steps)
        object.__setattr__(self, "steps", complete)

    @classmethod
    def from_steps(
        cls,
        steps: Iterable[Mapping[str, Any]],
        *,
        file: str = "",
        lines: tuple[int | None, ...] = (),
    ) -> Procedure:
        """Make a procedure from mappings such as ``{"step": "crop", "low": 800, "high": 3800}``.

        `residuekit.schema.history` of a preprocessed array has this form. Raises `ProcedureError`
        with the faults of all steps at once.
        """
        entries: list[Any] = list(steps)
        pairs: tuple[Any, ...] = tuple(
            (one.get("step", one), {name: value for name, value in one.items() if name != "step"})
            if isinstance(one, Mapping)
            else (one, None)  # which `check` refuses with the others
            for one in entries
        )
        return cls(pairs, file, lines)

    @classmethod
    def from_toml(cls, source: str | Path, table: str = "procedure") -> Procedure:
        """Read the table ``[procedure]`` of a TOML file (a study.toml, say) or of a TOML text.

        A text is told from a path by a line break or an equals sign in it; `table` names another
        table of the same form. Raises `ProcedureError` with all faults at once, each with file and
        line.

        >>> Procedure.from_toml('procedure.steps = [{step = "smooth", window = 11}]').steps
        (('smooth', {'window': 11, 'order': 2, 'derivative': 0}),)
        """
        text, file = _read(source)
        document = load_toml(text, file, ProcedureError)
        place = Place(file, lines_of(text)).inside(table)
        values = document.get(table)
        if not isinstance(values, dict) or not isinstance(values.get("steps"), list):
            fix = f"[{table}]\n{EXAMPLE}"
            raise ProcedureError(place.fault("no list of steps", f"[{table}] with steps", fix))
        faults = unknown_faults(values, ["steps"], place)
        lines = tuple(
            place.lines.get((table, "steps", number, "step"))
            or place.lines[(table, "steps", number)]
            for number in range(len(values["steps"]))
        )
        try:
            made = cls.from_steps(values["steps"], file=file, lines=lines)
        except ProcedureError as error:
            raise ProcedureError([*faults, *error.faults]) from error
        if faults:
            raise ProcedureError(faults)
        return made

    def check(self) -> None:
        """Raise `ProcedureError` with all that is wrong with names and parameters.

        It needs no data, and has run already when a procedure exists.
        """
        faults = [
            self._placed(fault, number)
            for number, (name, given) in enumerate(self.steps)
            for fault in parameter_faults(name, given)
        ]
        if faults:
            raise ProcedureError(faults)

    def _placed(self, fault: Fault, number: int) -> Fault:
        line = self.lines[number] if number < len(self.lines) else None
        return replace(
            fault, found=f"in step {number + 1}, {fault.found}", file=self.file, line=line
        )

    def for_pure_materials(self) -> Procedure:
        """Return the procedure for a pure material: its spectra hold no paint to be scaled by.

        `correct_scatter` then takes the polynomial off alone.
        """
        steps = tuple(
            (name, {**given, "thickness": False} if "thickness" in given else given)
            for name, given in self.steps
        )
        return replace(self, steps=steps)

    def mending(self) -> Procedure:
        """Return the steps that mend a measurement, which a quality check comes after."""
        return Procedure(tuple(one for one in self.steps if one[0] in ("bridge", "despike")))

    def pattern(self, array: xr.DataArray) -> xr.DataArray:
        """Return one spectrum of noughts after all steps: its axis, quantity and technique.

        Kept for the next array of the same axis, quantity and technique.
        """
        like = (array[WAVENUMBER].values.tobytes(), array.dims, array.name,
                array.attrs.get("technique"))  # fmt: skip
        if like not in self._patterns:
            self._patterns[like] = self._run(_one_spectrum(check(array)))
        return self._patterns[like]

    def kept_range(self, array: xr.DataArray) -> tuple[float, float]:
        """Return the ends of the axis after all steps, cm-1."""
        axis = self.pattern(array)[WAVENUMBER].values
        return float(axis[0]), float(axis[-1])

    def apply(self, array: xr.DataArray) -> xr.DataArray:
        """Run all steps on a labelled array, each written into its history.

        Blocks of spectra go through all steps at once, on all cores, so that only the result is
        held beside the array. A lazy (dask) array stays lazy: each chunk is one task.

        Raises `ProcedureError` or `ContractError` where a step does not fit the data, with the
        number of the step, its file and line.
        """
        array = check(array)
        if not self.steps:
            return array
        if array.chunks is not None:
            pattern = self._run(_one_spectrum(array))
            n = pattern.sizes[WAVENUMBER]
            return _labelled(pattern, array, *self._lazily(array, n, pattern.dtype))
        array, pixels = array.compute(), array.shape[:-1]
        if math.prod(pixels) <= SPECTRA_AT_ONCE:
            found = self._run(_block(array, slice(None)))
            state = (new.reshape(*pixels, *new.shape[1:]) for new in _state(found))
            return _labelled(found, array, *state)
        pattern = self._run(_one_spectrum(array))
        n = pattern.sizes[WAVENUMBER]
        values = np.empty((*pixels, n), pattern.dtype)
        valid, flag = np.empty(pixels, bool), np.empty(pixels, np.uint16)
        results = values.reshape(-1, n), valid.reshape(-1), flag.reshape(-1)

        def fill(part: slice) -> None:
            found = self._run(_block(array, part))
            for result, new in zip(results, _state(found), strict=True):
                result[part] = new

        over_blocks(fill, valid.size, SPECTRA_AT_ONCE)
        return _labelled(pattern, array, values, valid, flag)

    def score(self, array: xr.DataArray, score: Callable[[xr.DataArray], xr.Dataset]) -> xr.Dataset:
        """Run all steps and a score on blocks of spectra: the processed array is never held.

        `score` is a function of one labelled array that treats each spectrum alone, such as
        ``lambda block: residuekit.band_score(block, markers)``. The result is that of
        ``score(procedure.apply(array))``. A lazy array gives a lazy result, and
        ``scores.to_netcdf(path)`` then reads, scores and writes one block after the other.
        """
        array = check(array)
        if array.chunks is not None:
            return score(self.apply(array))
        array = array.compute()
        n = math.prod(array.shape[:-1])
        starts = range(0, n, SPECTRA_AT_ONCE)
        scored: list[xr.Dataset] = [xr.Dataset()] * len(starts)

        def fill(part: slice) -> None:
            scored[part.start // SPECTRA_AT_ONCE] = score(self._run(_block(array, part)))

        over_blocks(fill, n, SPECTRA_AT_ONCE)
        return _unfolded(xr.concat(scored, "spectrum", data_vars="minimal", coords="minimal",
                                   compat="override", join="override"), array)  # fmt: skip

    def _run(self, array: xr.DataArray) -> xr.DataArray:
        """Run the steps one after the other."""
        for number, (name, parameters) in enumerate(self.steps):
            try:
                array = STEPS[name](array, **parameters)
            except ResiduekitError as error:
                raise type(error)(self._placed(fault, number) for fault in error.faults) from error
        return array

    def _lazily(self, array: xr.DataArray, n: int, dtype: Any) -> Any:
        """Return lazy values, valid and flag; a chunk of whole spectra is one task."""
        from dask.array import apply_gufunc, asarray

        bare = _one_spectrum(array)

        def chunk(values: Any, valid: Any, flag: Any) -> Any:
            rows = values.reshape(-1, values.shape[-1])
            found = self._run(_points(bare, rows, valid.ravel(), flag.ravel()))
            return [new.reshape(*valid.shape, *new.shape[1:]) for new in _state(found)]

        whole = array.chunk({WAVENUMBER: -1})
        return apply_gufunc(
            chunk,
            "(n),(),()->(m),(),()",
            whole.data,
            *(
                asarray(whole[name].data).rechunk(whole.data.chunks[:-1])
                for name in ("valid", "flag")
            ),
            output_sizes={"m": n},
            output_dtypes=[dtype, bool, np.uint16],
        )

    def to_toml(self) -> str:
        """Write the table ``[procedure]`` as TOML; `from_toml` reads the same procedure back."""
        lines = "".join(
            f"    {{{', '.join([f'step = {_toml(name)}', *_assignments(given)])}}},\n"
            for name, given in self.steps
        )
        return f"[procedure]\nsteps = [\n{lines}]\n"

    def to_frame(self) -> pd.DataFrame:
        """Return a table, one row a parameter: number, step, parameter, value."""
        rows = [
            (number, name, parameter, value)
            for number, (name, given) in enumerate(self.steps, start=1)
            for parameter, value in given.items()
        ]
        return pd.DataFrame(rows, columns=["number", "step", "parameter", "value"], dtype=object)

    def __repr__(self) -> str:
        lines = [
            f"\n  {number}. {name}: {', '.join(_assignments(given))}"
            for number, (name, given) in enumerate(self.steps, start=1)
        ]
        return f"Procedure of {len(self.steps)} step{'s' * (len(self.steps) != 1)}{''.join(lines)}"

    def _repr_html_(self) -> str:
        items = "".join(
            f"<li><b>{name}</b> {html.escape(', '.join(_assignments(given)))}</li>"
            for name, given in self.steps
        )
        return f"<ol>{items}</ol>"


def _one_spectrum(array: xr.DataArray) -> xr.DataArray:
    """Return one spectrum of noughts with the labels of the array; nothing lazy is computed."""
    one = array.isel({dim: [0] for dim in pixel_dims(array)}).drop_vars(["valid", "flag"])
    return check(marked(one.copy(data=np.zeros(one.shape, array.dtype))))


def _points(like: xr.DataArray, rows: Any, valid: Any, flag: Any) -> xr.DataArray:
    """Return spectra (n, n_wavenumber) as points with the axis and the attributes of `like`."""
    coords = {
        WAVENUMBER: like[WAVENUMBER].variable,
        "valid": ("spectrum", valid),
        "flag": ("spectrum", flag, flag_attributes()),
    }
    return marked(xr.DataArray(rows, coords, POINT_DIMS, name=like.name, attrs=like.attrs))


def _block(array: xr.DataArray, part: slice) -> xr.DataArray:
    """Return the spectra of a slice of the pixels in their order."""
    rows = array.values.reshape(-1, array.shape[-1])[part]
    state = (array[name].values.reshape(-1)[part] for name in ("valid", "flag"))
    return _points(array, rows, *state)


def _state(array: xr.DataArray) -> tuple[Any, Any, Any]:
    return array.values, array["valid"].values, array["flag"].values


def _labelled(
    pattern: xr.DataArray, array: xr.DataArray, values: Any, valid: Any, flag: Any
) -> xr.DataArray:
    """Return values with the axis, name and attributes of the pattern, the pixels of the array."""
    dims = pixel_dims(array)
    coords = {
        name: coord.variable for name, coord in array.coords.items() if WAVENUMBER not in coord.dims
    }
    coords |= {
        WAVENUMBER: pattern[WAVENUMBER].variable,
        "valid": xr.Variable(dims, valid),
        "flag": xr.Variable(dims, flag, flag_attributes()),
    }
    made = xr.DataArray(values, coords, array.dims, name=pattern.name, attrs=pattern.attrs)
    return marked(made)


def _unfolded(scored: xr.Dataset, array: xr.DataArray) -> xr.Dataset:
    """Put scores of spectra in a row back onto the pixels of the array."""
    dims = pixel_dims(array)
    sizes = [array.sizes[dim] for dim in dims]

    def unfold(variable: xr.Variable) -> xr.Variable:
        if "spectrum" not in variable.dims:
            return variable
        place = variable.dims.index("spectrum")
        shape = (*variable.shape[:place], *sizes, *variable.shape[place + 1 :])
        names = (*variable.dims[:place], *dims, *variable.dims[place + 1 :])
        return xr.Variable(names, variable.values.reshape(shape), variable.attrs)

    coords = {name: unfold(coord.variable) for name, coord in scored.coords.items()}
    coords |= {
        name: coord.variable for name, coord in array.coords.items() if WAVENUMBER not in coord.dims
        and name not in coords
    }  # fmt: skip
    values = {name: unfold(value.variable) for name, value in scored.data_vars.items()}
    return xr.Dataset(values, coords, scored.attrs)


def _read(source: str | Path) -> tuple[str, str]:
    if isinstance(source, str) and ("\n" in source or "=" in source):
        return source, ""
    path = Path(source)
    try:
        return content(path, MOST_TOML).decode(), str(path)
    except (ReadError, UnicodeDecodeError) as error:
        raise ProcedureError(
            Fault(f"a file that cannot be read ({error})", "a TOML file in UTF-8",
                  "the path of study.toml", str(path))
        ) from error  # fmt: skip


def _assignments(given: Mapping[str, Any]) -> list[str]:
    return [f"{name} = {_toml(value)}" for name, value in given.items() if value is not None]


def _toml(value: Any) -> str:
    """Write a checked parameter as TOML: a number, a text, true or false, or a list."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, (str, bool)) else repr(value)
