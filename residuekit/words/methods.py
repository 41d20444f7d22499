"""How a study was measured and judged: samples, controls, procedure, scores, limits, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from ..reprs import sentence_case, to_error
from ..schema import LOADING_UNIT, REFERENCE_FILM
from .codes import water_words
from .common import (
    Row,
    Stratum,
    also_nm,
    blank_words,
    counted,
    freedom_words,
    in_words,
    judged,
    listed,
    number,
    percent,
    rounded,
    stratum_of,
    stratum_words,
    true_minus,
    unit_words,
    working_words,
)
from .scale import slope_words

Study = Mapping[str, Any]

#: What a reader wants to know of the measurement, and the words of a column that holds it.
_INSTRUMENT = {
    "the instrument": ("instrument", "spectrometer", "microscope"),
    "the detector": ("detector",),
    "the spectral resolution": ("resolution",),
    "the number of scans": ("scans",),
    "the aperture or pixel size": ("aperture", "pixel_size"),
    "the age of the background": ("background",),
    "humidity and temperature": ("humidity", "rh", "temperature", "climate"),
}
_CRYSTAL = {"the ATR crystal and its angle": ("crystal", "angle")}
_MOST_VALUES = 6

DEFINITION = (
    "An arm is one paint, with its soiling and ageing (its stratum), under one gel for one "
    "exposure and one clearance; it holds several mock-ups."
)
SAFETY = (
    "Solvents, ultraviolet lamps, dry powders and gels: follow the safety data sheets and the "
    "local codes."
)
WORKS_AS_LISTED = (
    "Year, volume and pages are as reference lists give them; not every work was read again."
)
UNIT_OF_REPLICATION = (
    "The mock-up is the unit of replication: its maps are averaged, and neither maps nor pixels "
    "count as replicates."
)
#: Common practice, no source.
TRANSFLECTION = (
    "Caution: absorbance in transflection does not grow in proportion to the thickness of the "
    "film, and standing waves above the mirror distort bands. Loadings hold only where spiked and "
    "exposed mock-ups have films of like thickness on the same mirror."
)


class Layout(NamedTuple):
    """Pixels (rows, columns) of a map and their steps along x and y; no shape for point spectra,
    no steps where they are not known."""

    shape: tuple[int, int] | None = None
    steps: tuple[float, float] | None = None
    unit: str = ""

    @property
    def field(self) -> float:
        """The mapped field in mm2; NaN where it is not known."""
        if self.shape is None or self.steps is None:
            return math.nan
        return math.prod((*self.shape, *self.steps)) / 1e6

    def __str__(self) -> str:
        if self.shape is None:
            return "point spectra"
        words = f"maps of {self.shape[0]} × {self.shape[1]} pixels"
        if self.steps is None:
            return f"{words} of unknown step"
        steps = dict.fromkeys(map(number, self.steps))
        if math.isclose(*self.steps, rel_tol=1e-3):
            steps = dict.fromkeys([number(self.steps[0])])
        step = f"{' by '.join(steps)} {unit_words(self.unit)}"
        return f"{words}, step {step}, field {number(self.field)} mm²"


class ControlNote(NamedTuple):
    """What the blanks of a stratum leave open, a code with its times in minutes."""

    code: str
    exposures: tuple[float, ...] = ()
    few: tuple[float, ...] = ()


def question(study: Study) -> str:
    """What was looked for, and the acceptance limit with its reason."""
    asked = f"Residue of {study['treatment']} was looked for"
    if working := working_words(study, study.get("working_exposures") or [study["treatment"]]):
        asked += f"; the working exposure is {working}"
    return f"{asked}. {acceptance_limit(study)}"


def acceptance_limit(study: Study) -> str:
    """The acceptance limit with its reason."""
    limit, reason = study["acceptance_limit_ug_cm2"], study["acceptance_reason"].strip()
    if limit is None:
        return "The study states no acceptance limit."
    why = f"Reason given: {in_words(reason)}" if reason else "No reason was given."
    film = also_nm(limit, study.get("density_g_cm3"))
    return f"Acceptance limit: {number(limit)} µg cm⁻²{film}. {why}"


def tested(rows: Iterable[Row]) -> str:
    """The arms of a stratum."""
    return "; ".join(
        f"{_treated(row)} ({counted(int(row['n_mockups']), 'mock-up')})" for row in rows
    )


def _treated(row: Row) -> str:
    return f"{row['treatment']} {row['exposure_min']:g} min, cleared {row['clearance_min']:g} min"


def controls(blanks: Mapping[str, int], spiked: int, loads: Sequence[float]) -> list[str]:
    """The control mock-ups of a stratum: treatment of the blanks -> how many, and the spiked."""
    kinds = sorted((blank_words(kind), n) for kind, n in blanks.items())
    words = [counted(n, f"{kind} mock-up") for kind, n in kinds]
    if spiked:
        known = f"{listed(map(number, loads))} {unit_words(LOADING_UNIT)}"
        words.append(f"{counted(spiked, 'spiked mock-up')} ({known})")
    return words or ["no control that could be used"]


def references(n: int) -> str:
    """How the pure material is known."""
    if not n:
        return "There is no reference spectrum of the pure material."
    return f"The pure material is known from {n} reference {'spectrum' if n == 1 else 'spectra'}."


def control_sentences(notes: Iterable[tuple[Stratum, ControlNote]]) -> Iterator[str]:
    """What the blanks cannot say, each thing once with its strata."""
    groups: dict[str, list[str]] = {}
    for stratum, note in notes:
        groups.setdefault(_note(note), []).append(stratum_words(stratum))
    for said, where in groups.items():
        yield f"{', '.join(where)}: {said}"


def _note(note: ControlNote) -> str:
    given, few = (listed(f"{t:g}" for t in times) for times in (note.exposures, note.few))
    return {
        "untreated alone": "the blanks are untreated, so what water itself does to the paint is "
        "not subtracted from any arm.",
        "exposure unstated": "how long the water-only blanks were exposed is not stated, so every "
        "arm is compared with all of them, whatever its exposure.",
        "other exposures": f"the water-only blanks were exposed for {given} min; arms with fewer "
        f"than three of their own exposure ({few} min) are compared with all of them.",
        "no untreated": "there are no untreated blanks, so what water itself does to the paint is "
        "unknown.",
    }[note.code]


def paint_change(stratum: Stratum, n: Mapping[str, Any]) -> str:
    """What water alone did to the paint, from the numbers of the note ``water-change``."""
    size, error = n["size"], n["error"]
    spread = f" ± {to_error(error, error)}" if math.isfinite(error) else ""
    return (
        f"{stratum_words(stratum)}: water alone changed the {n['score']} by "
        f"{true_minus(to_error(size, error))}{spread} {unit_words(n['unit'])} (mean of "
        f"{n['n_water']} water-only less {n['n_untreated']} untreated mock-ups). {water_words(n)}"
    )


def technique(techniques: Mapping[str, int], layouts: Mapping[Layout, int]) -> str:
    """How the scored files were measured."""
    shapes: dict[str, int] = {}
    for layout, count in layouts.items():
        shapes[str(layout)] = shapes.get(str(layout), 0) + count
    return f"Technique: {_tally(techniques)}. Layout: {_tally(shapes)}."


def mapped_area(areas: Sequence[float], shares: Sequence[float]) -> str:
    """How much of a mock-up the maps cover (mm2, share of its surface), or that it is unknown."""
    if not areas:
        return "The mapped area is not known: the files do not give the step between pixels."
    said = f"The maps of one mock-up cover {_range(areas, number)} mm² together"
    if not shares:
        return (
            f"{said}. Which share of a mock-up that is, is not known: the table of measurements "
            "has no column mockup_area_cm2."
        )
    return f"{said}, {_range(shares, percent)} of its surface."


def surface(missed: Sequence[float], places: Sequence[int]) -> str:
    """What maps at few places may miss: the largest patch, as a share of the mock-up, that is
    missed in 5 of 100 cases, and the share of places that a few clean ones leave open.

    >>> surface([0.76], [2])[:58]
    'Were its maps laid at random, one round patch of 76% of a '
    """
    k = min(places)
    return (
        f"Were its maps laid at random, one round patch of {_range(missed, _whole)} of a mock-up "
        f"would be missed in 5 of 100 cases. {counted(k, 'clean place')} "
        f"leave{'s' * (k == 1)} up to {1 - 0.05 ** (1 / k):.0%} of such places open (95% "
        "confidence): places count, pixels do not."
    )


def _whole(share: float) -> str:
    return f"{share:.0%}"


def _range(values: Sequence[float], words: Any) -> str:
    return " to ".join(dict.fromkeys((words(min(values)), words(max(values)))))


def instrument(
    columns: Mapping[str, Mapping[str, int]], techniques: Iterable[str]
) -> Iterator[str]:
    """What the further columns say of the measurement, and what its author must add."""
    for name, counts in columns.items():
        yield f"{name.replace('_', ' ')}: {_tally(counts)}."
    asked = _INSTRUMENT | (_CRYSTAL if "atr" in techniques else {})
    words = {word for name in columns for word in name.casefold().replace("-", "_").split("_")}
    joined = " ".join(columns).casefold()
    lacking = [
        what for what, names in asked.items()
        if not any(name in words if len(name) < 4 else name in joined for name in names)
    ]  # fmt: skip
    if lacking:
        yield (
            f"The record does not hold {', '.join(lacking)}. State them beside this text, or in "
            "further columns of the table of measurements."
        )


def _tally(counts: Mapping[str, int]) -> str:
    """Things with their counts of files, the most frequent first, the rest counted."""
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    first = [f"{words} ({counted(count, 'file')})" for words, count in ordered[:_MOST_VALUES]]
    rest = len(ordered) - len(first)
    return "; ".join([*first, *([f"{rest} further values"] if rest else [])])


def step_words(step: Mapping[str, Any]) -> str:
    """A step of the procedure with every parameter.

    >>> step_words({"step": "crop", "low": 800, "high": 3800})
    'crop: low = 800, high = 3800'
    """
    given = ", ".join(f"{name} = {value}" for name, value in step.items() if name != "step")
    return f"{step['step']}: {given}" if given else str(step["step"])


def marker_words(marker: Mapping[str, Any]) -> str:
    """How a marker band is measured, and whence it is known."""
    what = "area" if marker["measure"] == "area" else f"height at {marker['position']:g} cm⁻¹"
    said = (marker["assignment"], marker["provenance"], "unspecific" * marker["unspecific"])
    known = ", ".join(text for text in said if text)
    window = f"{what} over a straight line, {marker['low']:g} to {marker['high']:g} cm⁻¹"
    return f"{window} ({known})" if known else window


def unspecific_marker(name: str) -> str:
    """What is said of a band that many materials share."""
    return (
        f"The marker {name!r} is unspecific: many materials absorb there. It decides only where "
        "every other score is blind; what it shows need not be the gel."
    )


def net_signal() -> str:
    """How the net signal is made."""
    return (
        "Net signal: the whole reference spectrum fitted by generalised least squares. Three "
        "nuisance shapes have a large variance: a shift of the paint's bands, an offset, a slope. "
        "The metric holds the scatter of pixels within the blank maps (shrunk) and the differences "
        "between mock-ups of the paint, as the supplement says. Each blank mock-up is "
        "scored by weights that were made without it, all others by the mean of these. The net "
        "analyte signal (Lorber 1986) is the same quantity for white noise."
    )


def mockup_differences(change_share: float, change_length: float) -> str:
    """How the metric learns how mock-ups differ; share and length of a change that is declared."""
    return (
        "How mock-ups of a paint differ enters the metric of the net signal. It is measured on "
        "replicates that no arm of the stratum is compared with: spiked mock-ups of one loading, "
        "untreated ones beside water-only ones, blanks of other ageings. It is estimated by "
        "restricted maximum likelihood (Patterson and Thompson 1971) on what the gel's spectrum "
        "and the nuisance shapes leave. A fifth of the smooth change found there enters, and the "
        "texture beyond that of the pixels. With fewer than three degrees of freedom a mild "
        f"smooth change is declared instead: {percent(change_share)} of the local absorbance, "
        f"correlated over {number(change_length)} cm⁻¹."
    )


def variation(row: Row) -> str:
    """Whether the metric of a stratum holds a measured change of the paint, or a declared one."""
    dof = row["degrees_of_freedom"]
    freedom = f"{dof} degree{'' if dof == 1 else 's'} of freedom among such replicates"
    how = f"measured, with {freedom}" if row["measured"] else f"declared, with only {freedom}"
    return f"{sentence_case(stratum_words(stratum_of(row)))}: how mock-ups differ is {how}."


def deciding_score(limit_factor: float) -> str:
    """Which score decides, and when one is blind."""
    return (
        "The deciding score was fixed before any exposed map was processed: the net signal, or "
        "else the first band of the list that is not blind. That band comes first where spiked "
        "mock-ups scatter clearly less about their own line by it. A score is blind when its "
        "response to the spiked mock-ups cannot be distinguished from zero. It is also blind when "
        f"the scatter of blank mock-ups, times {limit_factor:g} and in loading units, is above the "
        "acceptance limit and noise does not explain it."
    )


def blind_scores(blind: int, n: int) -> str:
    """How many scores are blind."""
    return (
        f"{counted(blind, 'score')} of {n} (each on each stratum) {'is' if blind == 1 else 'are'} "
        "blind: what they show is never read as an absence."
    )


def sight(row: Row, arms: Iterable[Row]) -> str:
    """What a score can detect on a stratum, and what it gave there: negative findings too.

    `row` is of the table of scores on strata, `arms` are the arms by this score.
    """
    unit = unit_words(str(row["unit"]))
    words = f"{sentence_case(row['score'])}: {number(row['mockup_limit'], 2)} {unit}"
    arms = [
        arm for arm in arms if stratum_of(arm) == stratum_of(row)
        and (arm["score"], arm["residue"]) == (row["score"], row["residue"])
    ]  # fmt: skip
    films = any(arm["scale"] == REFERENCE_FILM for arm in arms)
    slope = _slope(row, films) if row["unit"] == LOADING_UNIT else ""
    if row["blind"]:
        return f"{words}; blind, so it says nothing on this paint.{slope}"
    role = "it decides" if row["deciding"] else "it does not decide"
    own = [
        f"{_treated(arm)}: {arm['verdict']} (mean {rounded(arm, 'estimate')}, detection limit "
        f"{rounded(arm, 'detection_limit')}, upper bound {rounded(arm, 'upper_bound')} "
        f"{unit_words(str(arm['unit']))})"
        for arm in arms
        if judged(arm)
    ]
    return f"{words}; {role}.{slope} {'. '.join(own)}."


def _slope(row: Row, films: bool) -> str:
    """The slope with its standard error and degrees of freedom."""
    slope, error = (
        true_minus(to_error(row[name], row["slope_se"])) for name in ("slope", "slope_se")
    )
    rests = ", ".join(filter(None, ["by reference films" * films,
                                    freedom_words(row["slope_degrees_of_freedom"])]))  # fmt: skip
    return f" Slope {slope} ± {error} per {unit_words(LOADING_UNIT)} ({rests})."


def limits(
    study: Study, foreign: Sequence[str], least_ratio: float, scales: Sequence[str]
) -> Iterator[str]:
    """How limits, bounds and verdicts are made, each method with the work it comes from.

    `foreign` and `least_ratio` are of the confirmation; `scales` are what the loadings of the arms
    rest on.
    """
    alpha, beta = study["alpha"], study["beta"]
    sure = percent(1 - alpha)
    yield (
        "Limits are those of Currie (Currie 1968; Currie 1995). Above the decision limit a signal "
        "is called present. A loading at the detection limit is missed with a probability of "
        f"{beta:g}. The decision is a pair of one-sided tests, on the mean of the arm and on its "
        "highest mock-up, both with the scatter of the blank mock-ups. The two tests are equally "
        "strict. Without residue the chance that either or both call some present is "
        f"{alpha:g}. Detection limits follow from the noncentral t distribution for the same "
        "quantiles. Limits of an arm's mean, of one mock-up and of one pixel are different "
        "quantities."
    )
    yield (
        f"{slope_words(scales, study)}The upper bound of the mean is "
        f"one-sided at {sure}. It holds the scatter of blanks and of exposed mock-ups and the "
        "error of the slope; common blanks enter once. Degrees of freedom are after Satterthwaite "
        "1946. The lower bound lies as far below the mean. The share of mock-ups above the "
        "decision limit of one is bounded after Clopper and Pearson 1934, one-sided at "
        f"{sure}. The tolerance bound holds 95 % of such mock-ups with {sure} confidence if they "
        "scatter normally (ISO 16269-6)."
    )
    yield (
        "Detected: above a decision limit, with the shape of the reference, and not explained by "
        "foreign matter instead. A mean must also pass Welch's test (Welch 1947), one mock-up the "
        "scatter of the other exposed ones. For foreign matter, which only adds, the bands of "
        f"{', '.join(foreign[:-1])} and {foreign[-1]} are fitted with amounts of zero or more "
        "(Lawson and Hanson 1974). Their widths take three values, their strengths are free within "
        "bounds. What only the gel explains must be above a decision limit of its own. The gel "
        f"must explain more than {least_ratio:g} of what foreign matter explains beyond the "
        "scatter of blanks. The identification limit is the least loading that is called detected "
        f"with {percent(1 - beta)} probability, by simulation from the controls. Not detected: "
        "below both decision limits, detection limit and upper bound within the acceptance limit, "
        "and no other difference from the blanks that may mask gel. Not assessable: the maps "
        "failed the quality check, or every score is blind. Inconclusive: everything else."
    )


def _family(n_arms: int, chance: float) -> str:
    """The chance of a false alarm somewhere, where several arms are tested."""
    if n_arms < 2:
        return ""
    return (
        f". Were all clean, at least one would be above its limit in up to {chance:.0%} of such "
        "studies"
    )


def cannot_say(study: Study, n_arms: int, chance: float) -> list[str]:
    """What the verdicts leave open: shown with every verdict."""
    said = [
        "A verdict is about the mean of its arm. A single mock-up that carries less than its own "
        "detection limit may be missed, and so may a patch outside the maps.",
        "Residue that does not look like the reference, or that lies below the depth the "
        "measurement reaches, is not seen.",
        "Mock-ups are not the work of art: the verdict on an object is for the conservator "
        "responsible for it.",
        f"{counted(n_arms, 'arm')} in all were tested, each at {percent(study['alpha'])}"
        f"{_family(n_arms, chance)}.",
    ]
    if study["acceptance_limit_ug_cm2"] is None:
        said.append("The study states no acceptance limit, so nothing can be “not detected”.")
    return said
