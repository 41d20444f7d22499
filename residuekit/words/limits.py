"""The limits of a stratum side by side, and what the calibration plot shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean

from ..reprs import sentence_case
from .common import Row, Stratum, counted, in_words, number, stratum_words, true_minus, unit_words

LEVELS = {"mean": "arm's mean", "mockup": "one mock-up", "pixel": "one pixel"}
OF_VERDICTS = "pair of tests, noncentral t (the verdicts)"
OF_PIXELS = "normal, for all pixels of a map"
CALIBRATION_ALTERNATIVE = (
    "Found against known loading, a panel a stratum; the caption gives the numbers."
)
LEFT_OUT_HEADS = ("left out", "decision limit", "detection limit", "arms above")
NONE_LEFT_OUT = "none"
RECOVERY_HEADS = ("known, µg cm⁻²", "found, µg cm⁻²", "found over known by the others")
_MOST_ARMS = 4
_CALIBRATION_KEY = (
    "Circles: blank mock-ups; diamonds: spiked ones. Line: found equals known; shaded: one "
    "standard error of the slope. Where there are enough, the spiked mock-ups also show how "
    "mock-ups of the paint differ (methods.md: metric of the net signal)."
)


def table_caption(stratum: Stratum, score: str, unit: str) -> str:
    """What a table of limits holds."""
    return (
        f"{sentence_case(stratum_words(stratum))}: limits by the {score} ({unit_words(unit)}); the "
        "first two lines decide, the others stand beside them"
    )


def left_out_caption(stratum: Stratum) -> str:
    """What a table of the blanks left out in turn holds."""
    return (
        f"{sentence_case(stratum_words(stratum))}: limits, and the arms above them, without each "
        "blank in turn; the score's weights, its slope and the shape test stay as they are"
    )


def recovery_caption(stratum: Stratum, mean: float, low: float, high: float, n: int) -> str:
    """What is found of the loading of each spiked mock-up by a line without it.

    >>> recovery_caption(("alkyd", "none", 0.0), 1.0, 0.95, 1.05, 6)[:52]
    'Alkyd: recovery 1.00 (95% interval 0.95 to 1.05, 6 s'
    """
    return (
        f"{sentence_case(stratum_words(stratum))}: recovery {mean:.2f} (95% interval {low:.2f} to "
        f"{high:.2f}, {n} spiked mock-ups, each left out of the line in turn)"
    )


def arms_above(arms: Sequence[Row], n_arms: int) -> str:
    """Which arms are above a decision limit, of so many."""
    named = [f"{arm['treatment']} {arm['exposure_min']:g} min" for arm in arms[:_MOST_ARMS]]
    more = f" and {len(arms) - _MOST_ARMS} more" if len(arms) > _MOST_ARMS else ""
    return f"{len(arms)} of {n_arms}" + (f": {', '.join(named)}{more}" if named else "")


def not_possible(method: str, found: str, needed: str) -> str:
    """Why a method gives no limit."""
    return in_words(f"{method}: not possible here ({found}; needed: {needed}).")


def limits_disagree(
    low: tuple[str, float, tuple[float, float]], high: tuple[str, float, tuple[float, float]]
) -> str:
    """That two limits (method, value, interval) disagree, and which of them to trust."""
    shown = " and ".join(
        f"{digits(value)} ({digits(span[0])} to {digits(span[1])}; {method})"
        for method, value, span in (low, high)
    )
    return (
        f"The detection limits {shown} disagree: their intervals do not meet. Residuals of a "
        "calibration hold the errors of the loadings and of a line that does not fit, which blanks "
        "do not have; blanks alone do not show how a response scatters near the limit. Trust the "
        "higher one until spiked mock-ups near the lower one are seen."
    )


def misfit(p: float) -> str:
    """That a straight line does not describe the spiked mock-ups."""
    return (
        f"A straight line does not fit what was found of the loadings (lack of fit, p = {p:.2g}): "
        "the limits by calibration are in doubt."
    )


def digits(value: float) -> str:
    """Two digits: a limit from a few mock-ups is not known better."""
    if not math.isfinite(value) or abs(value) >= 10:
        return number(value, 2)
    return true_minus(f"{value:#.2g}")


def span(values: Sequence[float]) -> str:
    """The least and the greatest of some limits."""
    return " to ".join(dict.fromkeys((digits(min(values)), digits(max(values)))))


def method_words(method: str) -> str:
    """A method's name with its factor of the standard deviation in plain words."""
    return method.replace("exact delta", "factor by the noncentral t").replace(
        "2 t in place of delta", "factor twice Student's t"
    )


def calibration_caption(
    panels: Sequence[tuple[Stratum, str, str, int, Sequence[tuple[float, Sequence[float]]]]],
    not_drawn: int,
) -> str:
    """What was found of known loadings.

    A panel is stratum, score, unit, count of blanks, and (loading, what was found) in order.
    """
    said = ["Found against known loading."]
    for stratum, score, unit, blanks, loads in panels:
        means = "; ".join(
            f"{number(load)} known, {number(fmean(found))} found ({counted(len(found), 'mock-up')})"
            for load, found in loads
        )
        said.append(
            f"{sentence_case(stratum_words(stratum))}, {score}, {unit_words(unit)}: "
            f"{counted(blanks, 'blank')} about 0; {means}."
        )
    if not_drawn:
        said.append(f"{not_drawn} further {'stratum' if not_drawn == 1 else 'strata'} not drawn.")
    return " ".join([*said, _CALIBRATION_KEY])
