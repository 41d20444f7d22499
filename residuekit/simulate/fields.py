"""Random numbers that keep their place, and random fields over the pixels of a map."""

from __future__ import annotations

import hashlib
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..errors import ContractError, Fault, did_you_mean

PATTERNS = ("uniform", "patchy", "pores")
PATCH_SHARE = 0.3
PORE_SHARE = 0.03
PATCH_LENGTH_PX = 4.0
PORE_LENGTH_PX = 0.6

Seed = int | np.random.SeedSequence


def stream(seed: Seed, *place: int | str) -> np.random.SeedSequence:
    """Return the seed of one named place below `seed`, whatever else was drawn before.

    Words are turned into numbers by SHA-256, so that a place keeps its numbers when others are
    added (children of `numpy.random.SeedSequence` by spawn key, not by order of asking).

    >>> a, b = stream(1, "mock-up 3", 0), stream(1, "mock-up 3", 0)
    >>> a.generate_state(1) == b.generate_state(1)
    array([ True])
    """
    root = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
    return np.random.SeedSequence(
        root.entropy, spawn_key=(*root.spawn_key, *(_number(step) for step in place))
    )


def _number(step: int | str) -> int:
    if isinstance(step, int):
        return step
    return int.from_bytes(hashlib.sha256(step.encode()).digest()[:8], "big")


def gaussian_fields(
    rng: np.random.Generator, count: int, shape: tuple[int, int], length_px: float
) -> NDArray[np.float32]:
    """Draw Gaussian random fields of mean 0, variance 1 and correlation exp(-r / length).

    Returns (count, n_y, n_x). Drawn by Fourier transform on a torus at least twice as large, so
    that opposite edges are unrelated (circulant embedding; Dietrich and Newsam 1997, SIAM J. Sci.
    Comput. 18, 1088). The length (pixels) should be below a third of the map's side.
    """
    from scipy import fft

    if not length_px > 0:
        raise ContractError(
            Fault(f"a correlation length of {length_px:g} pixels", "a length above 0",
                  "0.1 for pixels that have nothing to do with each other")
        )  # fmt: skip
    amplitude = _spectral_amplitude(shape, float(length_px))
    torus = _torus(shape)
    white = rng.standard_normal((count, *torus), dtype=np.float32)
    coloured = fft.irfft2(fft.rfft2(white) * amplitude, s=torus)
    fields: NDArray[np.float32] = coloured[:, : shape[0], : shape[1]]
    return fields


def _torus(shape: tuple[int, int]) -> tuple[int, int]:
    from scipy import fft

    return fft.next_fast_len(2 * shape[0], real=True), fft.next_fast_len(2 * shape[1], real=True)


@lru_cache(maxsize=64)
def _spectral_amplitude(shape: tuple[int, int], length_px: float) -> NDArray[np.float32]:
    from scipy import fft

    sides = [np.minimum(np.arange(n), n - np.arange(n)) for n in _torus(shape)]
    distance = np.hypot(sides[0][:, None], sides[1][None, :])
    power = np.clip(fft.rfft2(np.exp(-distance / length_px)).real, 0.0, None)
    amplitude: NDArray[np.float32] = np.sqrt(power).astype(np.float32)
    return amplitude


def loading_field(
    rng: np.random.Generator, pattern: str, shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Draw how a material lies on the surface: (n_y, n_x), never negative, mean exactly 1.

    `uniform` is 1 everywhere; `patchy` covers 30 % of the pixels in patches that thin out to their
    edges; `pores` fills 3 % of them, at least one, all alike.
    """
    if pattern not in PATTERNS:
        raise ContractError(
            Fault(f"the pattern {pattern!r}", f"one of {', '.join(PATTERNS)}",
                  did_you_mean(pattern, PATTERNS))
        )  # fmt: skip
    if pattern == "uniform":
        return np.ones(shape)
    patchy = pattern == "patchy"
    length = PATCH_LENGTH_PX if patchy else PORE_LENGTH_PX
    share = PATCH_SHARE if patchy else PORE_SHARE
    landscape = gaussian_fields(rng, 1, shape, length)[0].astype(float)
    covered = max(1, round(share * landscape.size))
    shore = np.partition(landscape, -covered - 1, axis=None)[-covered - 1]
    height = np.clip(landscape - shore, 0.0, None)
    field = height if patchy else (height > 0).astype(float)
    normalised: NDArray[np.float64] = field / field.mean()
    return normalised
