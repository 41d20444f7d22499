"""What a claim on speed is, and the spectra that the claims are measured on."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

N = 1000
AXIS = np.linspace(800.0, 3800.0, N)
FEW = 24
BLOCK = 256
CORES = 2


class Claim(NamedTuple):
    """Two ways to do one thing; `ours_count` and `peer_count` spectra a call.

    A way that returns a float has timed itself, in seconds. `rounds` says how often each is run
    where that is long; `said` gives a note from what was seen.
    """

    name: str
    peer_name: str
    ours: Callable[[], Any]
    peer: Callable[[], Any]
    ours_count: int
    peer_count: int
    agreement: Callable[[], float] | None = None
    threads: int = 1
    note: str = ""
    rounds: int = 0
    said: Callable[[], str] | None = None


def spectra(n: int = 2048, seed: int = 0) -> np.ndarray[Any, Any]:
    """Invented spectra, float32: bands, a curved baseline, noise of 0.002."""
    rng = np.random.default_rng(seed)
    bands_at = ((1000, 30), (1400, 25), (1735, 15), (2900, 40), (3400, 150))
    y = 0.2 + 0.1 * np.sin(AXIS / 800 + rng.uniform(0, 1, (n, 1))) + rng.normal(0, 0.002, (n, N))
    for centre, width in bands_at:
        shape = np.exp(-0.5 * ((AXIS - centre) / width) ** 2)
        y += rng.uniform(0.1, 0.8, (n, 1)) * shape
    return y.astype(np.float32)


def alone(call: Callable[[], Any]) -> Any:
    """Call in a thread of its own, where nothing is spread over the cores."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(call).result()


def relative(ours: Any, peer: Any) -> float:
    """The largest difference over the largest value."""
    return float(np.abs(np.asarray(ours) - peer).max() / np.abs(peer).max())


def peak_mb(process: int | str = "self") -> float:
    """The most memory a process has held since it began its program, MiB (Linux).

    Not `ru_maxrss`, which begins at the size of the parent.
    """
    status = Path(f"/proc/{process}/status").read_text(encoding="ascii")
    return int(re.findall(r"VmHWM:\s+(\d+) kB", status)[0]) / 1024
