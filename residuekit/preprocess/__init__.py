"""Preprocessing of labelled arrays: one function a step, each writes itself into the history.

A step takes a labelled array (`residuekit.schema`) and returns a new one: float32 values, `valid`
and `flag` kept right, the step with all its parameters, defaults too, in the history. A spectrum
with a missing value comes out missing and touches no other. Lazy (dask) arrays stay lazy.
"""

from .blocks import ROWS_AT_ONCE
from .corrections import bridge, despike, resample, subtract_vapour
from .files import pinned, step_files, unpinned
from .optics import correct_atr_depth, kramers_kronig, kubelka_munk, optical_constants
from .parameters import METHODS, RULES, STEPS, complete_parameters, parameter_faults
from .scatter import correct_scatter
from .steps import correct_baseline, crop, normalise, smooth, to_absorbance

__all__ = [
    "METHODS",
    "ROWS_AT_ONCE",
    "RULES",
    "STEPS",
    "bridge",
    "complete_parameters",
    "correct_atr_depth",
    "correct_baseline",
    "correct_scatter",
    "crop",
    "despike",
    "kramers_kronig",
    "kubelka_munk",
    "normalise",
    "optical_constants",
    "parameter_faults",
    "pinned",
    "resample",
    "smooth",
    "step_files",
    "subtract_vapour",
    "to_absorbance",
    "unpinned",
]
