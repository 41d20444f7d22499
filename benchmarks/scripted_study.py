"""A study as a script of pandas, xarray, scipy and matplotlib does it: the peer of a whole run.

python benchmarks/scripted_study.py STUDY OUT reads measurements.csv and every map of a folder that
`residuekit demo` has written, and writes table.csv, figure.pdf, figure.svg and figure.png. It does
what such a script does: the area of one band over a local baseline in every pixel, means of
mock-ups, a calibration by spiked mock-ups, limits by t, and one figure. No quality check, no net
signal, no shape test, no outliers, no second opinion, no words: `study.py scripted` counts what a
run adds.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib

matplotlib.use("Agg")

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import xarray as xr
from scipy import stats

BAND, LEFT, RIGHT = (1072.0, 1112.0), (1040.0, 1056.0), (1128.0, 1144.0)
ALPHA = 0.05


def band_area(spectra: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """The area of the band of each spectrum above a line through its two sides."""

    def side(window: tuple[float, float]) -> tuple[float, np.ndarray]:
        inside = (axis >= window[0]) & (axis <= window[1])
        return float(axis[inside].mean()), spectra[:, inside].mean(axis=1)

    (left, low), (right, high) = side(LEFT), side(RIGHT)
    inside = (axis >= BAND[0]) & (axis <= BAND[1])
    share = (axis[inside] - left) / (right - left)
    line = low[:, None] * (1 - share) + high[:, None] * share
    return np.trapezoid(spectra[:, inside] - line, axis[inside], axis=1)


def read(folder: Path) -> pd.DataFrame:
    """One row a mock-up, with the mean band area of the valid pixels of its maps."""
    rows = pd.read_csv(folder / "measurements.csv")
    rows = rows[rows["role"] != "reference"].copy()
    scores = []
    for file in rows["file"]:
        with xr.open_dataset(folder / file) as held:
            axis, values = held["wavenumber"].values, held["absorbance"].values
            spectra = values[held["valid"].values].astype(float)
        scores.append(band_area(spectra, axis).mean())
    rows["score"] = scores
    keys = ["paint", "role", "mockup", "exposure_min", "loading_ug_cm2"]
    return rows.groupby(keys, dropna=False)["score"].mean().reset_index()


def judge(mockups: pd.DataFrame) -> pd.DataFrame:
    """Loading and limits of each arm of each paint."""
    arms = []
    for paint, own in mockups.groupby("paint"):
        blank = own.loc[own["role"] == "blank", "score"].to_numpy()
        spiked = own[own["role"] == "spiked"]
        slope = stats.linregress(spiked["loading_ug_cm2"], spiked["score"]).slope
        exposed = own[own["role"] == "exposed"]
        for minutes, arm in exposed.groupby("exposure_min"):
            n, m = len(blank), len(arm)
            error = blank.std(ddof=1) * np.sqrt(1 / n + 1 / m) / slope
            quantile = stats.t.ppf(1 - ALPHA, n - 1)
            found = (arm["score"].mean() - blank.mean()) / slope
            dots = ((arm["score"] - blank.mean()) / slope).tolist()
            arms.append((paint, minutes, n, m, found, quantile * error, 2 * quantile * error, dots))
    names = ["paint", "exposure_min", "n_blank", "n", "loading", "decision", "detection", "dots"]
    return pd.DataFrame(arms, columns=names)


def draw(arms: pd.DataFrame, out: Path) -> None:
    """The mock-ups of each arm against its two limits, as PDF, SVG and PNG."""
    figure, axes = plt.subplots(1, arms["paint"].nunique(), figsize=(6.7, 3), sharey=True)
    for axis, (paint, own) in zip(np.atleast_1d(axes), arms.groupby("paint"), strict=True):
        for place, arm in enumerate(own.itertuples()):
            axis.plot([place] * len(arm.dots), arm.dots, "o", ms=4)
            for limit, style in ((arm.decision, "--"), (arm.detection, "-")):
                axis.plot([place - 0.3, place + 0.3], [limit, limit], style, color="k", lw=0.8)
        axis.set_xticks(range(len(own)), [f"{minutes:g} min" for minutes in own["exposure_min"]])
        axis.set_title(paint)
    np.atleast_1d(axes)[0].set_ylabel("loading / µg cm$^{-2}$")
    for kind in ("pdf", "svg", "png"):
        figure.savefig(out / f"figure.{kind}", dpi=600, bbox_inches="tight")


if __name__ == "__main__":
    study, made = Path(sys.argv[1]), Path(sys.argv[2])
    made.mkdir(parents=True, exist_ok=True)
    judged = judge(read(study))
    judged.drop(columns="dots").to_csv(made / "table.csv", index=False)
    draw(judged, made)
