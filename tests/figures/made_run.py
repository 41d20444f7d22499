"""A run folder made by hand (invented numbers), as small or as odd as a test wants it."""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import tempfile
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd
import xarray as xr

from residuekit import open_run
from residuekit.decision.comparator import comparator_notes, comparator_places
from residuekit.results import TABLES, StudyResult
from residuekit.schema import FLAGS, JUDGED_COLUMNS
from residuekit.words.codes import to_json

GEL = "PVA cryogel"
AXIS = np.linspace(800.0, 3800.0, 151)
EXPOSURES = (2.0, 60.0)
LOADS = (2.0, 6.0)


_MADE = tempfile.TemporaryDirectory()


def make_run(folder: Path, **options: Any) -> StudyResult:
    """Write a run folder and open it; one that was made before with these options is copied."""
    words = json.dumps(options, sort_keys=True)
    made = Path(_MADE.name) / hashlib.sha256(words.encode()).hexdigest()
    if not made.exists():
        _write_run(made, **options)
    shutil.copytree(made, folder, dirs_exist_ok=True)
    return open_run(folder)


def _write_run(
    folder: Path,
    *,
    paints: tuple[str, ...] = ("alkyd",),
    exposures: tuple[float, ...] = EXPOSURES,
    treatment: str = GEL,
    markers: tuple[str, ...] = ("pva C-O 1092", "acetate C=O 1735"),
    spiked: bool = True,
    reference: bool = True,
    points: bool = False,
    blanks: bool = True,
    units: tuple[str, ...] | None = None,
    title: str = "An invented study",
    acceptance: float | None = 2.0,
    width_mm: float = 180,
    failures: dict[str, str] | None = None,
    masked: int = 3,
    further: dict[str, str] | None = None,
    blind: tuple[str, ...] = ("band: acetate C=O 1735",),
    figure: dict[str, Any] | None = None,
    shape: tuple[int, int] = (8, 8),
    ageings: tuple[float, ...] = (0.0,),
    loads: tuple[float, ...] = LOADS,
    apart: bool = False,
) -> None:
    """`apart`: the maps stand 400 um from each other."""
    rng = np.random.default_rng(20261124)
    (folder / "maps").mkdir(parents=True)
    own = "ug cm-2" if spiked else "reference"
    given = units or (own,) * len(paints)
    scores = ["net signal"] if reference else []
    scores += [f"band: {name}" for name in markers]
    mockups: list[dict[str, Any]] = []
    verdicts: list[dict[str, Any]] = []
    spectra: list[tuple[dict[str, Any], np.ndarray]] = []
    maps: list[dict[str, str]] = []
    sight: list[dict[str, Any]] = []
    gel = np.exp(-(((AXIS - 1090) / 40) ** 2)) + 0.6 * np.exp(-(((AXIS - 3300) / 200) ** 2))
    strata = [(p, u, h) for p, u in zip(paints, given, strict=True) for h in ageings]
    for paint, unit, ageing in strata:
        base = {"paint": paint, "soiling": "none", "ageing_h": ageing}
        film = 0.5 * np.exp(-(((AXIS - 1730) / 15) ** 2)) + 0.05
        wanted = [("exposed", treatment, e, 2.0, math.nan, 0.4 * e / 60) for e in exposures]
        if blanks:
            wanted = [("blank", "water", math.nan, math.nan, math.nan, 0.0), *wanted]
        if spiked:
            wanted += [("spiked", treatment, math.nan, math.nan, load, load) for load in loads]
        for role, kind, exposure, clearance, load, truth in wanted:
            arm = {**base, "treatment": kind, "exposure_min": exposure, "clearance_min": clearance,
                   "clearance": ""}  # fmt: skip
            level = "" if math.isnan(load) else f"{load:g}"
            level += "" if math.isnan(exposure) else f"{exposure:g}"
            level += f"_{ageing:g}h" if ageing else ""
            names = [f"{paint}_{role}{level}_{k}" for k in range(1, 5)]
            values = truth + rng.normal(0, 0.2, len(names))
            for name, value in zip(names, values, strict=True):
                for score in scores:
                    mockups.append({**arm, "mockup": name, "role": role, "score": score,
                                    "n_maps": 1, "n_pixels": 64, "mean": value,
                                    "upper_tail": value + 0.5, "patch_share": 0.0, "unit": unit,
                                    "positive": "false", "residue": treatment})  # fmt: skip
                spectrum = film + 0.003 * value * gel + rng.normal(0, 1e-4, AXIS.size)
                spectra.append(({**arm, "role": role, "mockup": name, "file": f"data/{name}.nc",
                                 "loading_ug_cm2": load, "material": ""}, spectrum))  # fmt: skip
                path = f"maps/{len(maps):04d}.nc"
                _write_map(
                    folder / path,
                    rng,
                    value,
                    scores,
                    unit,
                    points,
                    shape,
                    masked,
                    400.0 * len(maps) if apart else 0.0,
                    {**arm, "role": role, "mockup": name, "file": f"data/{name}.nc"},
                )
                maps.append({"file": f"data/{name}.nc", "map": path, "role": role, "mockup": name,
                             "residue": treatment})  # fmt: skip
            if role == "exposed":
                judged = "not detected" if unit == "ug cm-2" and acceptance else "inconclusive"
                row = {**arm, "residue": treatment, "paired": "", "n_mockups": 4,
                       "n_blank_mockups": 4 if blanks else 0, "n_maps": 4,
                       "n_pixels": 256, "estimate": float(values.mean()),
                       "standard_error": 0.1412, "decision_limit": 0.4213,
                       "detection_limit": 0.8124, "mockup_decision_limit": 1.123,
                       "mockup_detection_limit": 1.934, "upper_bound": 0.7345, "unit": unit,
                       "positive_mockups": 0, "share_upper_bound": 0.5271,
                       "scale": "spiked" if spiked else "", "identification_limit": 1.0468,
                       "tolerance_bound": 1.2345, "against_acceptance": "below",
                       "bound_degrees_of_freedom": 5.4321,
                       "blind_markers": "acetate C=O 1735", "verdict": judged,
                       "reason": f"{paint}: below the limit of 0.421 ug cm-2."}  # fmt: skip
                verdicts += [{**row, "score": score} for score in scores]
        for score in scores:
            sight.append({"score": score, **base, "selectivity": 0.9,
                          "slope": 0.003 if spiked else math.nan,
                          "slope_se": 1e-4,
                          "slope_degrees_of_freedom": 4 * len(loads) * len(ageings) - 1,
                          "mockup_limit": 1.52, "noise_limit": 0.0312,
                          "unit": unit, "blind": score in blind,
                          "deciding": score == scores[0], "residue": treatment})  # fmt: skip
    if reference:
        pure = {"paint": "", "soiling": "none", "ageing_h": 0.0, "treatment": treatment,
                "exposure_min": math.nan, "clearance_min": math.nan, "role": "reference",
                "mockup": "", "file": "data/gel.nc", "loading_ug_cm2": math.nan,
                "clearance": "", "material": ""}  # fmt: skip
        spectra.append((pure, gel))
    tables = {
        "verdicts": [row for row in verdicts if row["score"] == scores[0]],
        "scores": verdicts,
        "mockups": mockups,
        "markers": sight,
        "comparisons": [],
    }
    for name, rows in tables.items():
        frame = pd.DataFrame(rows, columns=list(TABLES[name]))
        frame.to_csv(folder / f"{name}.csv", index=False)
    _write_spectra(folder / "spectra.nc", spectra)
    provenance = {
        "residuekit": "0.1.0", "python": "3.11.0", "system": "Linux",
        "packages": {"numpy": "2.1.0"}, "started": "2026-11-24T09:30:00+00:00",
        "study": {"title": title, "treatment": treatment, "working_exposure_min": 2.0,
                  "acceptance_limit_ug_cm2": acceptance, "acceptance_reason": "Invented.",
                  "alpha": 0.05, "beta": 0.05, "scores": ["band", "net signal"],
                  "figure": {"width_mm": width_mm, **(figure or {})}},
        "procedure": [{"step": "crop", "low": 800, "high": 3800}],
        "markers": [_marker(name) for name in markers],
        "n_arms": len(tables["verdicts"]),
        "inputs": {entry["file"]: f"{k:064x}" for k, entry in enumerate(maps)},
        "failures": failures or {}, "maps": maps,
        "quality": [{"file": entry["file"], "n_pixels": 64, "n_valid": 64 - masked, "noise": 2e-4,
                     "n_noisy": masked, "failed": "",
                     "words": [f"{masked} of 64 pixels noisy: left out."] if masked else []}
                    for entry in maps],
        "remarks": [],
        "measurements": _measurements(spectra, further or {}),
    }  # fmt: skip
    provenance["notes"] = notes_on(tables["verdicts"], provenance["measurements"])
    (folder / "provenance.json").write_text(json.dumps(provenance), encoding="utf-8")


def notes_on(
    verdicts: list[dict[str, Any]], measurements: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """What the record says of the blanks of each arm, by the rule of the decision."""
    notes = []
    for arm in verdicts:
        blanks = {
            row["mockup"]: row for row in measurements
            if row["role"] == "blank" and row["paint"] == arm["paint"]
        }  # fmt: skip
        kinds = [row["treatment"] for row in blanks.values()]
        times = [
            math.nan if row["exposure_min"] is None else row["exposure_min"]
            for row in blanks.values()
        ]
        places = comparator_places(kinds, times, arm["exposure_min"])
        chosen = [kinds[k] for k in places], [times[k] for k in places]
        remarks = comparator_notes(*chosen, arm["exposure_min"]) if blanks else []
        columns = {name: arm[name] for name in JUDGED_COLUMNS}
        notes.append({**columns, "why": [], "remarks": list(map(to_json, remarks))})
    return notes


def _measurements(
    spectra: list[tuple[dict[str, Any], np.ndarray]], further: dict[str, str]
) -> list[dict[str, Any]]:
    """The table of measurements as the record holds it: NaN is null, further columns are texts."""
    return [
        {
            "line": line, "dose": None, "dose_unit": "", "session": f"day {line % 3}",
            **{name: None if value != value else value for name, value in row.items()}, **further,
        }
        for line, (row, _) in enumerate(spectra, start=2)
    ]  # fmt: skip


def make_photo_run(root: Path, picture: Any, settings: dict[str, Any], **options: Any) -> Any:
    """Make a run in a study that has a picture, (row, column, 3) of 8 bits."""
    from PIL import Image

    photo = root / "data" / "photo.png"
    photo.parent.mkdir(parents=True)
    Image.fromarray(picture).save(photo)
    folder = root / "runs" / "one"
    make_run(folder, figure={"image": "data/photo.png", **settings}, **options)
    path = folder / "provenance.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    record["inputs"]["data/photo.png"] = hashlib.sha256(photo.read_bytes()).hexdigest()
    path.write_text(json.dumps(record), encoding="utf-8")
    return open_run(folder)


def _marker(name: str) -> dict[str, Any]:
    low = 1715.0 if "1735" in name else 1050.0
    return {"name": name, "low": low, "high": low + 60, "measure": "area", "position": low + 30,
            "assignment": "stretch", "provenance": "published",
            "unspecific": False}  # fmt: skip


def _write_map(
    path: Path,
    rng: np.random.Generator,
    mean: float,
    scores: list[str],
    unit: str,
    points: bool,
    shape: tuple[int, int],
    masked: int,
    start: float,
    attrs: dict[str, Any],
) -> None:
    """Write the first map whole; copy it for the others, which is ten times faster."""
    values = mean + rng.normal(0, 0.3, (len(scores), *shape)).astype(np.float32)
    values[:, 0, :masked] = np.nan
    if points:
        values = values.reshape(len(scores), -1)
    first = path.with_name(f"0000-{unit}.nc".replace(" ", "_"))
    if not first.exists():
        _first_map(first, scores, unit, points, shape)
    shutil.copyfile(first, path)
    with h5py.File(path, "r+") as opened:
        opened["score"][...] = values
        if start:
            opened["x"][...] += start
        opened["flag"][...] = np.where(np.isnan(values[0]), FLAGS["noisy"][0], 0)
        for name, value in attrs.items():
            opened.attrs[name] = value


def _first_map(
    path: Path, scores: list[str], unit: str, points: bool, shape: tuple[int, int]
) -> None:
    coords: dict[str, Any] = {
        "marker": scores,
        "unit": ("marker", [unit] * len(scores)),
        "pixel_limit": ("marker", [0.9] * len(scores)),
    }
    if points:
        dims, sizes = ("spectrum",), (shape[0] * shape[1],)
    else:
        dims, sizes = ("y", "x"), shape
        for name, size in zip(dims, shape, strict=True):
            coords[name] = (name, np.arange(size) * 25.0, {"units": "um"})
    coords["flag"] = (dims, np.zeros(sizes, np.uint16))
    scored = (("marker", *dims), np.zeros((len(scores), *sizes), np.float32))
    dataset = xr.Dataset({"score": scored}, coords=coords)
    dataset.attrs = {"technique": "transflection", "history": "[]", "source": "{}"}
    dataset.to_netcdf(path, engine="h5netcdf")


def _write_spectra(path: Path, rows: list[tuple[dict[str, Any], np.ndarray]]) -> None:
    dataset = xr.Dataset(
        {"spectrum": (("row", "wavenumber"), np.array([spectrum for _, spectrum in rows]))},
        coords={"wavenumber": ("wavenumber", AXIS, {"units": "cm-1"})},
    )
    for name in rows[0][0]:
        dataset = dataset.assign_coords({name: ("row", [row[name] for row, _ in rows])})
    dataset.to_netcdf(path, engine="h5netcdf")
