"""Calls of the compiled kernels, and blocks of spectra in turn or on all cores."""

from __future__ import annotations

import gc
import importlib
import os
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import Fault, ResiduekitError

__all__ = ["contiguous_rows", "over_blocks", "run"]


def run(module: str, name: str, *arguments: Any) -> Any:
    """Call a compiled kernel of `residuekit.kernels`; numba is imported with the first.

    Raises `ResiduekitError` where numba is missing or cannot compile: the kernels fill the arrays
    they are given and raise nothing of their own.
    """
    collecting = gc.isenabled()
    gc.disable()  # numba makes a million objects that stay: a fifth of its loading is collection
    try:
        return getattr(importlib.import_module(f".{module}", __package__), name)(*arguments)
    except Exception as problem:  # numba and its compiler raise of every kind
        raise ResiduekitError(
            Fault(f"numba that cannot compile here ({type(problem).__name__}: {problem})",
                  "a numba that works, for the fast parts",
                  "python -m pip install --force-reinstall numba; where the folder of residuekit "
                  "and the home folder cannot be written, set NUMBA_CACHE_DIR to one that can")
        ) from problem  # fmt: skip
    finally:
        if collecting:
            gc.enable()


def contiguous_rows(block: npt.ArrayLike) -> npt.NDArray[Any]:
    """Return the block as the kernels read it: float32 stays, all else becomes float64."""
    rows = np.asarray(block)
    kind = np.float32 if rows.dtype == np.float32 else np.float64
    return np.ascontiguousarray(rows, dtype=kind)


def over_blocks(compute: Callable[[slice], None], n: int, size: int) -> None:
    """Call `compute` with slices of `size` that cover 0 to n, on all cores where that is safe.

    Threads of Python serve, for the kernels are serial and hold no lock. Inside a thread or a
    process that another scheduler has started, all is done in turn: the cores are taken.
    """
    parts = [slice(start, min(start + size, n)) for start in range(0, n, size)]
    workers = min(len(parts), _free_cores())
    if workers < 2:
        for part in parts:
            compute(part)
        return
    from concurrent.futures import ThreadPoolExecutor

    compute(parts[0])  # alone: it imports and loads the kernels
    with ThreadPoolExecutor(workers) as pool:
        for _ in pool.map(compute, parts[1:]):
            pass


def _free_cores() -> int:
    import multiprocessing
    import threading

    if multiprocessing.parent_process() or threading.current_thread() != threading.main_thread():
        return 1
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
