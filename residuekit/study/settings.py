"""The settings of a study, study.toml: read, and refused with all that is wrong with them."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..decision.claims import SCALE_MARGIN
from ..errors import Fault, ResiduekitError
from ..io.opening import MOST_TOML, content
from ..markers import in_deciding_order, resolve
from ..schema import FIGURE_EXTRAS, FIGURE_WIDTHS, NET_SIGNAL
from ..spectra.procedure import Procedure
from ..spectra.quality import THRESHOLDS
from ..spectra.step_files import pinned, step_files
from ..toml_lines import lines_of, load_toml
from ..validator import (
    RATE,
    Field,
    Fields,
    Place,
    check,
    choice,
    flag,
    listed,
    number,
    table,
    tables,
    text,
)
from .file_faults import place_of
from .how_read import READING
from .residues import AMOUNTS, RESIDUE, Residue, amounts_of, read_residues

SETTINGS = "study.toml"
#: SPDX names of licences for data.
LICENCES = (
    "CC0-1.0", "CC-BY-4.0", "CC-BY-SA-4.0", "CC-BY-NC-4.0", "CC-BY-NC-SA-4.0", "CC-BY-ND-4.0",
    "ODC-By-1.0", "ODbL-1.0", "PDDL-1.0",
)  # fmt: skip
SCORES = ("band", NET_SIGNAL)

_LOW, _HIGH = FIGURE_WIDTHS


def is_orcid(value: Any) -> bool:
    """Whether a text is an ORCID iD with its check digit (ISO 7064, mod 11-2).

    >>> is_orcid("0000-0000-0000-0001"), is_orcid("0000-0000-0000-0002")
    (True, False)
    """
    if not isinstance(value, str) or not re.fullmatch(r"(\d{4}-){3}\d{3}[\dX]", value):
        return False
    total = 0
    for digit in value.replace("-", "")[:-1]:
        total = 2 * (total + int(digit))
    return "0123456789X"[(12 - total % 11) % 11] == value[-1]


def is_exposure(value: Any) -> bool:
    """Whether it is minutes, or a table of those of each treatment."""
    times = list(value.values()) if isinstance(value, dict) else [value]
    one = number(above=0, example="2")
    return bool(times) and all(map(one.fits, times))


#: Thresholds that are shares of a whole.
_SHARES = ("least_valid", "least_contact")
#: What may stand in study.toml.
FIELDS: Fields = {
    "title": text(least=0),
    "question": table({
        "treatment": text(default=""),
        "working_exposure_min": Field(
            "a number above 0, or one for each treatment", "2", is_exposure
        ),
        **AMOUNTS,
        "acceptance_reason": text(least=0, default=""),
    }),
    "residue": tables(RESIDUE, default=()),
    "reading": READING,
    "procedure": table(),  # `Procedure.from_toml` checks what stands in these two
    "second_procedure": table(),
    "markers": table({
        "use": listed(example='["pva C-O 1092"]', default=()),
        "scores": listed(choice(SCORES), "a list of scores", f"{list(SCORES)}", 1, default=SCORES),
    }),
    "limits": table({
        "alpha": RATE, "beta": RATE, "loading_checked": flag(default=False),
        "scale_margin": number(least=1, example="3", default=SCALE_MARGIN),
    }),
    "quality": table({
        name: number(above=0, most=1 if name in _SHARES else math.inf, example=f"{value or 1}")
        for name, value in THRESHOLDS.items()
    }),
    "figure": table({
        "width_mm": number(unit="mm", least=_LOW, most=_HIGH, example=f"{_LOW:g}"),
        "image": text(),
        "image_affine": listed(),
        "image_mockup": text(),
        "also": listed(choice(FIGURE_EXTRAS), "a list of figures", f"{list(FIGURE_EXTRAS)}"),
    }),
    "deposit": table({
        "authors": tables({
            "name": text("family name, comma, given names", '"Family, Given"', needed=True),
            "orcid": Field("an ORCID iD", '"0000-0000-0000-0001"', is_orcid),
            "affiliation": text(),
        }, '[{ name = "Family, Given" }]'),
        "licence": choice(LICENCES, example='"CC-BY-4.0"'),
        "description": text(),
        "publisher": text("the repository that takes it", '"..."'),
        "keywords": listed(text()),
        "funding": text(),
    }),
    "notebooks": table(each=table()),  # `notebooks.prepare` checks what stands in each
}  # fmt: skip


def read_settings(folder: Path) -> tuple[dict[str, Any], Place, list[Fault]]:
    """Read the parts of a manifest that study.toml states, its lines, and every fault in it."""
    written, settings, faults = "", {}, []
    try:
        read = content(folder / SETTINGS, MOST_TOML).decode("utf-8-sig")
        settings = load_toml(read, SETTINGS)
        written = read
    except ResiduekitError as problem:
        faults = [replace(fault, file=SETTINGS) for fault in problem.faults]
        if not (folder / SETTINGS).exists():
            fix = "residuekit new DIR writes one to fill in: copy it here"
            faults = [Fault(f"no {SETTINGS}", "the settings of the study", fix, SETTINGS)]
    except UnicodeDecodeError as problem:
        found = f"a file that cannot be read ({problem})"
        faults = [Fault(found, "the settings of the study", "save it as UTF-8 text", SETTINGS)]
    place = Place(SETTINGS, lines_of(written))
    parts, wrong = _parts_of(folder, settings, written, place)
    return parts, place, faults or wrong


def _parts_of(
    folder: Path, settings: Mapping[str, Any], written: str, place: Place
) -> tuple[dict[str, Any], list[Fault]]:
    values, faults = check(settings, FIELDS, place)
    procedures: dict[str, Procedure | None] = {"procedure": Procedure(), "second_procedure": None}
    for name in procedures:
        if name == "procedure" or name in settings:
            procedures[name], wrong = _procedure(folder, written, name)
            faults += wrong
    first, second = procedures.values()
    if first and second and second.steps == first.steps and first.steps:
        faults.append(
            place.fault("a second procedure with the steps of the first",
                        "other steps: what a verdict should not hang on",
                        "another normalisation or baseline, or no [second_procedure]",
                        "second_procedure")
        )  # fmt: skip
    try:
        markers = in_deciding_order(resolve(values["markers"]["use"]))
    except ResiduekitError as problem:
        markers = ()
        faults += [place.fault(f.found, f.needed, f.fix, "markers", "use") for f in problem.faults]
    residues, wrong = read_residues(values["residue"], place)
    faults += [*wrong, *_form_faults(settings, residues, place)]
    markers = markers or tuple(dict.fromkeys(one for own in residues for one in own.markers))
    kinds = tuple(values["markers"]["scores"])
    if not markers and not faults and NET_SIGNAL not in kinds:
        faults.append(
            place.fault("use = [] without the net signal", "a band, or the net signal",
                        f'use = ["pva C-O 1092"], or scores = {list(SCORES)}', "markers", "use")
        )  # fmt: skip
    question, limits, figure = values["question"], values["limits"], settings.get("figure")
    given = question.get("working_exposure_min")
    treatment = question["treatment"] or next((r.left_by[0] for r in residues if r.left_by), "")
    each: dict[str, Any] = given if isinstance(given, dict) else {}
    exposure = each.get(treatment) if each else given
    limit, density, wrong = amounts_of(question, place, "question")
    faults += wrong
    return {
        "title": values.get("title", folder.name),
        "treatment": treatment,
        "residues": residues,
        "working_exposure_min": exposure if exposure is None else float(exposure),
        "working_exposures": {gel: float(time) for gel, time in each.items()},
        "acceptance_limit": limit,
        "density": density,
        "acceptance_reason": question["acceptance_reason"],
        **procedures,
        "markers": markers,
        "scores": kinds if markers or NET_SIGNAL not in kinds else (NET_SIGNAL,),
        "alpha": float(limits["alpha"]),
        "beta": float(limits["beta"]),
        "loading_checked": bool(limits["loading_checked"]),
        "scale_margin": float(limits["scale_margin"]),
        "quality": {name: float(value) for name, value in values["quality"].items()},
        "figure": figure if isinstance(figure, dict) else {},
        "notebooks": values.get("notebooks", {}),
        "reading": values.get("reading", []),
    }, faults


def _form_faults(
    settings: Mapping[str, Any], residues: tuple[Residue, ...], place: Place
) -> Iterator[Fault]:
    """A study asks for one residue under [question], or for several in tables [[residue]]."""
    question, markers = (
        one if isinstance(one := settings.get(name, {}), dict) else {}
        for name in ("question", "markers")
    )
    if not residues:
        for name, given, head in (("treatment", question, "question"), ("use", markers, "markers")):
            if name not in given and "residue" not in settings:
                field = (FIELDS[head].fields or {})[name]
                fix = f"{name} = {field.example}"
                yield place.fault(f"no {name} in [{head}]", field.words, fix, head)
        return
    for name in ("treatment", *AMOUNTS, "acceptance_reason"):
        if name in question:
            yield place.fault(
                f"{name} in [question] beside [[residue]]", "one place for it",
                f"leave it out: {'left_by' if name == 'treatment' else name} stands in [[residue]]",
                "question", name,
            )  # fmt: skip


def _procedure(folder: Path, written: str, name: str) -> tuple[Procedure, list[Fault]]:
    """Read a procedure, find its files below the study folder, and pin what they hold."""
    try:
        procedure = replace(Procedure.from_toml(written + "\n", name), file=SETTINGS)
    except ResiduekitError as problem:
        return Procedure(), [replace(fault, file=SETTINGS) for fault in problem.faults]
    steps, faults = [], []
    for number_, (step, parameters) in enumerate(procedure.steps, start=1):
        line = procedure.lines[number_ - 1] if procedure.lines else None
        lost = [
            Fault(f"in step {number_}, {step} with {key} = {file!r}, which is not there",
                  "a file below the study folder", f"data/... in {key}", SETTINGS, line)
            for key, file in step_files(parameters)
            if not _lies_below(folder, file)
        ]  # fmt: skip
        faults += lost
        steps.append((step, parameters if lost else pinned(parameters, folder)))
    return replace(procedure, steps=tuple(steps)), faults


def _lies_below(folder: Path, file: str) -> bool:
    path = place_of(folder, file)
    return path is not None and path.is_file() and path.is_relative_to(folder.resolve())
