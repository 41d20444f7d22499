"""What a notebook works on: the study it lies in, else a small invented one."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..errors import Fault, StudyError, did_you_mean
from ..results import StudyResult, open_run
from ..study import Study
from ..study.inspect import check_folder
from ..study.measurements import read_measurements
from ..study.settings import SETTINGS
from .demo import GREEN, SEED, residues_demo_design, small_demo_design
from .studies import simulate_study
from .study_design import Arm, StudyDesign


def ladder_design() -> StudyDesign:
    """Return an exposure ladder on one paint, 2 min to overnight; its top two rungs carry residue.

    Few pixels and a short axis: small enough for a notebook.
    """
    return replace(
        small_demo_design(),
        title="Exposure ladder on a panel of a fictional tram shelter (invented data)",
        arms=(
            Arm(2.0, n_mockups=4),
            Arm(10.0, n_mockups=4),
            Arm(60.0, n_mockups=4),
            Arm(240.0, n_mockups=4, loading_ug_cm2=1.5, pattern="patchy"),
            Arm(960.0, n_mockups=4, loading_ug_cm2=4.0, pattern="patchy"),
        ),
        paints={GREEN: small_demo_design().paints[GREEN]},
        maps_per_mockup=1,
        map_suffixes=(".nc",),
        reference_suffix=".nc",
    )


def ageing_design() -> StudyDesign:
    """Return two exposures before and after 500 h in a chamber: the longer leaves a residue that
    stays what it was; after the shorter no gel is left, but a citrate blooms there with ageing.
    """
    shorter = Arm(2.0, n_mockups=4, ageing_h=(0.0,))
    return replace(
        ladder_design(),
        title="Panels of a fictional tram shelter before and after ageing (invented data)",
        ageing_h=(0.0, 500.0),
        arms=(
            shorter,
            replace(shorter, n_mockups=8, ageing_h=(500.0,), foreign={"ammonium citrate": 0.06}),
            Arm(60.0, n_mockups=4, loading_ug_cm2=1.5, pattern="patchy"),
        ),
    )


def paired_design() -> StudyDesign:
    """Return two exposures of mock-ups that were mapped before treatment too, at the same places:
    the longer leaves a patchy residue smaller, on average, than mock-ups of the paint differ.
    """
    return replace(
        ladder_design(),
        title="Panels of a fictional tram shelter before and after treatment (invented data)",
        arms=(
            Arm(2.0, n_mockups=4),
            Arm(60.0, n_mockups=4, loading_ug_cm2=0.13, pattern="patchy"),
        ),
        before=True,
        in_place=True,
    )


EXAMPLES = {
    "demo": small_demo_design,
    "exposure ladder": ladder_design,
    "ageing": ageing_design,
    "before and after": paired_design,
    "several residues": residues_demo_design,
}


def study_here(study_folder: str = "", example: str = "demo") -> tuple[Path, dict[str, Any] | None]:
    """Find the study that a notebook works on: the named one, else the one it lies in, else an
    invented one, made in a temporary folder that goes when Python ends.

    A notebook lies in a study when ``study.toml`` stands beside it or one folder above. A study
    without any row yet counts as none. Which one it is, is printed.

    Parameters
    ----------
    study_folder : the study; empty to look for it.
    example : the invented one to make: ``demo``, ``exposure ladder``, ``ageing``,
        ``before and after`` or ``several residues``.

    Returns
    -------
    The folder, and the truth of an invented study; None for a real one, which has no known truth.

    Raises
    ------
    StudyError : no folder of that name, or no such example.

    >>> study_here("no such folder")
    Traceback (most recent call last):
    ...
    residuekit.errors.StudyError: found no folder 'no such folder'; needed a study folder; ...
    """
    if study_folder:
        if not Path(study_folder).is_dir():
            raise StudyError(
                Fault(f"no folder {study_folder!r}", "a study folder", "residuekit new makes one")
            )
        return Path(study_folder), None
    here = Path.cwd()
    for place in (here, here.parent):
        if (place / SETTINGS).is_file():
            if _is_filled_in(place):
                print(f"The study in {place}.")
                return place, None
            print("The study here has no rows yet.")
    return _invented(example)


def result_here(study_folder: str = "", run_folder: str = "", example: str = "demo") -> StudyResult:
    """Open the named run, else the newest of the study of `study_here`, if its inputs are still as
    they were; else run the study.

    Parameters
    ----------
    study_folder, example : as in `study_here`.
    run_folder : one run; empty for the newest.

    Returns
    -------
    The `StudyResult`.

    Raises
    ------
    ReadError, StudyError : the run cannot be read, the study is refused.

    >>> result_here(run_folder="no such run")
    Traceback (most recent call last):
    ...
    residuekit.errors.ReadError: no such run: found no provenance.json ...
    """
    if run_folder:
        return open_run(run_folder)
    folder, _ = study_here(study_folder, example)
    if (folder / "runs" / "latest").is_file():
        newest = open_run(folder)
        try:
            check_folder(newest.folder)
        except StudyError:
            print("Its inputs have changed since its newest run: run again.")
        else:
            return newest
    return Study.open(folder).run()


def _is_filled_in(folder: Path) -> bool:
    _, rows, faults = read_measurements(folder)
    return bool(rows) or [fault.found for fault in faults] != ["no rows"]


def _invented(example: str) -> tuple[Path, dict[str, Any]]:
    if example not in EXAMPLES:
        raise StudyError(
            Fault(f"the example {example!r}", "an example study", did_you_mean(example, EXAMPLES))
        )
    scratch = Path(tempfile.mkdtemp(prefix="residuekit-"))
    atexit.register(shutil.rmtree, scratch, ignore_errors=True)
    design = EXAMPLES[example]()
    truth = simulate_study(scratch / "study", design, SEED)
    print(f"No study of your own here, so an INVENTED one:\n{design.title}.")
    return scratch / "study", truth
