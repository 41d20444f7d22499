"""What the tests of the deciding code share: a small paint with its gel, and one way to assess."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

import residuekit as rk
from residuekit.decision.assessment import Assessment, Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.confirmation import Confirmation
from residuekit.decision.net import net_from_scatters
from residuekit.decision.verdict import Verdict, judge
from residuekit.kernels import netsignal
from residuekit.kernels.slope import slope_through_zero
from residuekit.simulate import gel_response, spectrum
from residuekit.spectra.arrays import mean_spectrum, valid_spectra
from residuekit.study.cache import Cache
from residuekit.study.controls import StudyControls
from residuekit.study.manifest import Manifest
from residuekit.study.measurements import Measurement
from residuekit.study.mockups import MapSummary, MockupMean, mockup_means
from residuekit.study.tables import Found
from residuekit.words.codes import Note


class Paint(NamedTuple):
    """An invented paint: axis, gel, net signal, six blank and six clean exposed mock-up means."""

    axis: np.ndarray
    gel: np.ndarray
    net: netsignal.NetSignal
    blanks: np.ndarray
    exposed: np.ndarray


@pytest.fixture(scope="session")
def paint() -> Paint:
    """Pixels that scatter by noise and thickness; mock-ups by smooth changes besides."""
    axis = np.linspace(900.0, 1850.0, 160)
    gel = gel_response("PVA cryogel", axis)
    mean = 0.4 * spectrum("ethyl acrylate resin", axis) + 0.05
    rng = np.random.default_rng(3)
    pixels = [
        mean * (1 + 0.02 * rng.standard_normal((150, 1)))
        + 3e-4 * rng.standard_normal((150, axis.size))
        for _ in range(6)
    ]
    net = net_from_scatters([netsignal.scatter(p) for p in pixels], [gel], axis)
    smooth = np.cumsum(rng.standard_normal((12, axis.size)), axis=1) * 2e-5
    return Paint(axis, gel, net, mean + smooth[:6], mean + smooth[6:])


def plain_net(
    references: Any, *, change: Any = None, nuisances: Any = None, whitener: Any = None
) -> netsignal.NetSignal:
    """A net signal in the metric of white noise of variance 1, or of that of `whitener`."""
    rows = np.atleast_2d(np.asarray(references, dtype=float))
    n = rows.shape[1]
    metric = netsignal.BlankMetric(
        "by hand", 0.0, 2, 100, np.zeros(n), np.eye(n) if whitener is None else whitener,
        np.zeros((0, 0)), np.zeros((n, 0)), np.zeros(0), np.ones(n),
    )  # fmt: skip
    if change is not None:
        metric = netsignal.with_change(metric, change)
    if nuisances is not None:
        metric = netsignal.declare(metric, nuisances)
    return netsignal.net_signal(rows, metric)


@pytest.fixture(scope="session", name="plain_net")
def _plain_net() -> Callable[..., netsignal.NetSignal]:
    return plain_net


#: Six blanks with mean 0, and spiked mock-ups that answer with 1 for 1 ug cm-2.
BLANKS = (0.0, 0.02, -0.02, 0.01, -0.01, 0.0)
SPIKES = {"loadings": [1.0, 1, 1, 3, 3, 3], "spiked": [1.02, 0.98, 1.0, 3.05, 2.95, 3.0]}


#: What the tests of confirmation may say of a difference.
CONFIRMED = {
    "right": Confirmation(netsignal.ShapeTest(1.0, 0.0, 1.0), 2.0, 1.0),
    "wrong": Confirmation(netsignal.ShapeTest(0.0, 10.0, 1.0), 2.0, 1.0),
    "foreign": Confirmation(netsignal.ShapeTest(1.0, 0.0, 1.0), 1.0, 1.0),
}


@pytest.fixture(scope="session")
def made() -> Callable[..., Assessment]:
    """Assess exposed scores, blind or not as blanks and spiked mock-ups say.

    `shape` is what confirmation would say, a key of `CONFIRMED`, or a function.
    """

    def make(
        exposed: Any,
        blanks: Any = BLANKS,
        *,
        shape: Any = None,
        alpha: float = 0.05,
        beta: float = 0.05,
        acceptance_limit: float | None = None,
        noise: float = float("nan"),
        blindness: Any = None,
        **options: Any,
    ) -> Assessment:
        given = {**SPIKES, **options}
        given |= {name: () for name in ("loadings", "spiked") if given[name] is None}
        if len(given["loadings"]) != len(given["spiked"]):
            given |= {"loadings": (), "spiked": ()}
        values = np.asarray(blanks, dtype=float)
        sound = values.ndim == 1 and values.size > 1 and np.isfinite(values).all()
        spread = float(values.std(ddof=1)) if sound else 0.0
        values = values if sound else np.zeros(1)
        if blindness is None:
            slope = slope_through_zero(given["loadings"], given["spiked"], spread)
            blindness = assess_blindness(
                values, slope, noise=noise, acceptance_limit=acceptance_limit,
                unit=given.get("unit", "reference"),
            )  # fmt: skip
        confirm = (lambda _: CONFIRMED[shape]) if isinstance(shape, str) else shape
        rules = Rules(alpha, beta, acceptance_limit)
        return assess(blanks, exposed, blindness, rules, confirm=confirm, **given)

    return make


@pytest.fixture(scope="session")
def judged() -> Callable[..., Verdict]:
    """Judge one assessment or several under an acceptance limit."""

    def decide(scores: Any, acceptance_limit: float | None = None, *, failed: str = "") -> Verdict:
        listed = [scores] if isinstance(scores, Assessment) else scores
        ruled = [
            replace(one, rules=replace(one.rules, acceptance_limit=acceptance_limit))
            for one in listed
        ]
        numbers = {"n_unfit": 3, "n_files": 4, "kind": "maps", "why": failed}
        return judge(ruled, quality_failed=Note("quality-failed", numbers) if failed else None)

    return decide


@pytest.fixture(scope="session")
def uneven() -> Callable[[Verdict], bool]:
    """Whether a verdict says that the exposed mock-ups scatter beyond the blanks."""
    return lambda verdict: "scatter-above-blanks" in verdict.codes


@dataclass
class SmallStudy:
    """A study whose files are labelled arrays: its table grows by `add`, nothing is on disk."""

    folder: Path
    rows: list[Measurement] = field(default_factory=list)
    arrays: dict[str, Any] = field(default_factory=dict)

    def add(self, role: str, mockup: str = "", array: Any = None, **cells: Any) -> None:
        """One measured file; without an array it could not be used."""
        given = {"treatment": "water" if role == "blank" else "gel"}
        if role != "reference":
            given["paint"] = "white"
        if role in ("blank", "exposed"):
            given["exposure_min"] = 2.0
        if role == "exposed":
            given["clearance_min"] = 2.0
        file = f"{len(self.rows)}.nc"
        self.rows.append(Measurement(len(self.rows) + 2, file, role, mockup, **{**given, **cells}))
        if array is not None:
            self.arrays[file] = array

    def summaries(self, *roles: str) -> list[MapSummary]:
        """What is kept of the files that could be used."""
        return [
            MapSummary(row, row.file, array["wavenumber"].values, mean_spectrum(array),
                       len(valid_spectra(array)), {}, "absorbance", "unknown")
            for row in self.rows
            if row.role in roles and (array := self.arrays.get(row.file)) is not None
        ]  # fmt: skip

    def controls(self, **settings: Any) -> StudyControls:
        """Its controls under these settings."""
        given: dict[str, Any] = {
            "acceptance_limit": None, "markers": (), "scores": ("band", "net signal"),
            "alpha": 0.05, "beta": 0.05, **settings,
        }  # fmt: skip
        manifest = Manifest(
            folder=self.folder, title="", treatment="gel", working_exposure_min=2.0,
            acceptance_reason="", procedure=rk.Procedure([]), second_procedure=None, quality={},
            figure={}, notebooks={}, measurements=tuple(self.rows), table="", **given,
        )  # fmt: skip
        return StudyControls(
            manifest,
            self.summaries("blank", "spiked", "reference"),
            lambda some: (
                netsignal.scatter(valid_spectra(self.arrays[one.row.file])) for one in some
            ),
            Cache(self.folder / "cache"),
        )

    def exposed(self) -> Sequence[MockupMean]:
        """The exposed mock-ups."""
        return mockup_means(self.summaries("exposed"))

    def found(self, **unfit: str) -> Found:
        """What a run has found, with these files unfit."""
        lost = {row.file: "damaged" for row in self.rows if row.file not in self.arrays}
        return Found(self.summaries("exposed"), lost, unfit, {})


@pytest.fixture
def small_study(tmp_path: Path) -> SmallStudy:
    """A study without files."""
    return SmallStudy(tmp_path)
