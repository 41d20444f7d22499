"""A whole study folder whose truth is kept elsewhere."""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from .. import schema
from ..errors import Fault, StudyError, WriteError
from ..io.atomic_write import new_folder
from .fields import stream
from .maps import even_axis, simulate_map
from .materials import gel_response
from .mockup_variation import draw_mockup
from .study_design import SOILINGS, Specimen, StudyDesign, specimens

_LATER = ("sheet", "block", "dose", "dose_unit", "material", "clearance")
COLUMNS = tuple(c for c in schema.MEASUREMENT_COLUMNS if c not in _LATER)
SOIL_KEPT = 0.05  #: share of the soiling that cleaning leaves (invented)
FOREIGN_CV = 0.5
MAP_CV = 0.3  #: spread between maps of a mock-up whose residue is not uniform (invented)
REFERENCE_LOADING_UG_CM2 = 300.0
REFERENCE_NOISE = 2e-4

Progress = Callable[[int, int], None]


def simulate_study(
    folder: str | os.PathLike[str],
    design: StudyDesign,
    seed: int,
    sealed: str | os.PathLike[str] | None = None,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Write a study folder (study.toml, measurements.csv, data/) and return its truth.

    Parameters
    ----------
    folder : absent or empty; it appears whole or not at all.
    seed : the same seed and design give the same numbers; a mock-up keeps its numbers when others
        are added to the design.
    sealed : a JSON file for the truth, outside the folder; none is written when left out.
    progress : called with (mock-ups done, mock-ups in all).

    Returns
    -------
    `seed`, `title`, `arms` (true mean loading, clean or not), `mockups` (loading of the surface, of
    each map), `confounders`.

    Raises
    ------
    StudyError : the sealed file would lie inside the study folder.
    WriteError : the folder holds something.

    >>> import tempfile
    >>> from residuekit.simulate import Arm, StudyDesign
    >>> design = StudyDesign(
    ...     arms=(Arm(2.0, n_mockups=1),), n_blanks=1, n_spiked=0, maps_per_mockup=1, shape=(2, 2)
    ... )
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     truth = simulate_study(Path(folder) / "study", design, seed=1)
    >>> [arm["clean"] for arm in truth["arms"]]
    [True]
    """
    folder = Path(folder).resolve()
    sealed = None if sealed is None else Path(sealed).resolve()
    _refuse_open_seal(folder, sealed)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise WriteError(
            Fault(f"{folder}, which holds something", "a folder that is absent or empty",
                  "another folder, or empty this one", file=str(folder))
        )  # fmt: skip
    folder.parent.mkdir(parents=True, exist_ok=True)
    aside = new_folder(folder.parent, f".{folder.name}-")
    try:
        truth = _write_study(aside, design, seed, progress)
        if folder.exists():
            folder.rmdir()
        aside.rename(folder)
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    if sealed is not None:
        sealed.parent.mkdir(parents=True, exist_ok=True)
        sealed.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return truth


def _refuse_open_seal(folder: Path, sealed: Path | None) -> None:
    if sealed is not None and sealed.is_relative_to(folder):
        raise StudyError(
            Fault(f"the sealed truth inside the study ({sealed})",
                  "a place that the analysis of the study never reads",
                  f"sealed={str(folder.with_name(folder.name + '-truth.json'))!r}",
                  file=str(sealed))
        )  # fmt: skip


def _write_study(
    folder: Path, design: StudyDesign, seed: int, progress: Progress | None
) -> dict[str, Any]:
    from ..io import write

    (folder / "data").mkdir()
    rows: list[dict[str, Any]] = []
    mockups: list[dict[str, Any]] = []
    planned = list(specimens(design))
    for number, specimen in enumerate(planned):
        maps, truth = simulate_specimen(design, specimen, seed)
        for k, data in enumerate(maps):
            suffix = design.map_suffixes[k % len(design.map_suffixes)]
            file = f"data/{specimen.file_stem}_map{k + 1}{suffix}"
            write(data, folder / file)
            rows.append({"file": file, **specimen.row()})
            truth["maps"][k]["file"] = file
        mockups.append(truth)
        if progress is not None:
            progress(number + 1, len(planned))
    for k, (name, material) in enumerate(design.references):
        file = f"data/reference_{k + 1}{design.reference_suffix}"
        write(reference_spectrum(design, material, seed), folder / file)
        known = {"material": name, "loading_ug_cm2": REFERENCE_LOADING_UG_CM2}
        rows.append({"file": file, "role": "reference",
                     **(known if design.residues else {"treatment": name})})  # fmt: skip
    _write_manifest(folder / "measurements.csv", rows)
    (folder / "study.toml").write_text(study_toml(design), encoding="utf-8")
    return {
        "title": design.title,
        "note": "invented data; the truth behind a simulated study",
        "seed": seed,
        "confounders": dict(design.confounders),
        "surfactant_loss": design.surfactant_loss,
        "arms": arm_truths(design, mockups),
        "mockups": mockups,
    }


def _write_manifest(path: Path, rows: list[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        names = [name for name in schema.MEASUREMENT_COLUMNS
                 if name in COLUMNS or any(name in row for row in rows)]  # fmt: skip
        writer = csv.DictWriter(file, names, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(
            {name: f"{cell:g}" if isinstance(cell, float) else cell for name, cell in row.items()}
            for row in rows
        )


def simulate_specimen(
    design: StudyDesign, specimen: Specimen, seed: int
) -> tuple[list[xr.DataArray], dict[str, Any]]:
    """Make all maps of one mock-up and its truth, in memory.

    The loading of a mock-up is the mean over its surface; where the residue is not uniform, a map
    holds more or less of it than the surface does. Before treatment there is no residue, no loss of
    surfactant and all of the soiling; the mock-up is the same, its maps lie elsewhere unless the
    design says `in_place`.
    """
    place = stream(seed, specimen.name)
    axis = even_axis(*design.axis)
    paint = design.paints[specimen.paint]
    mockup = draw_mockup(
        paint, axis, place, design.variation, ageing_h=specimen.ageing_h,
        session=stream(seed, f"session {'before' if specimen.before else specimen.session}"),
        panel=stream(seed, f"{specimen.paint} {specimen.soiling} {specimen.ageing_h:g} "
                           f"{specimen.block}") if specimen.block else None,
    )  # fmt: skip
    rng = np.random.default_rng(stream(place, "surface"))
    loading = _surface_loading(design, specimen, rng) * (not specimen.before)
    foreign = _foreign(design, specimen, rng)
    arm = specimen.arm
    pattern = arm.pattern if arm is not None else "uniform"
    spread = 0.0 if pattern == "uniform" else MAP_CV
    dry = specimen.before or specimen.treatment == "none"
    maps, map_truths = [], []
    for k in range(design.maps_per_mockup):
        data, truth = simulate_map(
            paint,
            design.shape,
            axis,
            step_um=design.step_um,
            residue_ug_cm2=loading * _around_one(rng, spread),
            gel=arm.gel if arm is not None else design.spiked_gel,
            pattern=pattern,
            foreign=foreign,
            surfactant_loss=0.0 if dry else design.surfactant_loss,
            ageing_h=specimen.ageing_h,
            mockup=mockup,
            texture=design.texture,
            instrument=design.instrument,
            seed=stream(place, f"map before {k}" if specimen.before else f"map {k}"),
            surface=stream(place, f"map {k}") if design.in_place else None,
        )
        maps.append(data)
        map_truths.append({"loading_ug_cm2": truth["loading_ug_cm2"]})
    return maps, {
        **specimen.row(),
        "loading_ug_cm2": loading,
        "nominal_ug_cm2": 0.0 if specimen.before else specimen.nominal_ug_cm2,
        "foreign": foreign,
        "maps": map_truths,
    }


def _around_one(rng: np.random.Generator, cv: float) -> float:
    """A log-normal factor of mean 1 and relative standard deviation `cv`."""
    variance = np.log1p(cv**2)
    return float(np.exp(np.sqrt(variance) * rng.standard_normal() - variance / 2.0))


def _surface_loading(design: StudyDesign, specimen: Specimen, rng: np.random.Generator) -> float:
    cv = design.spike_cv if specimen.role == "spiked" else design.loading_cv
    return specimen.nominal_ug_cm2 * _around_one(rng, cv)


def _foreign(design: StudyDesign, specimen: Specimen, rng: np.random.Generator) -> dict[str, float]:
    """Mean amounts of everything that is neither paint nor gel."""
    untouched = specimen.before or specimen.treatment == "none"
    kept = 1.0 if untouched else SOIL_KEPT
    soil = {name: kept * height for name, height in SOILINGS[specimen.soiling].items()}
    amounts: dict[str, float] = {}
    own = {} if specimen.arm is None or specimen.before else specimen.arm.foreign
    for source in (soil, design.confounders, own):
        for material, height in source.items():
            drawn = height * _around_one(rng, FOREIGN_CV)
            amounts[material] = amounts.get(material, 0.0) + drawn
    return amounts


def reference_spectrum(design: StudyDesign, material: str, seed: int) -> xr.DataArray:
    """Make one spectrum of a pure gel film, 300 ug cm-2, with a little noise."""
    axis = even_axis(*design.axis)
    rng = np.random.default_rng(stream(seed, "reference", material))
    film = REFERENCE_LOADING_UG_CM2 * gel_response(material, axis)
    return schema.make_points(
        film + REFERENCE_NOISE * rng.standard_normal(axis.size),
        axis,
        [material],
        technique=design.instrument.technique,
        source={"reader": "residuekit.simulate", "note": "invented data"},
    )


def arm_truths(design: StudyDesign, mockups: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Sum up the truth of each exposed arm from its mock-ups, in the order they stand."""
    arms: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for mockup in mockups:
        if mockup["role"] == "exposed":
            arms.setdefault(tuple(mockup.get(c, "") for c in schema.ARM_COLUMNS), []).append(mockup)
    planned = {
        (arm.treatment, arm.exposure_min, arm.clearance_min, arm.clearance, paint, ageing_h): arm
        for arm in design.arms
        for paint in design.paints
        for ageing_h in design.ageing_h
        if arm.belongs_to(paint, ageing_h)
    }
    truths = []
    for key, members in arms.items():
        named = dict(zip(schema.ARM_COLUMNS, key, strict=True))
        arm = planned[
            named["treatment"], named["exposure_min"], named["clearance_min"], named["clearance"],
            named["paint"], named["ageing_h"],
        ]  # fmt: skip
        loadings = [member["loading_ug_cm2"] for member in members]
        truths.append(
            {
                **named,
                "clean": not any(loadings),
                "mean_loading_ug_cm2": float(np.mean(loadings)),
                "expected_loading_ug_cm2": arm.loading_ug_cm2 * arm.n_loaded / arm.n_mockups,
                "loaded_mockups": int(np.count_nonzero(loadings)),
                "n_mockups": len(members),
                "pattern": arm.pattern,
                "gel": arm.gel,
                "foreign": dict(arm.foreign),
            }
        )
    return truths


def study_toml(design: StudyDesign) -> str:
    """Return the text of `study.toml`, with the question, the procedure and the markers."""
    steps = "".join(f"    {_inline(step)},\n" for step in design.steps)
    residues = "".join(f"[[residue]]\n{_lines(table)}\n" for table in design.residues)
    return (
        f"title = {_toml(design.title)}\n\n[question]\n{_lines(design.question)}\n{residues}"
        f"[procedure]\nsteps = [\n{steps}]\n\n"
        f"[markers]\nuse = {_toml(list(design.markers))}\n"
        'scores = ["band", "net signal"]\n\n'
        "[limits]\nalpha = 0.05\nbeta = 0.05\n\n[figure]\nwidth_mm = 170\n"
    )


def _lines(table: Mapping[str, Any]) -> str:
    return "".join(f"{key} = {_toml(value)}\n" for key, value in table.items())


def _inline(table: Mapping[str, Any]) -> str:
    return "{" + ", ".join(f"{key} = {_toml(value)}" for key, value in table.items()) + "}"


def _toml(value: Any) -> str:
    """Numbers, text and lists of them are written alike in TOML and JSON."""
    return json.dumps(value, ensure_ascii=False)
