"""What a run answers: for the working exposure first, then arm by arm, in sentences.

Numbers are rounded to the second digit of their standard error; the tables keep all digits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from ..reprs import sentence_case
from ..schema import LOADING_UNIT, REFERENCE_FILM, VERDICTS
from .codes import Note, sentences
from .common import (
    Row,
    above_one_limit,
    as_films,
    asked_gels,
    counted,
    freedom_words,
    in_words,
    judged,
    listed,
    number,
    percent,
    residue_words,
    rounded,
    spectra_words,
    stratum_of,
    stratum_words,
    treated_words,
    unit_words,
    working_exposure,
    working_words,
)
from .scale import as_film

#: More places than this are counted in the headline, not named.
_MOST_NAMED = 6


def lower_bound(row: Row) -> float:
    """The one-sided lower bound of the mean: as far below the mean as the upper bound is above."""
    return float(2 * row["estimate"] - row["upper_bound"])


class Answer(NamedTuple):
    """The answer for the working exposure: one sentence, and what stands beside it."""

    headline: str
    further: str


def answer(
    rows: Sequence[Row],
    study: Mapping[str, Any],
    other_blanks: Callable[[Row], Note | None],
) -> Answer:
    """Answer the question of the study for its working exposure.

    `rows` are those of the verdicts of one residue, `study` names it (`residue`, else its
    `treatment`) and the treatments that may leave it (`left_by`); `other_blanks` says what is
    special about the blanks of a row.
    """
    gels = [gel for gel in _gels(study) if working_exposure(study, gel) is not None]
    if not gels:
        return Answer(
            "No working exposure was stated, so each arm has its own answer.",
            _others(rows),
        )
    own = [row for row in rows if is_working(row, study)]
    others = _others([row for row in rows if row not in own])
    if not own:
        working, named = working_words(study, gels), " or ".join(gels)
        with_gel = "" if " with " in working else f" with {named}"
        said = f"The working exposure of {working}{with_gel} was not tested"
        longer = list(_longer(rows, study))
        if not longer:
            return Answer(f"{said}: nothing here answers for it.", others)
        return Answer(
            f"{said}. A longer one answers for it if residue does not fall with exposure. "
            f"{' '.join(longer)}",
            others,
        )
    clauses = [
        f"{verdict} on {_places(matching, own)}"
        for verdict in VERDICTS
        if (matching := [row for row in own if row["verdict"] == verdict])
    ]
    compared = [f"{sentence_case(said)}." for said in _compared(own, other_blanks)]
    residue = study.get("residue", study["treatment"])
    said = (
        f"After the working exposure of {working_words(study, gels)}, residue of {residue} is "
        f"{'; '.join(clauses)}."
    )
    return Answer(" ".join([said, *compared]), others)


def each_residue(answers: Mapping[str, Answer]) -> Answer:
    """The answers for several residues as one, an answer a residue."""
    others = [
        f"{name}: {one.further[0].lower()}{one.further[1:]}"
        for name, one in answers.items()
        if one.further
    ]
    headline = " ".join(dict.fromkeys(one.headline for one in answers.values()))
    return Answer(headline, " ".join([*others, OVER_RESIDUES]))


#: How the tests of several residues stand to each other.
OVER_RESIDUES = "Each residue is judged by itself, with a rate of false alarms of its own."


def _gels(study: Mapping[str, Any]) -> Sequence[str]:
    """The treatments that may leave the residue, or any of them."""
    return study.get("left_by") or asked_gels(study)


def _longer(rows: Sequence[Row], study: Mapping[str, Any]) -> Iterator[str]:
    """Stratum by stratum and gel by gel the shortest longer exposure that is clean, if no shorter
    one is not."""
    gels, strata = _gels(study), dict[Any, list[Row]]()
    for row in rows:
        working = working_exposure(study, row["treatment"])
        if row["treatment"] in gels and working is not None and row["exposure_min"] > working:
            strata.setdefault((stratum_of(row), row["treatment"]), []).append(row)
    for (stratum, gel), longer in strata.items():
        place = stratum_words(stratum) + (f" with {gel}" if len(gels) > 1 else "")
        ordered = sorted(longer, key=lambda row: float(row["exposure_min"]))
        until = next((k for k, row in enumerate(ordered) if row["verdict"] == "detected"), None)
        clean = [row for row in ordered[:until] if row["verdict"] == "not detected"]
        if clean:
            time = float(clean[0]["exposure_min"])
            times = time / (working_exposure(study, gel) or time)
            limit = f"{rounded(clean[0], 'detection_limit')} {unit_words(str(clean[0]['unit']))}"
            yield (
                f"On {place} residue is not detected after {number(time)} min, "
                f"{number(times)} times as long (detection limit {limit}, "
                f"{_counts(clean[0])})."
            )
        else:
            yield f"On {place} no longer exposure is “not detected”."


def _compared(own: Sequence[Row], other_blanks: Callable[[Row], Note | None]) -> Iterator[str]:
    """Clauses on blanks that are not of the working exposure."""
    places: dict[str, list[str]] = {}
    for row in own:
        if judged(row) and (blanks := other_blanks(row)):
            place = stratum_words(stratum_of(row))
            places.setdefault(_blanks_words(blanks), []).append(place)
    everywhere = len({stratum_of(row) for row in own})
    for said, named in places.items():
        where = list(dict.fromkeys(named))
        if len(where) == everywhere:
            yield said
        elif len(where) <= _MOST_NAMED:
            yield f"{said} on {listed(where)}"
        else:
            yield f"{said} on {len(where)} of {everywhere} strata"


def _blanks_words(blanks: Note) -> str:
    if blanks.code == "untreated-comparator":
        return "compared with untreated blanks alone"
    times = [f"{time:g}" for time in blanks.numbers["exposures"]]
    stated = [f"of {listed(times)} min"] if times else []
    unstated = ["of unstated exposure"] if blanks.numbers["unstated"] else []
    return f"compared with blanks {listed([*stated, *unstated])}"


def is_working(row: Row, study: Mapping[str, Any]) -> bool:
    """Whether an arm is of the working exposure of its gel."""
    asked = study.get("working_exposures") or _gels(study)
    gel = row["treatment"]
    return bool(gel in asked and row["exposure_min"] == working_exposure(study, gel))


def _places(rows: Sequence[Row], own: Sequence[Row]) -> str:
    """Where a verdict holds; an absence with its detection limit and its n."""
    if len(rows) > _MOST_NAMED:
        named = f"{len(rows)} of {counted(len(own), 'arm')}"
        if rows[0]["verdict"] != "not detected":
            return named
        least = max(rows, key=lambda row: row["detection_limit"])
        limit = f"{rounded(least, 'detection_limit')} {unit_words(str(least['unit']))}"
        few, blanks = (
            min(int(row[name]) for row in rows) for name in ("n_mockups", "n_blank_mockups")
        )
        return (
            f"{named} (detection limits up to {limit}; {few} mock-ups or more against {blanks} "
            "blanks or more each)"
        )
    times, ways, gels = (
        len({row[name] for row in own}) > 1 for name in ("clearance_min", "clearance", "treatment")
    )
    return listed(_place(row, times, ways, gels) for row in rows)


def _place(row: Row, cleared: bool, by: bool, with_gel: bool) -> str:
    words = stratum_words(stratum_of(row))
    if with_gel:
        words += f" with {row['treatment']}"
    if cleared:
        words += f", cleared {row['clearance_min']:g} min"
    if by:
        words += f"{'' if cleared else ', cleared'} by {row['clearance'] or 'what is not said'}"
    if row["verdict"] == "not detected":
        limit = f"{rounded(row, 'detection_limit')} {unit_words(str(row['unit']))}"
        words += f" (detection limit {limit}, {_counts(row)})"
    elif row["verdict"] == "detected" or row["against_acceptance"] == "above":
        beyond = ", above what is accepted" if row["verdict"] != "detected" else ""
        unit = unit_words(str(row["unit"]))
        words += f" ({rounded(row, 'estimate')} {unit}{beyond}, {_counts(row)})"
    return words


#: The column `paired` -> what a count of mock-ups says of it.
_PAIRED = {"before": ", each against its own state before", "block": ", within panels"}


def _counts(row: Row) -> str:
    mockups = counted(int(row["n_mockups"]), "mock-up")
    paired = _PAIRED.get(row.get("paired", ""), "")
    return f"{mockups} against {counted(int(row['n_blank_mockups']), 'blank')}{paired}"


def _others(rows: Sequence[Row]) -> str:
    """What the other arms gave, counted by verdict; the detected ones by name."""
    if not rows:
        return ""
    tally = [
        f"{sum(row['verdict'] == verdict for row in rows)} {verdict}"
        for verdict in VERDICTS
        if any(row["verdict"] == verdict for row in rows)
    ]
    said = f"Other arms: {', '.join(tally)}, with their limits below."
    found = [row for row in rows if row["verdict"] == "detected"]
    if found:
        named = [f"{stratum_words(stratum_of(r))} after {r['exposure_min']:g} min of "
                 f"{r['treatment']}" for r in found[:_MOST_NAMED]]  # fmt: skip
        more = f", and {len(found) - len(named)} more" if len(found) > len(named) else ""
        said += f" Detected: {'; '.join(named)}{more}."
    return said


def arm_line(row: Row, study: Mapping[str, Any]) -> str:
    """An arm in a table of arms: the working exposure is marked, and the residue named."""
    marked = " (the working exposure)" if is_working(row, study) else ""
    words = f"{stratum_words(stratum_of(row))}, {treated_words(row)}"
    return sentence_case(f"{words}{marked}{residue_words(row)}")


def one_unit(rows: Sequence[Row]) -> str:
    """The unit of all arms that have numbers, in words; nothing where they have several."""
    units = {unit_words(str(row["unit"])) for row in rows if judged(row)}
    return units.pop() if len(units) == 1 else ""


def arms_caption(rows: Sequence[Row]) -> str:
    """What the table of a line an arm holds."""
    unit = one_unit(rows)
    said = "A line an arm: mock-ups and blanks, mean with its standard error, limit and bound"
    return f"{said}, in {unit}" if unit else said


def arm_cells(row: Row, *, with_unit: bool = False) -> list[str]:
    """The numbers of an arm in a line: its mock-ups and blanks, mean, detection limit, bound."""
    if not judged(row):
        return ["–"] * 5
    mean, error, seen, upper = (
        rounded(row, name)
        for name in ("estimate", "standard_error", "detection_limit", "upper_bound")
    )
    unit = f" {unit_words(str(row['unit']))}" if with_unit else ""
    counts = f"{int(row['n_mockups'])} / {int(row['n_blank_mockups'])}"
    return [counts, f"{mean} ± {error}{unit}", f"{seen}{unit}", f"{upper}{unit}", _share(row)]


def _share(row: Row) -> str:
    """How many mock-ups are above the limit of a single one, and what share of such may be."""
    above, n = row["positive_mockups"], int(row["n_mockups"])
    if above != above:
        return "–"
    said = f"{int(above)} of {n}"
    return said if above == n else f"{said}; share at most {row['share_upper_bound']:.0%}"


#: What is said of an arm beside its numbers; other remarks stand once for all arms.
_OF_ONE_ARM = (
    "paired-before", "blanks-without-before", "within-panels", "panels-not-used",
    "files-left-out", "shared-mockups",
    "untreated-before", "session-without-blank", "unequal-files", "partly-before",
    "no-difference-map",
    "confounded-columns", "pooled-columns",
    "references-left-out", "outlying-mockup",
)  # fmt: skip


def arm_sentences(
    row: Row, study: Mapping[str, Any], why: Sequence[Note], remarks: Sequence[Note], sunk: str = ""
) -> Iterator[str]:
    """A verdict with the numbers without which it is not given, its reasons and its remarks.

    `sunk` says beside the scale margin what residue in the paint would answer.
    """
    verdict = str(row["verdict"])
    reasons = [in_words(sentence_case(said)) for said in sentences(why)]
    if verdict in ("inconclusive", "not assessable"):
        yield from reasons
    if not judged(row):
        return
    yield _numbers(row, study)
    yield sunk
    yield from _mockups(row, study)
    if verdict == "detected":
        yield from reasons
    elif verdict == "not detected":
        yield from reasons[1:]
    of_arm = (note for note in remarks if note.code in _OF_ONE_ARM)
    yield from map(in_words, sentences(of_arm))


def _numbers(row: Row, study: Mapping[str, Any]) -> str:
    """Mean, bounds and detection limit, and where they lie beside the acceptance limit."""
    unit, sure = unit_words(str(row["unit"])), percent(1 - study["alpha"])
    error = row["standard_error"]
    mean = rounded(row, "estimate")
    if not math.isnan(error):
        mean += f" ± {rounded(row, 'standard_error')}"
    said = (
        f"Mean of {counted(int(row['n_mockups']), 'mock-up')} less that of "
        f"{counted(int(row['n_blank_mockups']), 'blank mock-up')}: {mean} {unit}"
    )
    if math.isnan(row["upper_bound"]):
        return f"{said}, without limits."
    upper, seen = rounded(row, "upper_bound"), rounded(row, "detection_limit")
    known = freedom_words(row["bound_degrees_of_freedom"])
    freedom = f", {known}" if known else ""
    if row["verdict"] == "detected" or row["against_acceptance"] == "above":
        low = rounded({**row, "lower_bound": lower_bound(row)}, "lower_bound")
        bounds = f"Lower bound {low}, upper bound {upper} {unit} ({sure} confidence each{freedom})"
    else:
        bounds = f"Upper bound {upper} {unit} ({sure} confidence{freedom})"
    film = as_film(row, study.get("density_g_cm3"))
    return " ".join([
        f"{said}. {bounds}. Detection limit {seen} {unit}{_identified(row, unit)}.",
        *film, _beside_the_limit(row, study),
    ])  # fmt: skip


def _identified(row: Row, unit: str) -> str:
    limit = row["identification_limit"]
    if limit == limit:
        return f", identification limit {rounded(row, 'identification_limit')} {unit}"
    return ""


def _beside_the_limit(row: Row, study: Mapping[str, Any]) -> str:
    """The bounds against the acceptance limit."""
    accepted = study["acceptance_limit_ug_cm2"]
    if accepted is None:
        return "The study states no acceptance limit to compare it with."
    if row["unit"] != LOADING_UNIT:
        return (
            "Without spiked mock-ups or a reference film of known loading the score has no unit "
            "of loading to compare with the acceptance limit."
        )
    limit = f"the acceptance limit of {number(accepted)} {unit_words(LOADING_UNIT)}"
    films = " (loadings by reference films)" if row["scale"] == REFERENCE_FILM else ""
    if row["verdict"] == "not detected":
        return (
            f"Upper bound and detection limit lie within {limit}{films}. So they would on a scale "
            f"of loading wrong by a factor of up to {number(row['scale_margin'], 2)}."
        )
    if row["upper_bound"] < accepted:
        return f"The upper bound lies below {limit}{films}."
    if lower_bound(row) > accepted:
        return f"Even the lower bound lies above {limit}{films}."
    return f"The mean may lie above or below {limit}{films}."


def _mockups(row: Row, study: Mapping[str, Any]) -> Iterator[str]:
    """The mock-ups one by one, and what of one may be missed."""
    if math.isnan(row["positive_mockups"]) or math.isnan(row["mockup_decision_limit"]):
        return
    unit = unit_words(str(row["unit"]))
    limit, seen = (
        f"{rounded(row, name)} {unit}" for name in ("mockup_decision_limit",
                                                    "mockup_detection_limit")
    )  # fmt: skip
    yield above_one_limit(
        int(row["positive_mockups"]), int(row["n_mockups"]), limit, row["share_upper_bound"], seen,
        study["alpha"], study["beta"],
    )  # fmt: skip
    if row["tolerance_bound"] == row["tolerance_bound"]:
        yield (
            f"If mock-ups scatter normally, 95% of them carry less than "
            f"{rounded(row, 'tolerance_bound')} {unit} ({percent(1 - study['alpha'])} confidence)."
        )


def how_to_read(study: Mapping[str, Any]) -> str:
    """What the words of a verdict mean, once."""
    sure, seen = percent(1 - study["alpha"]), percent(1 - study["beta"])
    return (
        "± is the standard error. Upper bound: the mean residue of these mock-ups lies below it "
        f"with {sure} confidence. Detection limit: a mean residue of this size is above the "
        f"decision limit with {seen} probability. Identification limit: it is called detected "
        f"with {seen} probability. Between the two the verdict may be inconclusive, by shape or "
        "foreign matter. Limits of one mock-up and limits of a mean are different quantities. "
        f"{as_films(study.get('density_g_cm3'))}"
    ).rstrip()


def behind(row: Row) -> str:
    """The maps and pixels, or single spectra, behind the mock-ups of an arm."""
    if row["n_maps"] != row["n_maps"]:
        return ""
    maps, pixels = int(row["n_maps"]), int(row["n_pixels"])
    if maps == pixels:
        return f"Behind it: {spectra_words(maps)}."
    return f"Behind it: {counted(maps, 'map')}, {counted(pixels, 'pixel')}."
