"""The codes of a verdict: what each means, and the sentence that it and its numbers make.

A `Note` is what the deciding code says: a code and its numbers. To add a finding, make a note where
it is found and give its code a row in `CODES`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from ..reprs import sentence_case, to_error
from .against_blanks import (
    arms_tested,
    confounded,
    lone_sessions,
    named,
    other_exposure,
    paired,
    panels_not_used,
    pooled,
    unequal_files,
    within_panels,
)
from .common import arm_words, counted, percent, with_error
from .differences import no_difference_map
from .scale import KNOWN, film_scale_words, matrix_words

Numbers = Mapping[str, Any]


class Note(NamedTuple):
    """A code of `CODES` and the numbers that its sentence needs; JSON can hold both."""

    code: str
    numbers: Numbers = MappingProxyType({})


def to_json(note: Note) -> list[Any]:
    """A note as JSON holds it: a number that is not finite becomes its name."""
    return [note.code, {key: _plain(value) for key, value in note.numbers.items()}]


def from_json(entry: Sequence[Any]) -> Note:
    """A note again from `to_json`."""
    code, numbers = entry
    return Note(code, _numbers(numbers))


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value


def _numbers(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _numbers(one) for key, one in value.items()}
    return float(value) if value in ("nan", "inf", "-inf") else value


class Code(NamedTuple):
    """What a code means, for the guide, and the sentence it makes with its numbers.

    An `obstacle` is half a sentence: what stands between an arm below its decision limit and the
    verdict "not detected".
    """

    meaning: str
    sentence: Callable[[Numbers], str]
    obstacle: bool = False


def sentence(note: Note) -> str:
    """The sentence of a note."""
    return CODES[note.code].sentence(note.numbers)


def sentences(notes: Iterable[Note]) -> list[str]:
    """The sentences of notes in their order; obstacles are joined to one."""
    listed = list(notes)
    obstacles = [sentence(note) for note in listed if CODES[note.code].obstacle]
    said = [sentence(note) for note in listed if not CODES[note.code].obstacle]
    if obstacles:
        said.insert(0, f"Below the decision limit, but {'; '.join(obstacles)}.")
    return said


_RESPONSES = {
    "no-response": "cannot be distinguished from zero",
    "negative-response": "is negative: the score falls with loading",
}


def blindness_words(code: str, numbers: Numbers) -> str:
    """Why a score is blind on a paint, half a sentence."""
    if code in _RESPONSES:
        slope = with_error(numbers["slope"], numbers["slope_se"] or math.nan)
        sure = numbers.get("confidence")
        return (
            f"its response to {counted(numbers['n_spiked'], KNOWN[numbers['scale']])}, "
            f"{slope} per {numbers['unit']}, {_RESPONSES[code]}"
            + (f" ({percent(sure)} confidence)" if sure else "")
        )
    return (
        "mock-ups of the paint vary so much that one would have to carry {mockup_limit:.3g} {unit} "
        "(acceptance limit {acceptance_limit:.3g}; by noise alone {noise_limit:.3g})"
    ).format(**numbers)


def _shape(n: Numbers) -> str:
    said = (
        f"The reference explains {n['share']:.0%} of the difference beyond the scatter of the "
        f"blanks. It leaves {n['left']:.1f} times what that scatter leaves. A shape is refused "
        "above 3 times with less than 80% explained."
    )
    if n["weak"]:
        said += " That is too little to prove the gel by its shape."
    return said


def _foreign(n: Numbers) -> str:
    known = f"{', '.join(n['foreign'][:-1])} and {n['foreign'][-1]}"
    more = "more than 10" if n["ratio"] > 10 else f"{n['ratio']:.2g}"
    return (
        f"Beside {known}, {n['amount']:.3g} times the reference is still needed (decision limit "
        f"{n['limit']:.3g}). The gel alone explains {more} times what these explain (needed "
        f"{n['needed']:g})."
    )


def _confirmed(n: Numbers) -> str:
    return (
        "The difference looks like the gel, and minerals or soaps alone cannot explain it. "
        f"{_shape(n)} {_foreign(n)}"
    )


def _not_excluded(n: Numbers) -> str:
    return (
        "Above the decision limit, but minerals, starch or soaps may explain the difference. "
        f"{_foreign(n)}"
    )


def _uneven(n: Numbers) -> str:
    return (
        f"The exposed mock-ups scatter {n['ratio']:.2g} times as widely as the blanks (by chance "
        f"in fewer than {n['chance']:.0%} of arms). Either residue lies unevenly, or their paint "
        "varies more. If the paint does, the limits are too low and a false alarm is likelier."
    )


def _permuted(n: Numbers) -> str:
    ways = f"all {n['labellings']} ways" if n["exact"] else f"{n['labellings']} ways by lot"
    there = "within their panels " if n.get("within") else ""
    said = (
        f"Labels of blank and exposed mock-ups exchanged {there}in {ways}: {100 * n['p']:.2g} % "
        "give as large a mean difference."
    )
    if n["agrees"]:
        return said
    if n["labellings"] * n.get("alpha", 1.0) < 1:
        return f"{said} So few ways cannot support a difference at {n['alpha']:.2g}."
    if n["above"]:
        return f"{said} This test assumes no form of scatter, and does not support the difference."
    return f"{said} This test would call it a difference."


def _outlying(n: Numbers) -> str:
    return (
        f"Mock-up {n['mockup']} stands apart from the {n['n']} {n['role']} mock-ups by "
        f"{n['score']}. It lies {n['times']:.3g} standard deviations from their mean (by chance in "
        f"fewer than {n['rate']:.0%} of such groups, Grubbs). It stays in: see whether it was "
        "contaminated, exchanged or measured amiss."
    )


def _references_differ(n: Numbers) -> str:
    return (
        f"The references of the gel differ in response by up to {n['times']:.2g} times. Loadings "
        "are those of what was spiked. The component that is hardest to see may be present in so "
        "many times as much."
    )


def _no_reference(n: Numbers) -> str:
    lost = f" could be used ({', '.join(n['lost'])} left out)" if n["lost"] else ""
    return (
        f"No reference of {n['material']}{lost}, so no net signal and no shape test. The spectrum "
        "of another material cannot stand in."
    )


def water_words(n: Numbers) -> str:
    """How a change of the paint by water was judged."""
    if n["few"]:
        return "There are too few mock-ups to tell this change from zero."
    found = (
        "It is distinguishable from zero"
        if n["changed"]
        else "We could not tell this change from zero"
    )
    return f"{found} (Welch, two-sided {n['level']:.0%})."


def _water(n: Numbers) -> str:
    error = n["error"]
    spread = f" ± {to_error(error, error)}" if math.isfinite(error) else ""
    return (
        f"Water alone changed {n['score']} by {to_error(n['size'], error)}{spread} "
        f"{n['unit']} (mean of {n['n_water']} water-only less {n['n_untreated']} untreated "
        f"mock-ups). {water_words(n)}"
    )


def _text(template: str) -> Callable[[Numbers], str]:
    return lambda numbers: template.format(**numbers)


CODES: dict[str, Code] = {
    # why the verdict is what it is
    "no-blank": Code("no blank map of the arm could be used",
                     _text("No blank map of this arm could be used.")),
    "no-score": Code("no score could be made", _text("No score could be made.")),
    "no-exposed": Code("no exposed map of the arm could be used",
                       _text("No exposed map of this arm could be used.")),
    "quality-failed": Code(
        "more than half of the arm's files, or of its blanks', failed the quality check",
        _text("The maps are not fit to be judged: {n_unfit} of {n_files} {kind}, for one {why}.")),
    "few-blanks": Code("fewer than three blank mock-ups",
                       _text("Blank mock-ups: only {n}; at least {needed} are needed.")),
    "all-blind": Code(
        "every score is blind on this paint",
        lambda n: f"Every score is blind on this paint. {sentence_case(n['score'])}: "
        f"{blindness_words(n['code'], n)}."),
    "above-but-blind": Code("every score is blind, and the first is above its decision limit",
                            _text("It is above its decision limit all the same.")),
    "limit-above-acceptance": Code(
        "the acceptance limit is below what the paint's scatter lets any score see",
        lambda n: f"The acceptance limit is stricter than {n['score']} can see on this paint. "
        f"{sentence_case(blindness_words(n['code'], n))}."),
    "uneven": Code(
        "above the decision limit, but the exposed mock-ups may merely vary more than the blanks",
        _text("Above the decision limit, but this may be the scatter of the exposed mock-ups. "
              "Their mean is not above that of the blanks by Welch's test (p = {p:.2g}, needed "
              "below {alpha:g}). No mock-up stands out beside the others.")),
    "shape-untested": Code(
        "above the decision limit, without a reference to compare the shape with",
        _text("Above the decision limit, but without a reference its shape is untested.")),
    "shape-refused": Code(
        "above the decision limit, with a shape that is not the reference's",
        lambda n: f"Above the decision limit, but the difference does not look like the gel. "
        f"{_shape(n)}"),
    "foreign-not-excluded": Code(
        "above the decision limit, and foreign matter alone may explain the difference",
        _not_excluded),
    "confirmed": Code("above the decision limit and confirmed as the gel", _confirmed),
    "no-acceptance-limit": Code("the study states no acceptance limit",
                                _text("the study states no acceptance limit"), obstacle=True),
    "no-loading-scale": Code(
        "no spiked mock-ups and no reference film, so the score has no unit of loading",
        _text("without spiked mock-ups or a reference film of known loading the score has no "
              "loading unit"), obstacle=True),
    "film-margin": Code(
        "loadings rest on reference films, and the scale margin that this needs is not kept",
        _text("loadings rest on reference films, so detection limit and upper bound must lie "
              "{needed:g} times below the acceptance limit (they lie {kept:.2g} times below)"),
        obstacle=True),
    "film-scale": Code("loadings rest on reference films, not on spiked mock-ups",
                       film_scale_words),
    "matrix-effect": Code(
        "how strongly spiked mock-ups answer beside reference films, per loading", matrix_words),
    "detection-limit-above-acceptance": Code(
        "the detection limit is above the acceptance limit",
        _text("the detection limit {detection_limit:.3g} {unit} is above the acceptance limit "
              "{acceptance_limit:.3g}"), obstacle=True),
    "bound-above-acceptance": Code(
        "the upper bound is not below the acceptance limit",
        _text("the upper bound {upper_bound:.3g} {unit} is not below the acceptance limit "
              "{acceptance_limit:.3g}"), obstacle=True),
    "unexplained-difference": Code(
        "the arm differs from its blanks by something that is not the gel and may mask it",
        _text("something else than the gel differs ({ratio:.0f} times what blanks leave) and may "
              "mask it"), obstacle=True),
    "far-beyond-spikes": Code(
        "detection limit or upper bound are above 1.5 times the highest known loading",
        lambda n: f"limits of {n['reach']:.3g} {n['unit']} lie far beyond the highest "
        f"{KNOWN[n['scale']]} ({n['highest']:.3g}), where the response is unknown",
        obstacle=True),
    "few-exposed": Code("fewer than three exposed mock-ups",
                        _text("exposed mock-ups: only {n} ({needed} are needed)"), obstacle=True),
    "within-acceptance": Code(
        "below the decision limit, with detection limit and upper bound within the acceptance "
        "limit",
        _text("Below the decision limit; detection limit and upper bound lie within the "
              "acceptance limit of {acceptance_limit:.3g} {unit}. That holds while the scale of "
              "loading is wrong by a factor below {scale_margin:.2g}.")),
    "scatter-above-blanks": Code(
        "the exposed mock-ups scatter far more than the blanks (F test)", _uneven),
    "below-blanks": Code(
        "the upper bound is below 0: the exposed mock-ups read lower than the blanks",
        lambda n: "The exposed mock-ups read lower than the blanks: the upper bound lies below 0, "
        f"as in up to {percent(n['alpha'])} of clean arms. If not by chance, something other than "
        "residue parts them."),
    "beyond-spikes": Code(
        "detection limit or upper bound are above the highest known loading",
        lambda n: f"The limits reach to {n['reach']:.3g} {n['unit']}, beyond the highest "
        f"{KNOWN[n['scale']]} ({n['highest']:.3g}): an extrapolation."),
    "permuted-labels": Code(
        "a second opinion: the labels of blank and exposed mock-ups exchanged", _permuted),
    # what stands beside it
    "does-not-decide": Code("a score that does not decide: what it would say by itself",
                            _text("This score does not decide; by itself it would say so.")),
    "band-sees-better": Code(
        "a band decides: beside it the net signal scatters too widely among spiked mock-ups",
        _text("{score} decides, for it sees better than the net signal. By that, {n_spiked} spiked "
              "mock-ups have {ratio:.2g} times the variance about their own line. A band decides "
              "above {needed:.2g} times.")),
    "untreated-comparator": Code(
        "compared with untreated blanks alone",
        _text("Compared with untreated blanks alone, so an effect of water on the paint stays "
              "in.")),
    "other-exposure": Code("the blanks are not all of the arm's exposure", other_exposure),
    "paired-before": Code(
        "each mock-up is compared with its own state before treatment",
        paired),
    "blanks-without-before": Code(
        "blanks that were not measured before treatment are left out of a paired arm",
        lambda n: f"Left out for want of a measurement before treatment: {n['n']} blank mock-ups "
        f"({', '.join(n['mockups']) if 'mockups' in n else 'numbers ' + n['places']})."),
    "partly-before": Code(
        "some mock-ups were measured before treatment, too few to pair the arm",
        _text("Measured before treatment: {n_exposed} of {m} exposed mock-ups and {n_blanks} of "
              "{n} blanks. Pairing needs every exposed one and {needed} blanks. The arm is judged "
              "unpaired.")),
    "no-difference-map": Code(
        "a paired mock-up has no map of what each pixel differs by from before: why, what it needs",
        no_difference_map),
    "within-panels": Code(
        "the arm is judged within panels: each mock-up is compared with the blanks of its panel",
        within_panels),
    "panels-not-used": Code(
        "mock-ups share panels that have too few blanks for the arm to be judged within them",
        panels_not_used),
    "several-arms": Code("how many arms the study tests, and the chance of a false alarm in one",
                         arms_tested),
    "loadings-checked": Code(
        "the study states that its loadings were checked: implausible ones are not refused",
        _text("The loadings rest on the statement that they were checked (loading_checked): "
              "implausible ones are not refused.")),
    "files-left-out": Code("files of the arm that could not be used",
                           lambda n: f"Left out: {', '.join(n['files'])}."),
    "shared-mockups": Code(
        "mock-ups of the arm stand in another arm too",
        lambda n: f"{named(n['mockups'])} also in {arm_words(n['arm'])}. The two arms are not "
        "independent."),
    "untreated-before": Code(
        "mock-ups of the arm stood among the untreated blanks before",
        lambda n: f"{named(n['mockups'])} among the untreated blanks too. These and the arm are "
        "not independent."),
    "session-without-blank": Code("exposed mock-ups were measured in sessions without a blank",
                                  lone_sessions),
    "unequal-files": Code("exposed mock-ups and blanks have unlike numbers of files",
                          unequal_files),
    "confounded-columns": Code(
        "further columns of the table differ between the arm and its blanks", confounded),
    "pooled-columns": Code("further columns of the table differ inside the arm", pooled),
    "no-reference": Code("no reference of the material that the treatment may leave",
                         _no_reference),
    "no-net-signal": Code("no net signal could be made", _text("No net signal: {found}.")),
    "single-spectra": Code(
        "one spectrum a mock-up, and too few blanks for a net signal from how these differ",
        _text("No net signal. Each mock-up is a single spectrum, which shows no scatter within it. "
              "{n} blank mock-ups are too few to take it from how these differ ({needed} are "
              "needed).")),
    "net-from-means": Code(
        "one spectrum a mock-up: the net signal rests on how the blanks differ",
        _text("Each mock-up is a single spectrum. The net signal rests on how {n} blank mock-ups "
              "differ, each scored without itself.")),
    "outlying-mockup": Code(
        "a mock-up stands apart from the others of its kind (Grubbs, 1 %); it is not left out",
        _outlying),
    "references-left-out": Code("some references could not be used",
                                lambda n: f"References left out: {', '.join(n['files'])}."),
    "references-differ": Code("the references of the gel respond unlike", _references_differ),
    "reference-lacks-band": Code(
        "no reference has a band in a marker's window",
        lambda n: f"No reference of the material has a band in the window of "
        f"{' and of '.join(n['markers'])}. The net signal does not answer to what is seen there. A "
        "residue with that band does not have the reference's shape."),
    "reference-unlike-spikes": Code(
        "the spiked mock-ups differ from blanks by another spectrum than the reference's",
        _text("The references explain only {share:.0%} of the difference of {n_spiked} spiked "
              "mock-ups from blanks. Another material was put on, or it changed.")),
    "water-change": Code("what water alone did to the paint", _water),
}  # fmt: skip
