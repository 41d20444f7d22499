"""What a run says beside its verdicts: series, ageing, margins, doses, sessions, pixels.

No sentence says that something is absent; a p-value above 0.05 is not an absence.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..reprs import to_error
from ..schema import LOADING_UNIT
from .common import (
    Row,
    arm_words,
    conditions_words,
    counted,
    listed,
    number,
    stratum_words,
    with_error,
)
from .differences import REGISTRATION, difference_maps

Rows = Sequence[Mapping[str, Any]]

#: The code of a finding -> its heading.
HEADINGS = {
    "exposure-series": "Does residue rise with exposure?",
    "exposure-margin": "Exposure margin",
    "acceptance": "Equivalence against the acceptance limit",
    "second-procedure": "The verdicts under a second procedure",
    "before-after": "Residue before and after ageing",
    "ageing-series": "Does residue rise with ageing?",
    "growth": "New absorption where gel was applied",
    "dose": "Dose of the ageing",
    "sessions": "Do the controls depend on the session?",
    "differences": "Where paired maps differ from before treatment",
    "pixels": "What the pixels of a map are worth",
}

#: Units of a dose as they are written -> as they are said.
DOSE_UNITS = {
    "h": "h", "hours": "h", "lx h": "lx h", "lux h": "lx h", "klx h": "klx h", "mlx h": "Mlx h",
    "kj m-2": "kJ m-2", "kj/m2": "kJ m-2", "kj/m²": "kJ m-2", "kj m-2 nm-1": "kJ m-2 nm-1",
}  # fmt: skip
_LIGHT = (
    "No years of display follow from a dose of light. That the effect depends on the dose alone "
    "fails for less stable colorants at high intensity. Lux and ultraviolet doses compare only by "
    "the lamp's spectrum."
)
_HEAT = (
    "Hours in a chamber stand for no other time by themselves. That needs temperature, humidity, "
    "and an activation energy with its range (`residuekit.trends.arrhenius`)."
)
_ACTIVATED = (
    "The energy dominates the factor, and the factor holds for that one process alone. Above a "
    "glass transition or a melting point (acrylic, wax, polyether) nothing may be extrapolated. "
    "Humidity changes soaps, crystallinity and hydroxyl bands by itself."
)
_AFTERWARDS = {
    "pixels": ("Mock-ups are the replicates, pixels never.",),
    "differences": REGISTRATION,
}


def made_elsewhere(n: int) -> str:
    """What a run did not take from ``runs/.cache``."""
    return (
        f"{counted(n, 'result')} in runs/.cache came from another user or machine, or had changed: "
        "computed again."
    )


def finding_sentences(code: str, rows: Rows, study: Mapping[str, Any]) -> tuple[str, ...]:
    """The sentences of a finding, from the numbers of its results."""
    if code in ("exposure-series", "ageing-series"):
        return tuple(
            series(row, study["alpha"]) if "rungs" in row else scores_differ(row) for row in rows
        )
    if code == "acceptance":
        return (
            f"One-sided at {study['alpha']:.0%}, by the upper bound of the mean.",
            *map(acceptance, rows),
            "A mean below the limit says nothing of a single mock-up.",
        )
    if code == "second-procedure":
        return tuple(second_procedure(rows))
    if code == "dose":
        cautions = dict.fromkeys(dose_caution(row["dose_unit"]) for row in rows)
        return (*map(stratum_dose, rows), *cautions)
    say = {"exposure-margin": exposure_margin, "before-after": ageing_change, "growth": growth,
           "sessions": control_drift, "differences": difference_maps,
           "pixels": map_worth}[code]  # fmt: skip
    return (*map(say, rows), *_AFTERWARDS.get(code, ()))


def series(row: Row, alpha: float = 0.05) -> str:
    """A series over exposure or ageing: what rose, or that no rise was found, with its counts."""
    unit, name = ("min", "exposure") if row["over"] == "exposure_min" else ("h", "ageing")
    rungs = ", ".join(f"{rung:g}" for rung in row["rungs"])
    means = ", ".join(map(with_error, row["means"], row["standard_errors"]))
    hits = ", ".join(f"{k} of {n}" for k, n in zip(row["positive"], row["n_mockups"], strict=True))
    tests = {"the mean": row["rise"], "the share above the limit": row["positives"]}
    rises = [words for words, test in tests.items() if test.p_value < alpha]
    found = (
        f"{listed(rises)} rise{'s' * (len(rises) == 1)} with {name}"
        if rises
        else f"no rise with {name} was found, which is not its absence"
    ).capitalize()
    alike = f"{'every' if any(row['positive']) else 'no'} mock-up is above the limit"
    return (
        f"{conditions_words(row)}: at {rungs} {unit} mean {means} {row['unit']}. Above the limit "
        f"of one mock-up: {hits}. {found} (one-sided). {row['test']}'s test of the means: "
        f"{_test(row['rise'], 'all means are equal')}. Cochran and Armitage's test of the shares: "
        f"{_test(row['positives'], alike)}."
    )


def _test(trend: Any, alike: str) -> str:
    """The p-value, exact or with the z that it is of; or why there is none."""
    if trend.p_value != trend.p_value:
        return f"nothing to test, {alike}"
    p = f"p = {trend.p_value:.2g}"
    return f"exact {p}" if trend.exact else f"z = {trend.z:.2f}, {p}"


def scores_differ(row: Row) -> str:
    """A series over ageing whose deciding score is not the same at every age."""
    return (
        f"{conditions_words(row)}: the deciding score differs by age ({', '.join(row['scores'])}), "
        "so there is no series."
    )


def exposure_margin(row: Row) -> str:
    """The longest exposure without a finding over the working one, with what stands behind it."""
    words, longest = conditions_words(row), row["longest_clean_min"]
    working = f"{row['working_exposure_min']:g} min"
    if not longest > 0:
        return f"{words}: no exposure margin, for none from {working} on is “not detected”."
    if row["at_least"]:
        bound = (
            "“Not detected” holds at the longest exposure tested. If residue cannot fall with "
            f"exposure (an assumption), all {row['n_mockups']} mock-ups from the working exposure "
            "on count."
        )
    else:
        bound = (
            f"A longer exposure was judged otherwise, so only the {row['n_mockups']} mock-ups of "
            "the shortest one count."
        )
    return (
        f"{words}: exposure margin {'at least ' if row['at_least'] else ''}{row['margin']:g}, "
        f"{longest:g} min not detected over {working} working exposure. At {longest:g} min: "
        f"{row['n_longest']} mock-ups, detection limit "
        f"{to_error(row['detection_limit'], row['standard_error'])}, upper bound "
        f"{to_error(row['upper_bound'], row['standard_error'])} {row['unit']}. {bound} Up to "
        f"{row['share_upper_bound']:.0%} of such mock-ups could stand out."
    )


def acceptance(row: Row) -> str:
    """The one-sided test of equivalence by its bound."""
    limit = f"the acceptance limit of {row['acceptance_limit']:g} {LOADING_UNIT}"
    words = "The mean lies below" if row["below"] else "It is not shown that the mean lies below"
    bound = to_error(row["upper_bound"], row["standard_error"])
    return (
        f"{arm_words(row)}: upper bound {bound}, mean "
        f"{with_error(row['estimate'], row['standard_error'])} ({row['n_mockups']:g} mock-ups "
        f"against {row['n_blank_mockups']:g} blanks). {words} {limit}."
    )


def second_procedure(rows: Rows) -> Iterator[str]:
    """The verdicts that depend on the procedure, and how many do."""
    differing = [row for row in rows if row["verdict"] != row["other_verdict"]]
    for row in differing:
        yield (
            f"{arm_words(row)}: {row['verdict']}; by the second procedure {row['other_verdict']}."
        )
    yield (
        f"{verdicts_depend(len(differing), len(rows))}; the study's own stands."
        if differing
        else f"None of {len(rows)} verdicts depends on which of the two procedures was used."
    )


def verdicts_depend(differing: int, n: int) -> str:
    """How many verdicts are others under the second procedure."""
    return f"{differing} of {n} verdicts depend on the procedure"


def by_second_procedure(remark: str) -> str:
    """A remark on what the second procedure gave."""
    return f"By the second procedure: {remark}"


def unusable_by_second(file: str, why: str) -> str:
    """A file that the second procedure cannot use."""
    return f"By the second procedure {file} could not be used: {why}"


def ageing_change(row: Row) -> str:
    """The residue of an arm before and after ageing."""
    unit = row["unit"]
    ages = ". ".join(
        f"After {row[f'{when}_h']:g} h {row[f'verdict_{when}']} (mean "
        f"{with_error(row[f'estimate_{when}'], error)}, detection limit "
        f"{to_error(row[f'detection_limit_{when}'], error)}, upper bound "
        f"{to_error(row[f'upper_bound_{when}'], error)} {unit})"
        for when in ("before", "after")
        for error in [row[f"standard_error_{when}"]]
    )
    said = f"{conditions_words(row)}. {ages}."
    if row["difference"] != row["difference"]:
        return f"{said} They cannot be subtracted: scores or units differ, or mock-ups are too few."
    found = (
        "The difference is distinguishable from zero."
        if row["low"] > 0 or row["high"] < 0
        else "We could not tell this difference from zero; one within the interval may be missed."
    )
    low, high = (to_error(row[name], row["standard_error"]) for name in ("low", "high"))
    return (
        f"{said} Difference {with_error(row['difference'], row['standard_error'])} {unit} "
        f"({row['confidence']:.0%} interval {low} to {high}, {_mockups(row)}). {found}"
    )


def _mockups(row: Row) -> str:
    return "the same mock-ups" if row["paired"] else "different mock-ups"


def growth(row: Row) -> str:
    """Absorption that grew with ageing where gel was applied, or that none was found."""
    young, aged, blank_young, blank_aged = row["n_mockups"]
    counts = (
        f"{conditions_words(row)}, {row['before_h']:g} to {row['after_h']:g} h ({_mockups(row)}; "
        f"gel {young} and {aged}, blanks {blank_young} and {blank_aged})"
    )
    quantity = row["quantity"]
    limit = (
        f"limit for all {row['n_channels']} channels together (median {row['typical_limit']:.2g} "
        f"in {quantity})"
    )
    if not row["windows"]:
        return (
            f"{counts}. No absorption was found that grows only where gel was applied. Growth "
            f"below the {limit} may be missed."
        )
    windows = "; ".join(
        f"{low:.0f}–{high:.0f} cm-1 (at {top:.0f} cm-1 by {grown:.2g} ± {error:.1g} in {quantity})"
        for low, high, top, grown, error in row["windows"]
    )
    return (
        f"{counts}. Absorption grows only where gel was applied in {windows}. "
        f"{limit.capitalize()}. That it is a product of the gel does not follow."
    )


def stratum_dose(row: Row) -> str:
    """The dose of the ageing of a stratum."""
    stratum = stratum_words((row["paint"], row["soiling"], 0.0))
    dose = dose_words(row["dose"], row["dose_unit"], row["ageing_h"])
    return f"{stratum}, aged {row['ageing_h']:g} h: {dose}."


def dose_words(value: float, unit: str, hours: float) -> str:
    """A dose of the table of measurements in words, with the mean level where it is one of light.

    >>> dose_words(150, "klx h", 3000)
    '150 klx h (0.05 klx on average)'
    """
    said = DOSE_UNITS.get(unit.casefold(), unit)
    if said.startswith("kJ") and hours > 0:
        return f"{value:g} {said} ({value / hours / 3.6:.3g} {said.replace('kJ', 'W')} on average)"
    if said.endswith("lx h") and hours > 0:
        return f"{value:g} {said} ({value / hours:.3g} {said.removesuffix(' h')} on average)"
    return f"{value:g} {said}"


def dose_caution(unit: str) -> str:
    """What may not be concluded from a dose in this unit."""
    return _HEAT if DOSE_UNITS.get(unit.casefold()) == "h" else _LIGHT


def light_dose(row: Row) -> str:
    """A dose of light, with what may not be concluded from it."""
    return f"{row['value']:.4g} {row['unit']} in {row['hours']:g} h. {_LIGHT}"


def acceleration(row: Row) -> str:
    """How many times faster a process is at the higher temperature, and what that rests on."""
    return (
        f"{row['factor']:.3g} times from {row['from_celsius']:g} to {row['to_celsius']:g} °C at "
        f"{row['energy_kj_mol']:g} kJ mol-1. {_ACTIVATED}"
    )


def normalised_rise(true: float, apparent: float) -> str:
    """What normalisation on a band of the gel takes from the rise of a marker."""
    return (
        f"the gel absorbs where the spectra are normalised: a true {true:.1%} rise of the marker "
        f"appears as {apparent:.1%}; normalise on a band free of gel, or not at all"
    )


def control_drift(row: Row) -> str:
    """What the session does to a repeated control."""
    found = (
        "The control depends on the session: measure every arm in every session."
        if row["found"]
        else "No effect of the session was found; a small one may be missed."
    )
    scatter = (
        ""
        if row["p_scatter"] != row["p_scatter"]
        else f" Scatter between sessions {number(row['session_sd'], 2)} "
        f"(p = {row['p_scatter']:.2g}), between mock-ups {number(row['mockup_sd'], 2)}."
    )
    return (
        f"{conditions_words(row)}: {row['score']} of {counted(row['n_mockups'], 'blank mock-up')} "
        f"over {len(row['sessions'])} sessions. Drift "
        f"{with_error(row['drift'], row['drift_error'])} {row['unit']} a session "
        f"(p = {row['p_value']:.2g}).{scatter} {found}"
    )


def map_worth(row: Row) -> str:
    """How many independent pixels the maps of a paint and role are worth."""
    of = f", residue of {row['residue']}" if row["residue"] else ""
    return (
        f"{row['paint']}, {row['role']}{of}: {row['pixels']:g} valid pixels of a map are worth "
        f"{_at_most('effective', row)} independent ones (medians of {row['n_maps']} maps, "
        f"{row['score']}). Maps reach from {_at_most('least', row)} to {_at_most('most', row)}."
    )


def _at_most(name: str, row: Row) -> str:
    """A worth in independent pixels; never rounded to more than the pixels that there are.

    >>> _at_most("most", {"most": 255.7, "pixels": 256}), _at_most("most", {"most": 3, "pixels": 4})
    ('255', '3')
    """
    said = number(row[name], 2)
    return said if float(said) <= row["pixels"] else f"{min(int(row[name]), row['pixels']):g}"
