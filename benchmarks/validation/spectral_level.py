"""Maps of painted mock-ups through the library: 12 x 12 pixels, 170 channels, n = m = 6.

Each run simulates the maps of 6 blank, 6 exposed and 6 spiked mock-ups (`simulate_specimen`, all
clean but the spiked) and one reference, reduces them as a study does (mean spectrum; scatter
within blank maps), and lets the library choose, assess and judge: `net_from_scatters`,
`scores_on`, `deciding`, `assess` with `shape_test`, `judge`. No file and no procedure step lies
between. The arms of one run are the clean arm with a known mean spectrum added to each mock-up:
gel, foreign matter, a change of the paint that the blanks do not show. So arms of one run share
their mock-ups, runs do not. Amounts of one mock-up are log-normal about their mean (50 %; the gel
at a stated limit has no scatter).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from residuekit.kernels import netsignal
from residuekit.marker_choice import Ground, Score, deciding, scores_on
from residuekit.markers import resolve
from residuekit.score import mean_spectrum, net_from_scatters, valid_spectra
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
from residuekit.verdict import Assessment, Verdict, assess, judge

from .claims import SEED, Claim, median, rate, spread

Floats = NDArray[np.float64]
AXIS = (840.0, 1854.0, 6.0)
GEL = "PVA cryogel"
ACETATE = "band: acetate C=O 1735"
MARKERS = ("pva C-O 1092", "acetate C=O 1735")
ACCEPTANCE_UG_CM2 = 3.0
FOREIGN_CV = 0.5
FOREIGN = {"kaolin": 0.006, "silica": 0.006, "starch": 0.006, "zinc soap": 0.006}


def _design(paint: str, **changes: object) -> StudyDesign:
    return StudyDesign(
        arms=(Arm(2.0),), paints={paint: paint}, shape=(12, 12), maps_per_mockup=1, axis=AXIS,
        loading_cv=0.0, question={"treatment": GEL}, **changes,
    )  # fmt: skip


#: Paint, and what lies on blank and exposed mock-ups alike.
CONFIGURATIONS: Mapping[str, StudyDesign] = {
    "alkyd": _design("alkyd"),
    "acrylic": _design(
        "acrylic", instrument=Instrument(vapour=1e-3),
        confounders={"kaolin": 0.0006, "silica": 0.0006, "starch": 0.0003, "zinc soap": 0.0006},
    ),
    "aged acrylic nBMA": _design("acrylic nBMA", ageing_h=(1000.0,)),
    "alkyd, heavy tails": _design("alkyd", variation=Variation(tail_df=3.0)),
}  # fmt: skip
