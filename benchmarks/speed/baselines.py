"""Baselines beside pybaselines."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from residuekit.kernels import baselines
from residuekit.kernels.compiled import over_blocks

from .common import AXIS, BLOCK, CORES, FEW, Claim, relative, spectra


def _baseline(
    name: str,
    ours: Callable[[Any], Any],
    peer_name: str,
    peer: Callable[[Any, Any], Any],
    *,
    threads: int = 1,
    note: str = "",
) -> Claim:
    from pybaselines import Baseline

    block, solver = spectra(), Baseline(AXIS)
    rows = block[:FEW].astype(np.float64)

    def in_turn() -> Any:
        return np.array([peer(solver, row) for row in rows])

    def together() -> Any:
        if threads == 1:
            return ours(block)
        result = np.empty(block.shape)

        def fill(part: slice) -> None:
            result[part] = ours(block[part])

        over_blocks(fill, len(block), BLOCK)
        return result

    return Claim(
        name, f"pybaselines {peer_name}", together, in_turn, len(block), FEW,
        lambda: relative(ours(rows), in_turn()), threads, note,
    )  # fmt: skip


def _asls(solver: Any, row: Any) -> Any:
    return solver.asls(row, lam=1e6, p=0.01)[0]


def _arpls(solver: Any, row: Any) -> Any:
    return solver.arpls(row, lam=1e5)[0]


def asymmetric() -> Claim:
    """asymmetric least squares."""
    return _baseline("asymmetric least squares", baselines.asymmetric_least_squares, "asls", _asls)


def asymmetric_2() -> Claim:
    """asymmetric least squares, two threads."""
    return _baseline("asymmetric least squares, two threads", baselines.asymmetric_least_squares,
                     "asls", _asls, threads=CORES)  # fmt: skip


def arpls() -> Claim:
    """arPLS."""
    return _baseline("arPLS", baselines.arpls, "arpls", _arpls)


def arpls_2() -> Claim:
    """arPLS, two threads."""
    return _baseline("arPLS, two threads", baselines.arpls, "arpls", _arpls, threads=CORES)


def rubber_band() -> Claim:
    """rubber band."""
    return _baseline("rubber band", lambda rows: baselines.rubber_band(rows, AXIS), "rubberband",
                     lambda solver, row: solver.rubberband(row)[0])  # fmt: skip


def snip() -> Claim:
    """SNIP, 40 channels."""
    from pybaselines.utils import pad_edges

    def extended(rows: Any) -> Any:
        return np.array([pad_edges(row, 40) for row in rows])

    claim = _baseline(
        "SNIP, 40 channels", lambda rows: baselines.snip(rows, half_window=40), "snip",
        lambda solver, row: solver.snip(row, max_half_window=40)[0],
    )  # fmt: skip
    rows = spectra()[:FEW].astype(np.float64)
    return claim._replace(
        agreement=lambda: relative(baselines.snip(extended(rows))[:, 40:-40], claim.peer()),
        note="it extends the ends; agreement on spectra extended alike",
    )


def iterated_polynomial() -> Claim:
    """iterated polynomial, order 5."""
    return _baseline(
        "iterated polynomial, order 5",
        lambda rows: baselines.iterated_polynomial(rows, AXIS, order=5, max_iterations=251),
        "modpoly", lambda solver, row: solver.modpoly(row, poly_order=5)[0],
    )  # fmt: skip
