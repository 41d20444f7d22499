"""How a study was measured and judged: procedure, scores, limits, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from ..reprs import sentence_case, to_error
from ..schema import LOADING_UNIT, REFERENCE_FILM, SPIKED
from .common import (
    Row,
    counted,
    freedom_words,
    judged,
    number,
    percent,
    rounded,
    stratum_of,
    stratum_words,
    treated_words,
    true_minus,
    unit_words,
)
from .scale import KNOWN, slope_words

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

SAFETY = (
    "Solvents, ultraviolet lamps, dry powders and gels: follow the safety data sheets and the "
    "local codes."
)
WORKS_AS_LISTED = (
    "Year, volume and pages are as reference lists give them; not every work was read again."
)
UNIT_OF_REPLICATION = (
    "The mock-up is the unit of replication: its spectra are averaged, and neither maps nor pixels "
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


class Used(NamedTuple):
    """What a study used: what loadings rest on (`SPIKED`, `REFERENCE_FILM`), whether there was a
    net signal, maps, an identification limit."""

    scales: frozenset[str]
    net: bool = True
    maps: bool = True
    identified: bool = True


def net_signal(maps: bool) -> str:
    """How the net signal is made, from maps or from single spectra."""
    metric = (
        "The metric holds the scatter of pixels within the blank maps (shrunk) and the differences "
        "between mock-ups of the paint, as the supplement says."
        if maps
        else "The metric holds the scatter of blank mock-ups, each a single spectrum (shrunk)."
    )
    return (
        "Net signal: the whole reference spectrum fitted by generalised least squares. Three "
        "nuisance shapes have a large variance: a shift of the paint's bands, an offset, a slope. "
        f"{metric} Each blank mock-up is scored by weights that were made without it, all others "
        "by the mean of these. The net analyte signal (Lorber 1986) is the same quantity for white "
        "noise."
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


def deciding_score(limit_factor: float, used: Used) -> str:
    """Which score decides, and when one is blind."""
    first = "the net signal, or else the first band" if used.net else "the first band"
    said = (
        "The deciding score was fixed before any exposed mock-up was processed: "
        f"{first} of the list{' that is not blind' if used.scales else ''}."
    )
    if used.net and SPIKED in used.scales:
        said += (
            " That band comes first where spiked mock-ups scatter clearly less about their own "
            "line by it."
        )
    if not used.scales:
        return f"{said} Without a known loading nothing shows whether a score is blind."
    known = " or ".join(f"{KNOWN[scale]}s" for scale in KNOWN if scale in used.scales)
    return (
        f"{said} A score is blind when its response to {known} cannot be distinguished from zero. "
        f"It is also blind when the scatter of blank mock-ups, times {limit_factor:g} and in "
        "loading units, is above the acceptance limit and noise does not explain it."
    )


def blind_scores(blind: int, n: int) -> str:
    """How many scores are blind."""
    return (
        f"{counted(blind, 'score')} of {n} (counted on each paint, soiling and ageing) "
        f"{'is' if blind == 1 else 'are'} blind: what they show is never read as an absence."
    )


def sight(row: Row, arms: Iterable[Row], own_units: Mapping[str, str]) -> str:
    """What a score can detect on a stratum, and what it gave there: negative findings too.

    `row` is of the table of scores on strata, `arms` are the arms by this score, `own_units` what
    each score is in before it has a loading.
    """
    unit = unit_words(str(row["unit"]))
    least = f"{number(row['mockup_limit'], 2)} {unit}"
    if math.isinf(row["mockup_limit"]):
        least = "it does not rise with loading"
    words = f"{sentence_case(row['score'])}: {least}"
    arms = [
        arm for arm in arms if stratum_of(arm) == stratum_of(row)
        and (arm["score"], arm["residue"]) == (row["score"], row["residue"])
    ]  # fmt: skip
    films = any(arm["scale"] == REFERENCE_FILM for arm in arms)
    slope = _slope(row, films, own_units[row["score"]]) if row["slope"] == row["slope"] else ""
    role = "it decides" if row["deciding"] else "it does not decide"
    own = [
        f"{treated_words(arm)}: {arm['verdict']} (mean {rounded(arm, 'estimate')}, detection limit "
        f"{rounded(arm, 'detection_limit')}, upper bound {rounded(arm, 'upper_bound')} "
        f"{unit_words(str(arm['unit']))})"
        for arm in arms
        if judged(arm)
    ]
    if row["blind"]:
        if not own:
            return f"{words}; blind, so it says nothing on this paint.{slope}"
        role = f"blind for the acceptance limit; {role}"
    return f"{words}; {role}.{slope} {'. '.join(own)}."


def _slope(row: Row, films: bool, unit: str) -> str:
    """The slope, in a unit per unit of loading, with its standard error and degrees of freedom."""
    slope, error = (
        true_minus(to_error(row[name], row["slope_se"])) for name in ("slope", "slope_se")
    )
    rests = ", ".join(filter(None, ["by reference films" * films,
                                    freedom_words(row["slope_degrees_of_freedom"])]))  # fmt: skip
    return f" Slope {slope} ± {error} {unit_words(unit)} per {unit_words(LOADING_UNIT)} ({rests})."


def limits(study: Study, foreign: Sequence[str], least_ratio: float, used: Used) -> Iterator[str]:
    """How limits, bounds and verdicts are made, each method with the work it comes from.

    `foreign` and `least_ratio` are of the confirmation.
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
        f"{slope_words(used.scales, study)} The upper bound of the mean is one-sided at {sure}. "
        "It holds the scatter of blanks and of exposed mock-ups"
        f"{' and the error of the slope' * bool(used.scales)}; common blanks enter once. Degrees "
        "of freedom are after Satterthwaite 1946. The lower bound lies as far below the mean. The "
        "share of mock-ups above the decision limit of one is bounded after Clopper and Pearson "
        f"1934, one-sided at {sure}. The tolerance bound holds 95% of such mock-ups with {sure} "
        "confidence if they scatter normally (ISO 16269-6)."
    )
    yield (
        f"{_detected(foreign, least_ratio) if used.net else _UNTESTED}"
        f"{_identified(beta) if used.identified else ''} Not detected: below both decision limits, "
        "detection limit and upper bound within the acceptance limit, and no other difference from "
        "the blanks that may mask gel. Not assessable: the "
        f"{'maps' if used.maps else 'spectra'} failed the quality check, or every score is blind. "
        "Inconclusive: everything else."
    )


#: What stands in place of the confirmation where there is no net signal.
_UNTESTED = (
    "Nothing can be called detected: the shape of a difference is tested by the net signal, which "
    "could not be made."
)


def _detected(foreign: Sequence[str], least_ratio: float) -> str:
    """When a difference is called detected."""
    return (
        "Detected: above a decision limit, with the shape of the reference, and not explained by "
        "foreign matter instead. A mean must also pass Welch's test (Welch 1947), one mock-up the "
        "scatter of the other exposed ones. For foreign matter, which only adds, the bands of "
        f"{', '.join(foreign[:-1])} and {foreign[-1]} are fitted with amounts of zero or more "
        "(Lawson and Hanson 1974). Their widths take three values, their strengths are free within "
        "bounds. What only the gel explains must be above a decision limit of its own. The gel "
        f"must explain more than {least_ratio:g} of what foreign matter explains beyond the "
        "scatter of blanks."
    )


def _identified(beta: float) -> str:
    return (
        " The identification limit is the least loading that is called detected with "
        f"{percent(1 - beta)} probability, by simulation from the controls."
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
        "detection limit may be missed, and so may a patch where nothing was measured.",
        "Residue that does not look like the reference, or that lies below the depth the "
        "measurement reaches, is not seen.",
        "Mock-ups are not the work of art: the verdict on an object is for the conservator "
        "responsible for it.",
        (f"{n_arms} arms in all were tested, each" if n_arms != 1 else "One arm was tested,")
        + f" at {percent(study['alpha'])}{_family(n_arms, chance)}.",
    ]
    if study["acceptance_limit_ug_cm2"] is None:
        said.append("The study states no acceptance limit, so nothing can be “not detected”.")
    return said
