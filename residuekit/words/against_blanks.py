"""Sentences about the design of an arm: comparator, pairs and panels, what is confounded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

Numbers = Mapping[str, Any]
_MOST_NAMES = 6


def arms_tested(n: Numbers) -> str:
    """How many arms are tested, and the chance of a false alarm in one."""
    if n["n_arms"] == 1:
        return f"The only arm tested, at {n['alpha']:.0%}."
    return (
        f"One of {n['n_arms']} arms tested, each at {n['alpha']:.0%}. Were all clean, a false "
        f"alarm in at least one would come in up to {n['chance']:.0%} of studies."
    )


def paired(n: Numbers) -> str:
    """That mock-ups are compared with their own state before treatment."""
    said = (
        f"Each of {n['n_exposed']} exposed and {n['n_blanks']} blank mock-ups is compared with its "
        "own state before treatment."
    )
    if "scatter" not in n:
        return said
    return (
        f"{said} The blanks, repeats without gel, still differ from it by a standard "
        f"deviation of {n['scatter']:.2g} {n['unit']}: that pairing cannot take out."
    )


def within_panels(n: Numbers) -> str:
    """That an arm is judged within panels: how many, and by how many blanks."""
    said = (
        f"Judged within panels: {n['n_exposed']} exposed mock-ups on {n['n_panels']} "
        f"panel{'s' * (n['n_panels'] != 1)}, each less the mean of the blanks of its panel. The "
        f"scatter is that of {n['n_blanks']} blanks within {n['n_all']} "
        f"panel{'s' * (n['n_all'] != 1)} ({n['freedom']} degrees of freedom)."
    )
    if n["n_panels"] == 1:
        said += " One panel speaks for itself alone."
    if "scatter" in n:
        said += f" It is {n['scatter']:.2g} {n['unit']} a mock-up."
    if n["left_out"]:
        said += f" Left out for want of a second blank on their panel: {', '.join(n['left_out'])}."
    return said


def panels_not_used(n: Numbers) -> str:
    """That an arm is not judged within panels, and what that needs."""
    if n["panels"]:
        few = len(n["panels"]) == 1
        lacking = (
            f"panel{'' if few else 's'} {', '.join(n['panels'])} {'has' if few else 'have'} fewer "
            f"than {n['needed']} blanks"
        )
    elif n["n_without"]:
        lacking = f"{n['n_without']} exposed mock-ups without a panel"
    else:
        lacking = "too few blanks in all"
    return (
        f"Not judged within panels: {lacking}. Each panel of the arm needs {n['needed']} blanks, "
        f"an only panel {n['needed'] + 1}. Mock-ups of one panel count as independent here, which "
        "they may not be."
    )


def other_exposure(n: Numbers) -> str:
    """Of which exposures the water-only blanks are."""
    times = n["exposures"]
    stated = [" and ".join(f"{time:g}" for time in times) + " min"] if times else []
    given = " or ".join([*stated, *(["unstated exposure"] if n["unstated"] else [])])
    return f"The water-only blanks are of {given}, not all of the arm's {n['exposure_min']:g} min."


def named(mockups: Sequence[str]) -> str:
    """Mock-ups by their names, six at most."""
    more = f" and {len(mockups) - _MOST_NAMES} more" if len(mockups) > _MOST_NAMES else ""
    noun = "Mock-up" if len(mockups) == 1 else "Mock-ups"
    return f"{noun} {', '.join(mockups[:_MOST_NAMES])}{more}"


def lone_sessions(n: Numbers) -> str:
    """Sessions of an arm in which no blank was measured."""
    lone = n["sessions"]
    return (
        f"No blank of the arm was measured in session{'s' * (len(lone) > 1)} "
        f"{', '.join(lone)}. What differs between sessions cannot be distinguished from gel."
    )


def unequal_files(n: Numbers) -> str:
    """How many files stand behind a mock-up and behind a blank."""
    return (
        f"Files a mock-up: {n['exposed']:.3g} of the exposed, {n['blank']:.3g} of the blanks. The "
        f"more the maps of one mock-up differ, the more the limits are too "
        f"{'low' if n['exposed'] < n['blank'] else 'high'}."
    )


def _values(values: Sequence[str]) -> str:
    known = [value or "not said" for value in values]
    more = f" and {len(known) - _MOST_NAMES} more" if len(known) > _MOST_NAMES else ""
    return f"{', '.join(known[:_MOST_NAMES])}{more}"


def confounded(n: Numbers) -> str:
    """Columns that differ between an arm and its blanks."""
    said = "; ".join(
        f"{name} (exposed: {_values(own)}; blanks: {_values(others)})"
        for name, (own, others) in n["columns"].items()
    )
    return f"Confounded with the treatment: {said}. Their effect cannot be distinguished from gel."


def pooled(n: Numbers) -> str:
    """Columns that differ inside an arm and its blanks alike."""
    said = "; ".join(f"{name} ({_values(own)})" for name, own in n["columns"].items())
    return f"Pooled in this arm and in its blanks alike: {said}."
