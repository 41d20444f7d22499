"""The record of a run: what went in, by which parameters, with which versions."""

from __future__ import annotations

import dataclasses
import json
import math
import platform
from collections.abc import Iterator, Mapping
from functools import cache
from importlib.metadata import PackageNotFoundError, distributions, version
from pathlib import Path
from types import MappingProxyType
from typing import Any

from .. import __version__, io
from ..spectra.procedure import Procedure
from ..spectra.step_files import unpinned
from .cache import code_version
from .manifest import Manifest
from .settings import SETTINGS

#: Those that compute, read and draw; the others stand in the environment.
_PACKAGES = (
    "numpy", "scipy", "numba", "llvmlite", "pandas", "xarray", "h5py", "h5netcdf", "lmfit",
    "matplotlib", "colour-science",
)  # fmt: skip


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
    return {
        "residuekit": __version__,
        "code": code_version(),
        **versions(),
        "environment": dict(environment()),
        "started": started,
        **settings_of(manifest),
        "n_arms": manifest.n_tests,
        "inputs": dict(inputs),
        "failures": dict(failures),
    }


def steps_of(procedure: Procedure, folder: Path) -> list[dict[str, Any]]:
    """The steps, their files as seen from the folder of the study, wherever that lies."""
    return [{"step": name, **unpinned(given, folder)} for name, given in procedure.steps]


@cache
def environment() -> Mapping[str, str]:
    """Every distribution that is installed when the first run begins, with its version."""
    known = (one.metadata for one in distributions())
    found = {one["Name"]: one["Version"] for one in known if one["Name"]}
    return MappingProxyType(dict(sorted(found.items(), key=lambda item: item[0].casefold())))


def settings_of(manifest: Manifest) -> dict[str, Any]:
    """What a study asks and how it is computed, as the record of a run holds it."""
    second, first = manifest.second_procedure, manifest.asked[0]
    return {
        "study": {
            "title": manifest.title,
            "treatment": manifest.treatment,
            "working_exposure_min": manifest.working_exposure_min,
            **({"working_exposures": own} if (own := dict(manifest.working_exposures)) else {}),
            "acceptance_limit_ug_cm2": first.acceptance_limit,
            "acceptance_reason": first.acceptance_reason,
            "residues": [one.record() for one in manifest.residues],
            "alpha": manifest.alpha,
            "beta": manifest.beta,
            "scale_margin": manifest.scale_margin,
            "loading_checked": manifest.loading_checked,
            "density_g_cm3": first.density,
            "scores": list(manifest.scores),
            "figure": dict(manifest.figure),
            "quality": dict(manifest.quality),
        },
        "procedure": steps_of(manifest.procedure, manifest.folder),
        "second_procedure": second and steps_of(second, manifest.folder),
        "markers": [dataclasses.asdict(marker) for marker in manifest.markers],
    }


def versions() -> dict[str, Any]:
    """What a result was computed with, beside this library."""
    return {
        "python": platform.python_version(),
        "system": platform.system(),
        "packages": {name: _version(name) for name in _PACKAGES},
    }


def no_longer_as(record: Mapping[str, Any], manifest: Manifest) -> Iterator[str]:
    """The inputs of a run that are now absent or others; the settings count by what they say."""
    now = json.loads(json.dumps(settings_of(manifest), default=str))
    lies = {row.file: row.path for row in manifest.measurements}
    for name, digest in record["inputs"].items():
        if name == SETTINGS:
            same = all(record.get(key) == value for key, value in now.items())
        else:
            path = manifest.folder / lies.get(name, name)
            same = path.exists() and io.sha256(path) == digest
        if not same:
            yield name


@cache
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
