"""Maps of painted mock-ups through the library: 12 x 12 pixels, 170 channels, n = m = 6.

Each run simulates the maps of 6 blank, 6 exposed and 6 spiked mock-ups (`simulate_specimen`; all
clean but the spiked) and one reference, reduces them as a study does (mean spectrum; scatter
within blank maps), and lets the library choose, assess and judge: `net_from_scatters`,
`scores_on`, `deciding`, `judge_values`. No file and no procedure step lies
between. The arms of one run are the clean arm with a known spectrum added to each mock-up: gel,
foreign matter, a change of the paint that the blanks do not show. So the arms of one run share
their mock-ups; runs share nothing. Amounts of foreign matter and change are log-normal from
mock-up to mock-up (50 %); gel is uniform.

Foreign matter is judged twice: unknown to the study, and declared to it as a nuisance shape.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import inf, nan

import numpy as np
from numpy.typing import NDArray

from residuekit import plan
from residuekit.decision.arm import confirmer_of, identifier_of, judge_values
from residuekit.decision.assessment import Assessment, Rules
from residuekit.decision.controls import Controls
from residuekit.decision.identification import Identifier
from residuekit.decision.net import Metric, make_metric, net_from_scatters
from residuekit.decision.scores import Score, deciding, scores_on
from residuekit.decision.verdict import Verdict, judge
from residuekit.kernels import netsignal
from residuekit.markers import resolve
from residuekit.schema import NET_SIGNAL
from residuekit.simulate import (
    Arm,
    Instrument,
    StudyDesign,
    Variation,
    gel_response,
    reference_spectrum,
    simulate_specimen,
    specimens,
    spectrum,
)
from residuekit.simulate.fields import stream
from residuekit.simulate.materials import vapour
from residuekit.simulate.paints import paint_parts
from residuekit.simulate.scorer import two_sided_interval
from residuekit.spectra.arrays import mean_spectrum, valid_spectra
from residuekit.words.codes import Note

from .claims import SEED, Claim, median, rate, spread

Floats = NDArray[np.float64]
Numbers = dict[str, float]
AXIS = (840.0, 1854.0, 6.0)
GEL = "PVA cryogel"
MARKERS = resolve(["pva C-O 1092", "acetate C=O 1735"])
ACETATE = "band: acetate C=O 1735"
ACCEPTANCE_UG_CM2 = 4.0
ALPHA = 0.05
AMOUNT_CV = 0.5
FOREIGN = ("kaolin", "silica", "starch", "zinc soap")
#: Mean absorbance at the strongest point; 1 ug cm-2 of the gel has 0.0018.
AMOUNTS = (0.0015, 0.006)
SPECTRAL, ERRORS, COVERED = (0.035, 0.065), (0.0, 0.05), (0.93, 1.0)
TWO_SIDED = (0.93, 0.97)
HEAVY_TAILED = "alkyd, Student t(3) mock-ups"
#: The identification limit is simulated in one run of so many: it takes as long as the rest.
EVERY = 5
#: The configuration that `residuekit.plan` can simulate a pilot of: no soil, no ageing.
PLANNED = "alkyd"
RIVALS = resolve(
    [
        "pva C-O 1092", "pva CH2 1423", "pva C-H 1327", "pva CH2 1247", "pva crystallinity 1142",
        "pva C-C 1047", "acetate C=O 1735", "acetate CH3 1375", "acetate C-O 1245",
        "acetate C-O 1020", "acetate band 945",
    ]
)  # fmt: skip


def _design(paint: str, **changes: object) -> StudyDesign:
    return StudyDesign(
        arms=(Arm(2.0),), paints={paint: paint}, shape=(12, 12), maps_per_mockup=1, axis=AXIS,
        loading_cv=0.0, spiked_ug_cm2=(2.0, 6.0), **changes,
    )  # fmt: skip


#: Paint, and what lies on blank and exposed mock-ups alike.
CONFIGURATIONS: Mapping[str, StudyDesign] = {
    "alkyd": _design("alkyd"),
    "acrylic": _design(
        "acrylic", instrument=Instrument(vapour=1e-3),
        confounders={"kaolin": 0.0006, "silica": 0.0006, "starch": 0.0003, "zinc soap": 0.0006},
    ),
    "aged acrylic nBMA": _design("acrylic nBMA", ageing_h=(1000.0,)),
    HEAVY_TAILED: _design("alkyd", variation=Variation(tail_df=3.0)),
}  # fmt: skip


@dataclass(frozen=True)
class Material:
    """What one run has measured: mean spectra (6, n) by role, scatters, the reference."""

    axis: Floats
    blanks: Floats
    exposed: Floats
    spiked: Floats
    loadings: Floats
    scatters: Sequence[netsignal.Scatter]
    reference: Floats

    @property
    def replicates(self) -> list[Floats]:
        """The spiked mock-ups of each loading."""
        return [self.spiked[self.loadings == loading] for loading in np.unique(self.loadings)]


def simulate(design: StudyDesign, seed: np.random.SeedSequence) -> Material:
    """Simulate the maps of one run and keep what a study keeps of them."""
    means: dict[str, list[Floats]] = {"blank": [], "exposed": [], "spiked": []}
    scatters, loadings = [], []
    for specimen in specimens(design):
        maps, _ = simulate_specimen(design, specimen, seed)
        means[specimen.role].append(mean_spectrum(maps[0]))
        if specimen.role == "blank":
            scatters.append(netsignal.scatter(valid_spectra(maps[0]), len(scatters)))
        elif specimen.role == "spiked":
            loadings.append(specimen.nominal_ug_cm2)
    reference = reference_spectrum(design, GEL, seed)
    return Material(
        reference["wavenumber"].values, np.array(means["blank"]), np.array(means["exposed"]),
        np.array(means["spiked"]), np.array(loadings), scatters, mean_spectrum(reference),
    )  # fmt: skip


MakeMetric = Callable[[Material], Metric]
RULES = Rules(acceptance_limit=ACCEPTANCE_UG_CM2)


def library_metric(material: Material) -> Metric:
    """The library's net signal: scatter within blank maps, and among spiked mock-ups alike."""
    return make_metric(
        material.scatters, material.blanks, [material.reference], material.axis,
        material.replicates, Note("no-reference"),
    )  # fmt: skip


def declared_metric(material: Material, undeclared: Metric) -> Metric:
    """The same with foreign matter declared to it."""
    shapes = np.array([spectrum(name, material.axis) for name in FOREIGN])
    net = net_from_scatters(
        material.scatters, [material.reference], material.axis, shapes, material.replicates
    )
    return replace(undeclared, net=net, weights=net.weights[None], folds={})


class Unasked(Identifier):
    """One confirmation for all arms of a run, and no identification limit: `_identified` asks."""

    def limit(self, *_: object) -> float:
        return nan


class Run:
    """One run ready to judge arms: what each score can see stands fixed."""

    def __init__(self, material: Material, metric: Metric):
        self.material, self.metric = material, metric
        assert metric.net is not None
        self.responses = material.spiked - material.blanks.mean(axis=0)
        self.controls = Controls(
            material.axis, material.blanks.mean(axis=0), material.blanks, metric, 144.0,
            material.loadings, self.responses, metric.rows_of(len(material.blanks)),
        )  # fmt: skip
        self.scores = scores_on(self.controls, MARKERS, RULES)
        self.net_score = next(one for one in self.scores if one.name == NET_SIGNAL)
        self.deciding = deciding(self.scores) or self.net_score
        confirm = confirmer_of(self.controls, range(len(material.blanks)), RULES)
        assert confirm is not None
        self.unasked = Unasked(confirm, RULES.beta)

    def assess(self, score: Score, exposed: Floats) -> Assessment:
        """Assess one arm (m, n) by one score, with the shape test."""
        return self._by(score, exposed).deciding

    def judge(self, exposed: Floats) -> Verdict:
        """Judge one arm by the deciding score."""
        return self._by(self.deciding, exposed)

    def _by(self, score: Score, exposed: Floats) -> Verdict:
        return judge_values(self.controls, [score], exposed, RULES, identifier=self.unasked)


def one_run(name: str, make: MakeMetric, number: int) -> Numbers:
    """Simulate and judge one run of a configuration; NaN where a question does not arise."""
    design = CONFIGURATIONS[name]
    seed = stream(SEED, name, number)
    material = simulate(design, seed)
    run = Run(material, make(material))
    found = {**_clean_arm(run), **_loaded_arms(run), **_band_alone(run)}
    if name == HEAVY_TAILED:
        return found
    if number % EVERY == 0:
        found |= _identified(run)
    declared = Run(material, declared_metric(material, run.metric))
    matter, changes = _foreign(material.axis), _changes(design, material.axis)
    found |= _changed_arms(run, {**matter, **changes}, seed, "")
    found |= _changed_arms(declared, matter, seed, ", declared")
    heavy = {f"{name} 0.05 A": 0.05 * spectrum(name, material.axis) for name in FOREIGN}
    found |= _hidden_gel(run, {**changes, **heavy}, seed)
    limits = (one.net_score.blindness.mockup_limit for one in (declared, run))
    found["limit, foreign matter declared, over undeclared"] = next(limits) / next(limits)
    return found


def _clean_arm(run: Run) -> Numbers:
    net = run.net_score
    found = run.assess(net, run.material.exposed)
    verdict = judge([found]).verdict
    one, two = _holds(found, 0.0)
    rivals = scores_on(run.controls, RIVALS, RULES, ("band",))
    acetate = next(score for score in run.scores if score.name == ACETATE)
    return {
        "false alarms": found.above,
        "clean arm called detected": verdict == "detected",
        "clean arm called not detected": verdict == "not detected",
        "net signal called blind": net.blindness.blind,
        "acetate 1735 called blind": acetate.blindness.blind,
        "one-sided bound holds 0": one,
        "two-sided interval holds 0": two,
        **{
            f"limit of {rival.name}": rival.blindness.mockup_limit / net.blindness.mockup_limit
            for rival in rivals
        },
    }


def _loaded_arms(run: Run) -> Numbers:
    """Gel on every mock-up at the stated limit or the acceptance limit; on one at its own limit."""
    clean = run.material.exposed
    gel = gel_response(GEL, run.material.axis)
    stated = run.assess(run.net_score, clean)
    alone = np.zeros((len(clean), 1))
    alone[0] = stated.mockup_detection_limit
    at_limit = run.judge(clean + stated.detection_limit * gel)
    above = run.judge(clean + 1.5 * stated.detection_limit * gel)
    unacceptable = run.judge(clean + ACCEPTANCE_UG_CM2 * gel)
    one, two = _holds(unacceptable.deciding, ACCEPTANCE_UG_CM2)
    return {
        "limit stated": stated.detection_limit,
        "found at the study's own limit": at_limit.deciding.above,
        "called detected at the study's own limit": at_limit.verdict == "detected",
        "called detected at 1.5 times that limit": above.verdict == "detected",
        "one mock-up found at its own limit": run.judge(clean + alone * gel).deciding.above,
        "acceptance limit called not detected": unacceptable.verdict == "not detected",
        "one-sided bound holds the acceptance limit": one,
        "two-sided interval holds the acceptance limit": two,
    }


def _identified(run: Run) -> Numbers:
    """Gel on every mock-up at the study's own identification limit, by the net signal."""
    clean = run.material.exposed
    identifier = identifier_of(run.controls, range(len(run.material.blanks)), RULES)
    stated = judge_values(
        run.controls, [run.net_score], clean, RULES, identifier=identifier
    ).deciding
    limit, called = stated.identification_limit, nan
    if limit == limit:
        loaded = clean + limit * gel_response(GEL, run.material.axis)
        called = judge_values(run.controls, [run.net_score], loaded, RULES).verdict == "detected"
    return {
        "an identification limit is stated": limit == limit,
        "called detected at the study's own identification limit": called,
        "limit, of identification over of detection": limit / stated.detection_limit
        if limit == limit
        else inf,
    }


def _band_alone(run: Run) -> Numbers:
    """The first marker band, as in a study without the net signal; blind or not."""
    clean = run.material.exposed
    gel = gel_response(GEL, run.material.axis)
    band = run.scores[1]
    found = run.assess(band, clean)
    verdict = judge([found]).verdict
    usable = band.slope is not None and band.slope.value > 0
    loaded = run.assess(band, clean + found.detection_limit * gel).above if usable else nan
    one, two = _holds(found, 0.0)
    return {
        "band 1092: false alarms": found.above,
        "band 1092: clean arm called detected": verdict == "detected",
        "band 1092: called blind": band.blindness.blind,
        "band 1092: found at the study's own limit": loaded,
        "band 1092: one-sided bound holds 0": one,
        "band 1092: two-sided interval holds 0": two,
    }


def _changed_arms(
    run: Run, changes: Mapping[str, Floats], seed: np.random.SeedSequence, how: str
) -> Numbers:
    """Arms that hold no gel but something else."""
    clean = run.material.exposed
    return {
        f"called detected: {name}{how}": run.judge(
            clean + _amounts(seed, name, len(clean)) * change
        ).verdict == "detected"
        for name, change in changes.items()
    }  # fmt: skip


def _hidden_gel(run: Run, changes: Mapping[str, Floats], seed: np.random.SeedSequence) -> Numbers:
    """Arms that hold gel at the acceptance limit below a change or much foreign matter."""
    loaded = run.material.exposed + ACCEPTANCE_UG_CM2 * gel_response(GEL, run.material.axis)
    return {
        f"acceptance limit called not detected: {name}": run.judge(
            loaded + _amounts(seed, name, len(loaded)) * change
        ).verdict == "not detected"
        for name, change in changes.items()
    }  # fmt: skip


def _amounts(seed: np.random.SeedSequence, name: str, count: int) -> Floats:
    normal = np.random.default_rng(stream(seed, "amounts", name)).standard_normal((count, 1))
    variance = np.log1p(AMOUNT_CV**2)
    return np.asarray(np.exp(np.sqrt(variance) * normal - variance / 2))


def _foreign(axis: Floats) -> dict[str, Floats]:
    """Foreign matter on an exposed arm alone."""
    pairs = product(FOREIGN, AMOUNTS)
    return {f"{name} {amount:g} A": amount * spectrum(name, axis) for name, amount in pairs}


def _changes(design: StudyDesign, axis: Floats) -> dict[str, Floats]:
    """What the paint, or the air, of an exposed arm alone may change by."""
    paint, age = next(iter(design.paints.values())), design.ageing_h[0]
    before, after = paint_parts(paint, axis, age), paint_parts(paint, axis, age + 300.0)
    changes = {
        "carbonyl broadening": (after - before).sum(axis=0),
        "vapour 0.001 A": 1e-3 * vapour(axis, design.instrument.resolution),
    }
    if before[2].any():
        changes["surfactant loss 15 %"] = -0.15 * before[2]
    return changes


def planned_limit() -> float:
    """The arm's detection limit that the plan promises, the median of nine simulated pilots."""
    return float(np.median(spread(_planned, range(9))))


def _planned(seed: int) -> float:
    design = plan.Design(mockups=6, maps=1, pixels=144, scans=Instrument().scans, blanks=6)
    pilot = plan.from_simulator(PLANNED, GEL, axis=AXIS, seed=seed)
    return plan.detection_limit(pilot, design)


def _holds(assessment: Assessment, true: float) -> tuple[bool, bool]:
    a = assessment
    low, high = two_sided_interval(a.estimate, a.standard_error, a.upper_bound, ALPHA)
    return true <= a.upper_bound, low <= true <= high


#: Question -> the range that is claimed for its rate; questions without a claim say what it costs.
CLAIMED = {
    "false alarms": SPECTRAL,
    "clean arm called detected": ERRORS,
    "clean arm called not detected": None,
    "net signal called blind": None,
    "acetate 1735 called blind": (0.95, 1.0),
    "one-sided bound holds 0": COVERED,
    "two-sided interval holds 0": TWO_SIDED,
    "found at the study's own limit": COVERED,
    "called detected at the study's own limit": None,
    "called detected at the study's own identification limit": (0.93, 0.97),
    "called detected at 1.5 times that limit": None,
    "one mock-up found at its own limit": None,
    "acceptance limit called not detected": ERRORS,
    "one-sided bound holds the acceptance limit": COVERED,
    "two-sided interval holds the acceptance limit": TWO_SIDED,
    "band 1092: false alarms": SPECTRAL,
    "band 1092: clean arm called detected": ERRORS,
    "band 1092: called blind": None,
    "band 1092: found at the study's own limit": COVERED,
    "band 1092: one-sided bound holds 0": COVERED,
    "band 1092: two-sided interval holds 0": TWO_SIDED,
}


def claims(runs: int) -> Iterator[Claim]:
    """Do the runs of every configuration, all of them in one line, and judge each."""
    jobs = [(name, library_metric, number) for name in CONFIGURATIONS for number in range(runs)]
    found = spread(_run_of, jobs)
    for place, name in enumerate(CONFIGURATIONS):
        yield from claims_of(name, answers(found[place * runs : (place + 1) * runs]))


def _run_of(job: tuple[str, MakeMetric, int]) -> Numbers:
    return one_run(*job)


def answers(found: Sequence[Numbers]) -> dict[str, Floats]:
    """Each question's answers by the runs of one configuration, (runs,)."""
    keys = dict.fromkeys(key for one in found for key in one)
    return {key: np.array([one.get(key, nan) for one in found], dtype=float) for key in keys}


def claims_of(name: str, found: Mapping[str, Floats]) -> Iterator[Claim]:
    """Set the answers of one configuration beside what is claimed.

    Heavy tails lie outside the model: of them only what they cost is said.
    """
    place = f"maps, {name}:"
    limits = {key: values for key, values in found.items() if key.startswith("limit of ")}
    best = min(limits, key=lambda key: float(np.median(limits[key])))
    for key, values in found.items():
        if key in limits:
            continue
        if key == "limit stated":
            if name == PLANNED:
                yield median(f"{place} limit stated over the limit planned", (0.85, 1.15),
                             values / planned_limit())  # fmt: skip
            continue
        if key.startswith("limit"):
            yield median(f"{place} {key}", None, values[~np.isnan(values)])
            continue
        claimed = CLAIMED.get(key)
        if key.startswith(("called detected: ", "acceptance limit called not detected: ")):
            claimed = ERRORS
        if name == HEAVY_TAILED:
            claimed = None
        yield rate(f"{place} {key}", claimed, values[~np.isnan(values)])
    foreign = [found[key] for key in found if key.startswith("called detected: ")
               and any(key.endswith(f"{amount:g} A") for amount in AMOUNTS)]  # fmt: skip
    if foreign and name != HEAVY_TAILED:
        yield rate(f"{place} called detected: foreign matter of any kind", (0.0, 0.02),
                   np.concatenate(foreign))  # fmt: skip
    claimed = None if name == HEAVY_TAILED else (5.0, inf)
    best_name = best.removeprefix("limit of band: ")
    yield median(f"{place} limit of the best band ({best_name}) over the net signal's",
                 claimed, limits[best])  # fmt: skip
