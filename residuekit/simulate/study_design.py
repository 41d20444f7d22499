"""The design of a simulated study: its arms, its controls, and the mock-ups they ask for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any

from .maps import DEFAULT_AXIS, Instrument, Texture
from .mockup_variation import Variation
from .paints import PAINTS, Paint

#: What a soiled film carries before cleaning, absorbance at each material's strongest point.
SOILINGS: Mapping[str, Mapping[str, float]] = {
    "none": {},
    "urban grime": {
        "kaolin": 0.010, "silica": 0.012, "starch": 0.006, "mineral oil": 0.012, "gelatine": 0.006
    },
}  # fmt: skip


@dataclass(frozen=True)
class Arm:
    """One treatment and time: how many mock-ups, and the residue that truly stays on them.

    `loading_ug_cm2` is the mean of a loaded mock-up and `loaded_mockups` says how many carry it
    (all, when left out). `paints` and `ageing_h` are names and ages of the study's (all, when left
    out). `foreign` is matter that this arm alone carries: material -> mean absorbance at its
    strongest point.
    """

    exposure_min: float
    n_mockups: int = 6
    clearance_min: float = 2.0
    clearance: str = ""
    treatment: str = "PVA cryogel"
    gel: str = "PVA cryogel"
    paints: tuple[str, ...] | None = None
    ageing_h: tuple[float, ...] | None = None
    loading_ug_cm2: float = 0.0
    pattern: str = "uniform"
    loaded_mockups: int | None = None
    foreign: Mapping[str, float] = field(default_factory=dict)

    def belongs_to(self, paint: str, ageing_h: float) -> bool:
        """Whether the arm is made on this paint at this age."""
        on_paint = self.paints is None or paint in self.paints
        return on_paint and (self.ageing_h is None or ageing_h in self.ageing_h)

    @property
    def n_loaded(self) -> int:
        """How many of the arm's mock-ups carry residue."""
        if self.loading_ug_cm2 == 0:
            return 0
        return self.n_mockups if self.loaded_mockups is None else self.loaded_mockups


@dataclass(frozen=True)
class StudyDesign:
    """A whole study: what is asked, what is measured, and what is true.

    Strata are all paints x soilings x ageings; each has `n_blanks` water-only blanks, the
    `n_untreated` of its paint, and the arms of its paint. Spiked mock-ups (each of
    `spiked_ug_cm2`, `n_spiked` times) belong to each paint and soiling at the first ageing.
    `confounders` lie on every mock-up, more on one than on another (log-normal, 50 %).
    `surfactant_loss` is the share that wet cleaning takes, from water-only and exposed alike.
    With `panels`, mock-ups lie on so many panels of their stratum in turn, which differ by
    `variation.panel`. With `before`, water-only, exposed and spiked mock-ups are measured before
    treatment too, on a day before all sessions, elsewhere on the same mock-up, or with `in_place`
    at the same places, pixel for pixel.
    `references` are pairs of a treatment and a pure material that is measured for it. With
    `residues`, tables [[residue]] of `study.toml`, the first of each pair is the material's name
    there, and the references are films of known loading.
    """

    arms: tuple[Arm, ...]
    title: str = "Simulated study (invented data)"
    paints: Mapping[str, str | Paint] = field(default_factory=lambda: {"alkyd": PAINTS["alkyd"]})
    soilings: tuple[str, ...] = ("none",)
    ageing_h: tuple[float, ...] = (0.0,)
    n_blanks: int = 6
    n_untreated: Mapping[str, int] = field(default_factory=dict)
    spiked_ug_cm2: tuple[float, ...] = (1.0, 3.0)
    n_spiked: int = 3
    spiked_gel: str = "PVA cryogel"
    spike_cv: float = 0.03
    loading_cv: float = 0.2
    references: tuple[tuple[str, str], ...] = (("PVA cryogel", "PVA cryogel"),)
    maps_per_mockup: int = 2
    shape: tuple[int, int] = (16, 16)
    step_um: float = 25.0
    axis: tuple[float, float, float] = DEFAULT_AXIS
    sessions: int = 3
    confounders: Mapping[str, float] = field(default_factory=dict)
    surfactant_loss: float = 0.5
    variation: Variation = field(default_factory=Variation)
    texture: Texture = field(default_factory=Texture)
    instrument: Instrument = field(default_factory=Instrument)
    question: Mapping[str, Any] = field(default_factory=dict)
    steps: tuple[Mapping[str, Any], ...] = ()
    residues: tuple[Mapping[str, Any], ...] = ()
    markers: tuple[str, ...] = ("pva C-O 1092", "acetate C=O 1735")
    map_suffixes: tuple[str, ...] = (".nc",)
    before: bool = False
    in_place: bool = False
    panels: int = 0
    reference_suffix: str = ".nc"


@dataclass(frozen=True)
class Specimen:
    """One mock-up of the study; `nominal_ug_cm2` is the loading that the design gives it.

    `exposure_min` is how long gel or, on a water-only blank, water lay on it: that is handled as
    long as the longest arm of its paint.
    """

    name: str
    role: str
    paint: str
    soiling: str
    ageing_h: float
    treatment: str
    session: int
    arm: Arm | None = None
    clearance_min: float | None = None
    nominal_ug_cm2: float = 0.0
    exposure_min: float | None = None
    before: bool = False
    block: str = ""

    @property
    def file_stem(self) -> str:
        """How the files of its maps begin."""
        return f"{self.name}_before" if self.before else self.name

    def row(self) -> dict[str, Any]:
        """The cells of `measurements.csv` that all maps of the mock-up share."""
        if self.before:
            return {"role": "before", "mockup": self.name, "session": "day before"}
        return {
            "role": self.role,
            "mockup": self.name,
            **({"block": self.block} if self.block else {}),
            "paint": self.paint,
            "soiling": self.soiling,
            "treatment": self.treatment,
            "exposure_min": "" if self.exposure_min is None else self.exposure_min,
            "clearance_min": "" if self.clearance_min is None else self.clearance_min,
            **({"clearance": self.arm.clearance} if self.arm and self.arm.clearance else {}),
            "ageing_h": self.ageing_h,
            "loading_ug_cm2": self.nominal_ug_cm2 if self.role == "spiked" else "",
            "session": f"day {self.session + 1}",
        }


def specimens(design: StudyDesign) -> Iterator[Specimen]:
    """Give the mock-ups of a study: blanks, untreated, exposed, spiked, stratum by stratum, then
    those that are measured before treatment as they were then.

    Sessions go round within each arm, so that no arm is measured on one day alone.
    """
    treated = list(_treated(design))
    yield from treated
    if design.before:
        for one in treated:
            if one.treatment != "none":
                yield replace(one, before=True)


def _treated(design: StudyDesign) -> Iterator[Specimen]:
    strata = product(design.paints, design.soilings, design.ageing_h)
    for paint, soiling, ageing_h in strata:
        stratum = (paint, soiling, ageing_h)
        arms = [arm for arm in design.arms if arm.belongs_to(paint, ageing_h)]
        clearance = design.arms[0].clearance_min if design.arms else 0.0
        longest = max((arm.exposure_min for arm in arms), default=None)
        yield from _group(
            design, stratum, "blank", "water", design.n_blanks, clearance, exposure_min=longest
        )
        yield from _group(design, stratum, "blank", "none", design.n_untreated.get(paint, 0), None)
        for arm in arms:
            yield from _exposed(design, stratum, arm)
        if ageing_h == design.ageing_h[0]:
            for loading in design.spiked_ug_cm2:
                yield from _group(
                    design, stratum, "spiked", design.spiked_gel, design.n_spiked, None, loading
                )


def _group(
    design: StudyDesign,
    stratum: tuple[str, str, float],
    role: str,
    treatment: str,
    count: int,
    clearance_min: float | None,
    loading: float = 0.0,
    exposure_min: float | None = None,
) -> Iterator[Specimen]:
    what = treatment if role == "blank" else f"{role} {loading:g}"
    what = "untreated" if what == "none" else what
    for k in range(count):
        yield Specimen(
            _name(design, stratum, what, k), role, *stratum, treatment, k % design.sessions,
            None, clearance_min, loading, exposure_min, block=_block(design, k),
        )  # fmt: skip


def _exposed(design: StudyDesign, stratum: tuple[str, str, float], arm: Arm) -> Iterator[Specimen]:
    what = (
        f"{arm.treatment} {arm.exposure_min:g}min {arm.clearance_min:g}min {arm.clearance}".strip()
    )
    for k in range(arm.n_mockups):
        yield Specimen(
            _name(design, stratum, what, k), "exposed", *stratum, arm.treatment,
            k % design.sessions, arm, arm.clearance_min,
            arm.loading_ug_cm2 if k < arm.n_loaded else 0.0, arm.exposure_min,
            block=_block(design, k),
        )  # fmt: skip


def _block(design: StudyDesign, k: int) -> str:
    return f"panel {k % design.panels + 1}" if design.panels else ""


def _name(design: StudyDesign, stratum: tuple[str, str, float], what: str, k: int) -> str:
    """A name unique in the study that tells the place in the design and never the truth."""
    paint, soiling, ageing_h = stratum
    words = [paint, what, str(k + 1)]
    if len(design.soilings) > 1:
        words.insert(1, soiling)
    if len(design.ageing_h) > 1:
        words.insert(1, f"{ageing_h:g}h")
    return "_".join(word.replace(" ", "-") for word in words).lower()
