"""Certified values of NIST's Statistical Reference Datasets for non-linear regression.

Files as published by NIST/ITL (shared/data/nist_strd), compared by the number of matching digits.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from residuekit.spectra.fits import fit_curve

FOLDER = Path(__file__).resolve().parents[2] / "shared/data/nist_strd"


def gauss(x: np.ndarray, **b: float) -> np.ndarray:
    return (
        b["b1"] * np.exp(-b["b2"] * x)
        + b["b3"] * np.exp(-(((x - b["b4"]) / b["b5"]) ** 2))
        + b["b6"] * np.exp(-(((x - b["b7"]) / b["b8"]) ** 2))
    )


def eckerle(x: np.ndarray, **b: float) -> np.ndarray:
    return b["b1"] / b["b2"] * np.exp(-0.5 * ((x - b["b3"]) / b["b2"]) ** 2)


def misra(x: np.ndarray, **b: float) -> np.ndarray:
    return b["b1"] * (1 - np.exp(-b["b2"] * x))


def lanczos(x: np.ndarray, **b: float) -> np.ndarray:
    return sum(b[f"b{i}"] * np.exp(-b[f"b{i + 1}"] * x) for i in (1, 3, 5))


class Certified(NamedTuple):
    starts: tuple[dict[str, float], dict[str, float]]
    values: dict[str, float]
    errors: dict[str, float]
    residual_sd: float
    x: np.ndarray
    y: np.ndarray


def certified(name: str) -> Certified:
    text = (FOLDER / f"{name}.dat").read_text(encoding="ascii")
    rows = re.findall(r"^\s*(b\d) =\s+(\S+)\s+(\S+)\s+(\S+)\s+(\S+)\s*$", text, re.M)
    columns = [{row[0]: float(row[i]) for row in rows} for i in (1, 2, 3, 4)]
    spread = re.search(r"Residual Standard Deviation:\s+(\S+)", text)
    first, last = re.search(r"Data\s+\(lines (\d+) to (\d+)\)", text).groups()
    table = np.loadtxt(text.splitlines()[int(first) - 1 : int(last)])
    return Certified(
        (columns[0], columns[1]), columns[2], columns[3], float(spread.group(1)),
        table[:, 1], table[:, 0],
    )  # fmt: skip


def digits(found: float, truth: float) -> float:
    return min(11.0, -np.log10(max(abs(found - truth) / abs(truth), 1e-16)))


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize(
    ("name", "model", "in_values", "in_errors"),
    [
        ("Gauss1", gauss, 8, 6.5),
        ("Gauss2", gauss, 8, 6.5),
        ("Gauss3", gauss, 8, 6.5),
        ("Eckerle4", eckerle, 9, 6.5),
        ("Misra1a", misra, 6.5, 4.5),
        ("Lanczos3", lanczos, 7, 6),
    ],
)
@pytest.mark.source("published", "niststrd", "certified parameters and errors of six fits")
def test_matching_digits_of_certified_values(
    name: str, model: Callable[..., np.ndarray], in_values: float, in_errors: float, start: int
) -> None:
    nist = certified(name)
    fit = fit_curve(model, nist.x, nist.y, nist.starts[start])
    for key, truth in nist.values.items():
        assert digits(fit.params[key].value, truth) >= in_values, key
        assert digits(fit.params[key].stderr, nist.errors[key]) >= in_errors, key
    assert digits(np.sqrt(fit.redchi), nist.residual_sd) >= 10
