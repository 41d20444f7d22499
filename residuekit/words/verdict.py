"""The reason of a verdict: why it is what it is, its numbers, and what stands beside them."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from ..reprs import sentence_case, to_error
from .codes import Note, sentences
from .common import Row, above_one_limit, counted, judged, percent, with_error
from .scale import as_film


def reason(row: Row, why: Sequence[Note], remarks: Sequence[Note]) -> str:
    """Say why a verdict is what it is, with the numbers without which no absence is printed.

    Parameters
    ----------
    row : verdict and numbers under the column names of ``verdicts.csv``, with `alpha`, `beta` and
        `density`; empty where an arm has none.
    why, remarks : the notes of the verdict.
    """
    said = sentences(why)
    if row and judged(row):
        said += [numbers(row, row["alpha"], row["beta"]), *as_film(row, row["density"])]
    return " ".join([*said, *sentences(remarks)])


def numbers(row: Row, alpha: float, beta: float) -> str:
    """Estimate, limits, bound and n of a score, and the share of mock-ups that may stand out.

    The identification limit stands where it was computed.

    All to the second digit of the standard error, which stands beside the estimate.
    """
    error = row["standard_error"]

    def show(name: str) -> str:
        return to_error(row[name], error)

    known = row["identification_limit"] == row["identification_limit"]
    identified = f", identification limit {show('identification_limit')}" if known else ""
    n, blanks, unit = int(row["n_mockups"]), int(row["n_blank_mockups"]), row["unit"]
    mean = with_error(row["estimate"], error)
    said = f"{sentence_case(row['score'])}: mean of {counted(n, 'mock-up')} {mean}"
    if blanks < 2:
        return f"{said} {unit}. A single blank mock-up gives no limits."
    return (
        f"{said} {unit} against {blanks} blank mock-ups. Decision limit "
        f"{show('decision_limit')}, detection limit {show('detection_limit')}{identified}, upper "
        f"bound {show('upper_bound')} {unit} ({percent(1 - alpha)} one-sided). "
        + above_one_limit(
            int(row["positive_mockups"]), n, f"{show('mockup_decision_limit')} {unit}",
            row["share_upper_bound"], f"{show('mockup_detection_limit')} {unit}", alpha, beta,
        )
    )  # fmt: skip


def run_lines(row: Row, why: Sequence[Note], alpha: float, beta: float) -> list[str]:
    """An arm of a run as lines: its verdict with its numbers, and why it is not another."""
    said = [f"{row['verdict'].upper()}."]
    if row["verdict"] in ("inconclusive", "not assessable"):
        said += sentences(why)
    if judged(row):
        said.append(numbers(row, alpha, beta))
        if row["verdict"] == "detected":
            low = to_error(2 * row["estimate"] - row["upper_bound"], row["standard_error"])
            said.append(f"Lower bound {low} {row['unit']}.")
    return wrap(" ".join(said), 96, initial_indent="    ", subsequent_indent="    ")
