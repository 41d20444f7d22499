"""What happens to a labelled array before it is scored: quality, steps, procedure, peak fits.

A step takes a labelled array (`residuekit.schema`) and returns a new one: float32 values, `valid`
and `flag` kept right, the step with all its parameters, defaults too, in the history. A spectrum
with a missing value comes out missing and touches no other. Lazy (dask) arrays stay lazy.
"""

from . import corrections, optics, scatter_correction, steps  # each enters its steps in the table

__all__ = ["corrections", "optics", "scatter_correction", "steps"]
