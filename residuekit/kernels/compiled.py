"""Compiled kernels where numba works, the plain numpy way where it does not, and blocks in turn.

numba is imported when a kernel is first called. Where it is missing or fails, one warning says so
and everything goes on the slow way, with the same numbers.
"""

from __future__ import annotations

import gc
import importlib
import os
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import ResiduekitWarning

__all__ = ["contiguous_rows", "over_blocks", "run"]

_failures: list[str] = []
_loaded: set[str] = set()


def run(module: str, name: str, *arguments: Any) -> Any:
    """Call a compiled kernel of `residuekit.kernels`; None where compiled kernels do not work.

    The kernels fill the arrays they are given and return something else than None.
    """
    if _failures:
        return None
    pause = not _loaded and gc.isenabled()
    if pause:  # numba makes a million objects that stay: a fifth of its loading is collection
        gc.disable()
    try:
        kernel = getattr(importlib.import_module(f".{module}", __package__), name)
        found = kernel(*arguments)
        _loaded.add(name)
        return found
    except Exception as problem:  # numba and its compiler raise of every kind; the warning says it
        _failures.append(f"{type(problem).__name__}: {problem}")
        warnings.warn(
            f"compiled kernels do not work here ({_failures[0]}); the plain numpy way takes over, "
            "with the same numbers but 5 to 50 times slower. To mend it: install numba anew "
            "(python -m pip install --force-reinstall numba)",
            ResiduekitWarning,
            stacklevel=3,
        )
        return None
    finally:
        if pause:
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
