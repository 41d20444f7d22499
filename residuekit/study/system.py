"""What a run asks of the system: one thread for linear algebra, memory kept for what comes next and
given back where nothing does."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress

#: Bytes of an array that is given back to the system at once, and the bytes of smaller ones that
#: are kept for the next when given back.
LARGE, _MOST_FREE = 2**22, 2**25


@contextmanager
def one_thread() -> Iterator[None]:
    """Let linear algebra use one thread meanwhile: its sums then have one order on every machine
    of a kind, whatever the number of its cores."""
    import scipy.linalg  # noqa: F401 - what is not loaded yet cannot be limited
    from threadpoolctl import threadpool_limits

    _keep_memory()
    with threadpool_limits(1, user_api="blas"):
        yield


def _keep_memory() -> None:
    """Let glibc keep what arrays give back for the next ones: fetched anew, page by page, those of
    a map of some hundred spectra take up to twice the time."""
    trim_threshold, mmap_threshold = -1, -3  # M_TRIM_THRESHOLD, M_MMAP_THRESHOLD of <malloc.h>
    _glibc("mallopt", mmap_threshold, LARGE)
    _glibc("mallopt", trim_threshold, _MOST_FREE)


def give_memory_back() -> None:
    """Give back to the system what is done with, pictures above all, and what glibc keeps of it."""
    gc.collect()
    _glibc("malloc_trim", 0)


def _glibc(name: str, *numbers: int) -> None:
    import ctypes

    with suppress(AttributeError, OSError, TypeError):  # another library, another system
        getattr(ctypes.CDLL(None), name)(*numbers)


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Let processes that start now use one thread for linear algebra, for they share the cores, and
    keep memory as `_keep_memory` does."""
    given = dict.fromkeys(("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    given |= {"MALLOC_MMAP_THRESHOLD_": str(LARGE), "MALLOC_TRIM_THRESHOLD_": str(_MOST_FREE)}
    before = {name: os.environ.get(name) for name in given}
    os.environ.update(given)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
