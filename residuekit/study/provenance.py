"""The record of a run: what went in, by which parameters, with which versions."""

from __future__ import annotations

import dataclasses
import math
import platform
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from .. import __version__
from ..spectra.procedure import Procedure
from ..spectra.step_files import unpinned
from .cache import code_version
from .manifest import Manifest

_PACKAGES = ("numpy", "scipy", "pandas", "xarray", "h5netcdf", "matplotlib", "colour-science")


def record(
    manifest: Manifest,
    started: str,
    inputs: Mapping[str, str],
    failures: Mapping[str, str],
) -> dict[str, Any]:
    """Gather everything that another needs to repeat the run.

    `started` is UTC in ISO 8601; `inputs` maps each file to its sha256; `failures` names the files
    that could not be used, and why.
    """
    first = manifest.asked[0]
    return {
        "residuekit": __version__,
        "code": code_version(),
        "python": platform.python_version(),
        "system": platform.system(),
        "packages": {name: _version(name) for name in _PACKAGES},
        "started": started,
        "study": {
            "title": manifest.title,
            "treatment": manifest.treatment,
            "working_exposure_min": manifest.working_exposure_min,
            "acceptance_limit_ug_cm2": first.acceptance_limit,
            "acceptance_reason": first.acceptance_reason,
            "residues": [one.record() for one in manifest.residues],
            "alpha": manifest.alpha,
            "beta": manifest.beta,
            "scores": list(manifest.scores),
            "figure": dict(manifest.figure),
            "quality": dict(manifest.quality),
        },
        "procedure": steps_of(manifest.procedure, manifest.folder),
        "second_procedure": manifest.second_procedure
        and steps_of(manifest.second_procedure, manifest.folder),
        "markers": [dataclasses.asdict(marker) for marker in manifest.markers],
        "n_arms": manifest.n_tests,
        "inputs": dict(inputs),
        "failures": dict(failures),
    }


def steps_of(procedure: Procedure, folder: Path) -> list[dict[str, Any]]:
    """The steps, their files as seen from the folder of the study, wherever that lies."""
    return [{"step": name, **unpinned(given, folder)} for name, given in procedure.steps]


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"


def as_json(values: Mapping[str, Any]) -> dict[str, Any]:
    """Values that JSON can hold: NaN becomes null."""
    return {
        key: None if isinstance(value, float) and math.isnan(value) else value
        for key, value in values.items()
    }
