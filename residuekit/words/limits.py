"""The limits of a stratum side by side, and what the calibration plot shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean

from .common import Row, counted, in_words, number, true_minus, unit_words

LEVELS = {"mean": "arm's mean", "mockup": "one mock-up", "pixel": "one pixel"}
OF_VERDICTS = "pair of tests, noncentral t (the verdicts)"
OF_PIXELS = "normal, for all pixels of a map"
CALIBRATION_ALTERNATIVE = (
    "Found against known loading, a panel a stratum; the caption gives the numbers."
)
LEFT_OUT_HEADS = (
    "left out",
    "decision limit",
    "detection limit",
    "arms above",
    "arms not detected",
    "not assessable",
)
NONE_LEFT_OUT = "none"
RECOVERY_HEADS = ("known, µg cm⁻²", "found, µg cm⁻²", "found over known by the others")
_MOST_ARMS = 4
_CALIBRATION_KEY = (
    "Circles: blank mock-ups; diamonds: spiked ones. Line: found equals known; shaded: one "
    "standard error of the slope. Where there are enough, the spiked mock-ups also show how "
    "mock-ups of the paint differ (methods.md: metric of the net signal)."
)


def table_caption(where: str, score: str, unit: str) -> str:
    """What a table of limits holds."""
    return (
        f"{where}: limits by the {score} ({unit_words(unit)}); the "
        "first two lines decide, the others stand beside them"
    )


def left_out_caption(where: str, within: bool = False) -> str:
    """What a table of the controls left out in turn holds."""
    panels = ", or each panel with all its mock-ups," if within else ""
    return (
        f"{where}: limits, and the arms above them, not detected and not assessable, without each "
        f"blank or spiked mock-up{panels} in turn; the score's weights and the shape test stay as "
        "they are"
    )


def recovery_caption(where: str, mean: float, low: float, high: float, n: int) -> str:
    """What is found of the loading of each spiked mock-up by a line without it.

    >>> recovery_caption("Alkyd", 1.0, 0.95, 1.05, 6)[:52]
    'Alkyd: recovery 1.00 (95% interval 0.95 to 1.05, 6 s'
    """
    return (
        f"{where}: recovery {mean:.2f} (95% interval {low:.2f} to "
        f"{high:.2f}, {n} spiked mock-ups, each left out of the line in turn)"
    )


def arms_of(arms: Sequence[Row], n_arms: int) -> str:
    """Which arms, of so many; named where it is some of them."""
    named = [f"{arm['treatment']} {arm['exposure_min']:g} min" for arm in arms[:_MOST_ARMS]]
    more = f" and {len(arms) - _MOST_ARMS} more" if len(arms) > _MOST_ARMS else ""
    told = f": {', '.join(named)}{more}" if 0 < len(arms) < n_arms else ""
    return f"{len(arms)} of {n_arms}{told}"


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
    """The least and the greatest of some limits, a dash where there is none."""
    known = [value for value in values if value == value] or [math.nan]
    return " to ".join(dict.fromkeys((digits(min(known)), digits(max(known)))))


def method_words(method: str) -> str:
    """A method's name with its factor of the standard deviation in plain words."""
    return method.replace("exact delta", "factor by the noncentral t").replace(
        "2 t in place of delta", "factor twice Student's t"
    )


def calibration_caption(
    panels: Sequence[tuple[str, str, str, int, Sequence[tuple[float, Sequence[float]]]]],
    not_drawn: int,
) -> str:
    """What was found of known loadings.

    A panel is where, score, unit, count of blanks, and (loading, what was found) in order.
    """
    said = ["Found against known loading."]
    for where, score, unit, blanks, loads in panels:
        means = "; ".join(
            f"{number(load)} known, {number(fmean(found))} found ({counted(len(found), 'mock-up')})"
            for load, found in loads
        )
        said.append(
            f"{where}, {score}, {unit_words(unit)}: {counted(blanks, 'blank')} about 0; {means}."
        )
    if not_drawn:
        said.append(f"{not_drawn} further {'stratum' if not_drawn == 1 else 'strata'} not drawn.")
    return " ".join([*said, _CALIBRATION_KEY])
