"""The trial of a run on disk: trial.csv, and the picture as PDF, SVG and PNG."""

from __future__ import annotations

from pathlib import Path

from ..figures.written import save_figure
from .picture import draw_trial
from .summary import TrialSummary

STEM = "trial"


def write_trial(summary: TrialSummary, folder: str | Path) -> dict[str, str]:
    """Write trial.csv (a row a candidate; empty means not measured) and trial.pdf, .svg, .png.

    The same summary gives the same bytes.

    Parameters
    ----------
    summary : of `summarise`.
    folder : where to.

    Returns
    -------
    File -> sha256 of the pictures.
    """
    folder = Path(folder)
    frame = summary.to_frame().astype({"best_set": object}).replace({True: "true", False: "false"})
    frame.to_csv(folder / f"{STEM}.csv", index=False, float_format="%.9g", lineterminator="\n")
    return save_figure(draw_trial(summary), folder, STEM)
