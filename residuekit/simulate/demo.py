"""The demo study: painted panels of a fictional 1970s tram shelter. All data are invented."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

from .mockup_variation import Variation
from .paints import PAINTS
from .studies import Progress, simulate_study
from .study_design import Arm, StudyDesign

#: Chosen among 1970 to 1979 for a typical draw; with 1975 the blanks of one paint lie so high that
#: three upper bounds fall below the truth, as one study in some twenty will have it.
SEED = 1979
WHITE, GREEN = "alkyd white", "acrylic green"
_HEAD = """\
{title}

INVENTED DATA. There is no such shelter; every spectrum here was made by residuekit.simulate from
the seed {seed}. Nothing in this folder says anything about a real paint, gel or treatment.

The scenario: mock-ups in the shelter's paint ({paints}) were exposed to """
_TREE = """
study.toml         the question, the procedure, the markers, the limits
measurements.csv   one row a measured file
data/              the maps, and the spectra of the pure {pure}
"""
_PVA = """a PVA cryogel,
cleared with water for 2 minutes, dried and mapped. Water-only mock-ups, wetted as long as the
longest exposure and cleared alike, are the comparator; spiked ones carry a known amount of the gel;
untreated ones, where there are any, show what water alone changes.
"""
_SEVERAL = """four
treatments for 10 minutes, cleared with water for 2 minutes, dried and mapped. A gel is a carrier:
chelator, surfactant and polymer are residues of their own, each with its limit and its verdict.
Water-only mock-ups are the comparator; films of the pure materials of known loading give the scale.
"""
#: Each residue: its name and its material here, the treatment that may leave it, its markers.
_RESIDUES = (
    ("agar", "agar", "agar gel with citrate", ("agar C-OH 1074",)),
    ("citrate", "ammonium citrate", "agar gel with citrate", ("citrate COO- sym 1392",)),
    ("xanthan", "xanthan", "xanthan gel with EDTA", ("xanthan C-O 1038",)),
    ("EDTA", "EDTA salt", "xanthan gel with EDTA", ("edta COO- asym 1590",)),
    ("gellan", "gellan", "gellan gel with surfactant", ("gellan C-O 1028",)),
    ("ethoxylate surfactant", "ethoxylate surfactant", "gellan gel with surfactant",
     ("peo C-O-C 1110",)),
    ("silicone", "silicone", "silicone emulsion", ("pdms CH3 1260",)),
)  # fmt: skip


def demo_design() -> StudyDesign:
    """Return the demo study: two paints, 55 mock-ups, one arm that truly carries a residue."""
    return StudyDesign(
        title="Painted panels of a fictional tram shelter, 1970s (invented data)",
        paints={WHITE: PAINTS["alkyd"], GREEN: PAINTS["acrylic"]},
        n_untreated={GREEN: 3},
        arms=(
            Arm(2.0, n_mockups=4),
            Arm(10.0, n_mockups=4),
            Arm(60.0, paints=(WHITE,)),
            Arm(60.0, paints=(GREEN,), loading_ug_cm2=2.5, pattern="patchy"),
        ),
        spiked_ug_cm2=(2.0, 6.0),
        references=(
            ("PVA cryogel", "PVA cryogel"),
            ("PVA cryogel", "PVA cryogel, soluble part"),
        ),
        variation=Variation(session=0.2),
        question={
            "treatment": "PVA cryogel",
            "working_exposure_min": 2,
            "acceptance_limit_ug_cm2": 2.0,
            "acceptance_reason": (
                "Invented for the demo: 2 ug cm-2 is a film of about 15 nm, taken here as "
                "the least that the fictional owners' conservators would clean again for."
            ),
        },
        steps=({"step": "crop", "low": 820, "high": 3780},),
    )


def small_demo_design() -> StudyDesign:
    """Return the demo as one paint, few pixels and a short axis, in more than one open format."""
    whole = demo_design()
    return replace(
        whole,
        title=f"{whole.title}, small form",
        paints={GREEN: whole.paints[GREEN]},
        n_untreated={},
        arms=(
            Arm(2.0, n_mockups=4),
            Arm(60.0, n_mockups=4, loading_ug_cm2=2.5, pattern="patchy"),
        ),
        shape=(8, 8),
        axis=(800.0, 1900.0, 4.0),
        steps=({"step": "crop", "low": 820, "high": 1880},),
        map_suffixes=(".nc", ".csv"),
        reference_suffix=".jdx",
    )


def residues_demo_design() -> StudyDesign:
    """Return the demo of several residues: four treatments, seven residues, one paint, few pixels.

    On the mock-ups stay the citrate of the agar gel, xanthan, and silicone.
    """
    small = small_demo_design()
    reason = "Invented for the demo, with no material behind it."
    return replace(
        small,
        title="Several residues on panels of a fictional tram shelter, 1970s (invented data)",
        arms=tuple(
            Arm(10.0, n_mockups=4, treatment=treatment, gel=gel, loading_ug_cm2=loading,
                foreign=foreign)
            for treatment, gel, loading, foreign in (
                ("agar gel with citrate", "agar", 0.0, {"ammonium citrate": 0.01}),
                ("xanthan gel with EDTA", "xanthan", 4.0, {}),
                ("gellan gel with surfactant", "gellan", 0.0, {}),
                ("silicone emulsion", "silicone", 3.0, {}),
            )
        ),
        spiked_ug_cm2=(),
        references=tuple((name, material) for name, material, *_ in _RESIDUES),
        question={"working_exposure_min": 10},
        residues=tuple(
            {"material": name, "left_by": [treatment], "acceptance_limit_ug_cm2": 3.0,
             "acceptance_reason": reason, "use": list(use)}
            for name, _, treatment, use in _RESIDUES
        ),
        markers=(),
        maps_per_mockup=1,
        map_suffixes=(".nc",),
    )  # fmt: skip


def write_demo(
    folder: str | os.PathLike[str],
    seed: int = SEED,
    sealed: str | os.PathLike[str] | None = None,
    *,
    small: bool = False,
    residues: bool = False,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Write the demo study and return its truth; `small` for one of at most 10 MB, `residues` for
    the one of several residues.

    The other arguments, and the errors, as in `simulate_study`.
    """
    make = residues_demo_design if residues else small_demo_design if small else demo_design
    design = make()
    truth = simulate_study(folder, design, seed, sealed, progress)
    readme = (_HEAD + (_SEVERAL if residues else _PVA) + _TREE).format(
        title=design.title, seed=seed, paints=", ".join(design.paints),
        pure="materials" if residues else "gel and of its soluble part",
    )  # fmt: skip
    (Path(folder) / "README.txt").write_text(readme, encoding="utf-8")
    return truth
