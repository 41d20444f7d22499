"""Studies that are wrong in one place, each with what must be said of it before anything is run.

What is changed is `study.toml`, cells of `measurements.csv`, or files. A study counts as wrong
treated where nothing is said, where something else is, or where it ends in another error.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

from wrong_files import FILES, rows_of, with_role, write_rows

from residuekit.errors import StudyError
from residuekit.simulate import Arm, StudyDesign, Variation
from residuekit.study.inspect import check_folder
from residuekit.study.manifest import examine

DESIGN = StudyDesign(
    arms=(Arm(2.0, n_mockups=3), Arm(60.0, n_mockups=3, loading_ug_cm2=5.0)),
    n_blanks=4, spiked_ug_cm2=(2.0, 6.0), n_spiked=2, maps_per_mockup=1,
    axis=(900.0, 1850.0, 5.6), steps=({"step": "crop", "low": 910, "high": 1840},),
    shape=(8, 8), variation=Variation(session=0.2),
    question={"treatment": "PVA cryogel", "working_exposure_min": 2,
              "acceptance_limit_ug_cm2": 4.0, "acceptance_reason": "invented"},
)  # fmt: skip
_STEP = '{step = "crop", low = 910, high = 1840},'
_USE = 'use = ["pva C-O 1092", "acetate C=O 1735"]'
_SCORES = 'scores = ["band", "net signal"]'
_LIMIT = "acceptance_limit_ug_cm2 = 4.0"

#: Text of `study.toml`, what stands there instead, what must be said.
SETTINGS = (
    ("title =", "tittle =", "tittle"),
    ("[limits]", "[limit]", r"did you mean.*limits"),
    ("[limits]", "[limits", "TOML"),
    ("[question]", "[question]\nquestion = 1", "question"),
    ("[figure]", "[figures]", r"did you mean.*figure"),
    ('treatment = "PVA cryogel"', "treatment = 4", "treatment"),
    ('treatment = "PVA cryogel"', 'treatment = ""', "treatment"),
    ('treatment = "PVA cryogel"', 'treatment = "PVA cryogell"', "PVA cryogell"),
    ('treatment = "PVA cryogel"', 'treatment = "water"', "water"),
    ("working_exposure_min = 2", "working_exposure_min = -2", "working_exposure_min"),
    ("working_exposure_min = 2", "working_exposure_min = nan", "working_exposure_min"),
    ("working_exposure_min = 2", 'working_exposure_min = "2 min"', "working_exposure_min"),
    ("working_exposure_min = 2", "working_exposure_min = true", "working_exposure_min"),
    (_LIMIT, "acceptance_limit_ug_cm2 = 0", "acceptance_limit_ug_cm2"),
    (_LIMIT, "acceptance_limit_ug_cm2 = -4", "acceptance_limit_ug_cm2"),
    (_LIMIT, "acceptance_limit_ug_cm2 = inf", "acceptance_limit_ug_cm2"),
    (_LIMIT, 'acceptance_limit_ug_cm2 = "4"', "acceptance_limit_ug_cm2"),
    (_LIMIT, "acceptance_limit_ug_cm2 = 1e300", "times the highest loading"),
    (_LIMIT, "acceptance_limit_ug_cm2 = 400", "times the highest loading"),
    (_LIMIT, "acceptance_limit_nm = 4", "density_g_cm3"),
    (_LIMIT, _LIMIT + "\nacceptance_limit_nm = 4", "one of them"),
    (_LIMIT, _LIMIT + "\ndensity_g_cm3 = 1300", "from 0.1 to 25 g cm-3"),
    ("alpha = 0.05", "alpha = 5", "from 0.001 to 0.2"),
    ("alpha = 0.05", 'alpha = "5 %"', "from 0.001 to 0.2"),
    ("alpha = 0.05", "alpha = 0.499", "from 0.001 to 0.2"),
    ("alpha = 0.05", "alpha = 1e-12", "from 0.001 to 0.2"),
    ("alpha = 0.05", "alpha = nan", "from 0.001 to 0.2"),
    ("alpha = 0.05", "alpha = 0.05\nalpha = 0.05", "key 'alpha' a second time"),
    ("beta = 0.05", "beta = 0", "from 0.001 to 0.2"),
    ("beta = 0.05", "beta = 0.5", "from 0.001 to 0.2"),
    ("beta = 0.05", "beta = -0.05", "from 0.001 to 0.2"),
    ("beta = 0.05", 'beta = 0.05\nloading_checked = "yes"', "loading_checked"),
    ("beta = 0.05", "beta = 0.05\nscale_margin = 0.1", "scale_margin"),
    ("beta = 0.05", "beta = 0.05\ngamma = 0.05", "gamma"),
    (_STEP, '{step = "corp", low = 910, high = 1840},', "did you mean 'crop'"),
    (_STEP, '{step = "crop", lo = 910, high = 1840},', "lo"),
    (_STEP, '{step = "crop", low = 1840, high = 910},', "1840"),
    (_STEP, '{step = "crop", low = 2000, high = 3000},', "2000"),
    (_STEP, '{step = "crop", low = 910},', "high"),
    (_STEP, '{low = 910, high = 1840},', "step"),
    (_STEP, '"crop",', "step"),
    (_STEP, _STEP + '{step = "smooth", window = 4},', "window"),
    (_STEP, _STEP + '{step = "normalise", method = "vektor"},', "vector"),
    (_STEP, _STEP + '{step = "correct_baseline", method = "als2"},', "method"),
    (_STEP, _STEP + '{step = "crop", low = 1300, high = 1600},', "pva C-O 1092"),
    (_STEP, _STEP + '{step = "differentiate"},', "differentiate"),
    (_USE, 'use = ["pva C-O 1902", "acetate C=O 1735"]', "did you mean"),
    (_USE, 'use = "pva C-O 1092"', "use"),
    (_USE, "use = [1092]", "1092 for a marker"),
    (_USE, 'use = ["pva C-O 1092", "pva C-O 1092"]', "pva C-O 1092"),
    (_USE, 'use = [{name = "own", low = 1140, high = 1040}]', "1140"),
    (_USE, 'use = [{name = "own", low = 1040}]', "high"),
    (_USE, 'use = [{name = "far", low = 2900, high = 3000}]', "far"),
    (_USE, 'use = [{name = "thin", low = 1091, high = 1092}]', "thin"),
    (_SCORES, 'scores = ["band", "net-signal"]', "net-signal"),
    (_SCORES, "scores = []", "scores"),
    (_SCORES, 'scores = "band"', "scores"),
    ("width_mm = 170", "width_mm = 20", "width_mm"),
    ("width_mm = 170", 'width_mm = "180"', "width_mm"),
    ("width_mm = 170", 'width_mm = 170\nimage = "../photo.png"', "image"),
    ("width_mm = 170", 'width_mm = 170\nimage = "data/no.png"', "image"),
    ("width_mm = 170", 'width_mm = 170\nalso = ["gif"]', "also"),
    ("[limits]", "[quality]\nsaturation = -1\n[limits]", "saturation"),
    ("[limits]", "[quality]\nleast_valid = 50\n[limits]", "above 0 to 1"),
    ("[limits]", '[[reading]]\nfiles = "data/*.dpt"\nx_unit = "nm"\n[limits]', "data/\\*.dpt"),
    ("[limits]", '[[reading]]\nfiles = "data/*.nc"\nquantity = "reflectence"\n[limits]',
     "reflectance"),
    ("[limits]", '[[residue]]\nmaterial = "PVA"\n[limits]', "residue"),
    ('acceptance_reason = "', '# acceptance_reason = "', "has no acceptance_reason"),
    (_LIMIT, "acceptance_limit_mg_m2 = 40", "did you mean 'acceptance_limit_ug_cm2'"),
    (_LIMIT, _LIMIT + "\ndensity_g_cm3 = 0", "from 0.1 to 25 g cm-3"),
    ("working_exposure_min = 2", "working_exposure_min = 5", "exposure of 5 min, but for 2"),
    ("[procedure]", "[procedure]\n[procedure]", r"table \[procedure\] a second time"),
    (_STEP, _STEP + '{step = "smooth", window = 9, order = 2, derivative = 3},', "derivative = 3"),
    (_STEP, _STEP + '{step = "resample", low = 910, high = 1840},', "resample without spacing"),
    ("alpha = 0.05", "alpha = 0.05\nregistered = true", "registered"),
    ("[limits]", f"[second_procedure]\nsteps = [{_STEP}]\n[limits]", "second procedure"),
)  # fmt: skip

#: Role of the rows, how many of them (0: all), the column, its cell, what must be said.
CELLS = (
    ("blank", 1, "role", "blanc", "did you mean 'blank'"),
    ("blank", 1, "role", "", "role"),
    ("blank", 0, "role", "exposed", "blank"),
    ("blank", 1, "file", "", "file"),
    ("blank", 1, "file", "data/none.nc", "data/none.nc"),
    ("blank", 1, "file", "data", "a folder"),
    ("blank", 1, "file", "../outside.nc", "outside"),
    ("blank", 1, "file", "/etc/hostname", "/etc/hostname"),
    ("blank", 1, "file", "data/reference_1.nc", "data/reference_1.nc"),
    ("blank", 1, "file", "study.toml", "study.toml"),
    ("blank", 1, "mockup", "", "mockup"),
    ("blank", 0, "mockup", "one", "one"),
    ("blank", 1, "paint", "", "paint"),
    ("blank", 1, "paint", "Alkyd", "one spelling for one name"),
    ("blank", 0, "paint", "acrylic", "alkyd"),
    ("blank", 0, "soiling", "soot", "soot|none"),
    ("blank", 0, "ageing_h", "500", "a blank aged as long"),
    ("blank", 1, "ageing_h", "-5", "ageing_h"),
    ("blank", 1, "exposure_min", "1e999", "exposure_min"),
    ("blank", 1, "exposure_min", "nan", "exposure_min"),
    ("blank", 1, "session", "2026-02-30", "a day that no calendar has"),
    ("blank", 1, "loading_ug_cm2", "5", "loading_ug_cm2"),
    ("exposed", 1, "treatment", "", "treatment"),
    ("exposed", 1, "treatment", "PVA cryogell", "PVA cryogell"),
    ("exposed", 0, "treatment", "agar", "agar"),
    ("exposed", 1, "exposure_min", "", "exposure_min"),
    ("exposed", 1, "exposure_min", "-2", "exposure_min"),
    ("exposed", 1, "exposure_min", "2 min", "exposure_min"),
    ("exposed", 1, "exposure_min", "2,0,0", "exposure_min"),
    ("exposed", 1, "clearance_min", "two", "clearance_min"),
    ("exposed", 1, "clearance_min", "-1", "clearance_min"),
    ("exposed", 1, "session", "31.04.2026", "a day that no calendar has"),
    ("exposed", 1, "loading_ug_cm2", "5", "loading_ug_cm2"),
    ("exposed", 0, "role", "blank", "exposed"),
    ("exposed", 0, "mockup", "one", "one"),
    ("spiked", 1, "loading_ug_cm2", "", "loading_ug_cm2"),
    ("spiked", 1, "loading_ug_cm2", "-2", "loading_ug_cm2"),
    ("spiked", 1, "loading_ug_cm2", "inf", "loading_ug_cm2"),
    ("spiked", 1, "loading_ug_cm2", "2 ug", "loading_ug_cm2"),
    ("spiked", 1, "loading_ug_cm2", "2000", "as those of other loadings"),
    ("spiked", 1, "loading_error_percent", "-5", "loading_error_percent"),
    ("spiked", 1, "loading_error_percent", "1000", "loading_error_percent"),
    ("spiked", 1, "treatment", "", "treatment"),
    ("spiked", 0, "treatment", "agar", "scale of PVA cryogel on alkyd: none"),
    ("spiked", 0, "paint", "acrylic", "acrylic"),
    ("reference", 1, "treatment", "", "treatment"),
    ("reference", 1, "treatment", "agar", "PVA cryogel"),
    ("reference", 1, "thickness_nm", "-4", "thickness_nm"),
    ("reference", 1, "thickness_nm", "400", "density_g_cm3"),
    ("reference", 1, "role", "spiked", "loading_ug_cm2"),
    ("reference", 1, "treatment", "pva cryogel", "one spelling for one name"),
    ("reference", 1, "loading_ug_cm2", "5", r"eference film data/reference_1\.nc of 5 ug cm-2"),
    ("reference", 1, "loading_error_percent", "5", "loading_error_percent without a loading"),
    ("exposed", 0, "exposure_min", "0", "exposure of 2 min, but for 0 min"),
    ("exposed", 1, "exposure_min", "2.5", "1 exposed mock-up, so it cannot be"),
    ("exposed", 1, "exposure_min", "1e6", "2 exposed mock-ups, so it cannot be"),
    ("exposed", 1, "ageing_h", "500", "a blank aged as long"),
    ("exposed", 1, "ageing_h", "0 h", "without a unit"),
    ("exposed", 1, "mockup", "alkyd_spiked-2_1", "exposed here and spiked in line"),
    ("exposed", 1, "session", "2026-11-31", "a day that no calendar has"),
    ("spiked", 0, "ageing_h", "500", "a blank aged as long"),
    ("spiked", 0, "soiling", "soot", "soiling 'soot', ageing 0 h without a blank"),
    ("spiked", 0, "mockup", "one", "'one' is spiked with 2 and 6 ug cm-2"),
    ("spiked", 1, "mockup", "alkyd_water_1", "spiked here and a water-only blank in line 2"),
    ("spiked", 0, "loading_ug_cm2", "0", "scale of PVA cryogel on alkyd: none"),
    ("spiked", 1, "thickness_nm", "40", "thickness_nm in a row of role spiked"),
    ("blank", 1, "thickness_nm", "40", "thickness_nm in a row of role blank"),
    ("blank", 1, "treatment", "PVA cryogel", "needed water"),
    ("blank", 0, "treatment", "", "an empty treatment"),
    ("blank", 1, "soiling", "Soot", "no exposed or spiked one to compare it with"),
    ("blank", 2, "ageing_h", "500", "2 blank mock-ups, so every verdict"),
    ("blank", 1, "clearance_min", "2 min", "without a unit"),
    ("blank", 1, "file", "data\\alkyd_water_1_map1.nc", "with / between folders"),
)  # fmt: skip


class Wrong(NamedTuple):
    """A study that is wrong: its name, what is done to it, what must be said, as a pattern."""

    name: str
    spoil: Callable[[Path], None]
    said: str


def wrong_studies() -> Iterator[Wrong]:
    """Every wrong study."""
    for old, new, said in SETTINGS:
        yield Wrong(f"study.toml: {new!r}", _edit(old, new), said)
    for role, count, column, cell, said in CELLS:
        which = f"{count or 'all'} {role}"
        yield Wrong(f"{which}: {column} {cell!r}", _cells(role, count, column, cell), said)
    for spoil, said in FILES:
        yield Wrong((spoil.__doc__ or "").rstrip("."), spoil, said)


def judge_wrong(
    base: Path, folder: Path, wrong: Wrong, *, settled: bool = False
) -> tuple[bool, str] | None:
    """Spoil a copy of a study: whether what must be said is not, and what is.

    With `settled` only settings and table are looked at; None where these do not show it.
    """
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(base, folder, ignore=shutil.ignore_patterns("runs"))
    wrong.spoil(folder)
    try:
        manifest, faults = examine(folder)
        if settled and not faults:
            told = re.search(wrong.said, "\n".join(manifest.notes))
            return (False, "said") if told else None
        came = str(StudyError(faults)) if faults else check_folder(folder)
    except StudyError as problem:
        came = str(problem)
    except Exception as problem:  # anything else is what is looked for
        return True, repr(problem)[:200]
    found = re.search(wrong.said, came)
    return found is None, "said" if found else came[:300]


def _edit(old: str, new: str) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        path = folder / "study.toml"
        text = path.read_text("utf-8")
        if old not in text:
            raise ValueError(f"no {old!r} in study.toml")
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return spoil


def _cells(role: str, count: int, column: str, cell: str) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        rows = rows_of(folder)
        for row in with_role(rows, role)[: count or None]:
            row[column] = cell
        write_rows(folder, rows)

    return spoil
