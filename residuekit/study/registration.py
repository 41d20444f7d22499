"""What a study has fixed, when, and what was there already: registered, compared at each run."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from .. import io
from ..errors import Fault, StudyError
from ..io.atomic_write import aside
from ..io.opening import MOST_TOML, content
from ..results import PROVENANCE
from ..words.changes import setting_differences
from .manifest import REGISTRATION, Manifest, examine
from .measurements import Measurement
from .provenance import settings_of

#: Settings that only show results.
_SHOWN = ("title", "figure")
_PLANNED = (
    "role", "mockup", "paint", "soiling", "treatment", "exposure_min", "clearance_min",
    "clearance", "ageing_h", "loading_ug_cm2", "material",
)  # fmt: skip


def register(folder: str | Path) -> dict[str, Any]:
    """Write ``registration.json``: what the study asks and how it decides, as it stands now.

    It holds the time (UTC), the sha256 of the canonical text of question, residues, procedure,
    markers, limits and planned mock-ups, that text, and the sha256 of every exposed file that is
    already there. Rows whose files are not there yet stand as planned.

    Raises
    ------
    StudyError : the study has faults, or is registered already.
    """
    manifest, faults = examine(folder, planned=True)
    path = manifest.folder / REGISTRATION
    if path.exists():
        fix = "leave it: each run says what has departed from it"
        found = f"a registration of {_read(path)['time']}"
        faults = [Fault(found, "a study that is registered once", fix, REGISTRATION)]
    if faults:
        raise StudyError(faults)
    fixed = _fixed(manifest)
    there = {
        row.file: io.sha256(manifest.folder / row.path)
        for row in manifest.of_role("exposed")
        if (manifest.folder / row.path).exists()
    }
    registration = {
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "sha256": _digest(fixed),
        "exposed": there,
        "fixed": fixed,
    }
    with aside(path) as part:
        part.write_text(json.dumps(registration, indent=1, ensure_ascii=False) + "\n")
    return registration


def registered(manifest: Manifest) -> dict[str, Any]:
    """What the record of a run says of the registration of its study.

    Either `time`, `sha256`, `exposed_before` and `departures`, or, without one, `earlier_limits`:
    other acceptance limits that kept runs of the study used.
    """
    path = manifest.folder / REGISTRATION
    if not path.exists():
        return {"earlier_limits": _earlier_limits(manifest)}
    known = _read(path)
    if _digest(known["fixed"]) != known["sha256"]:
        raise StudyError(
            Fault("a text that does not have the sha256 beside it", "the file as it was written",
                  "take it from the registry or an archive; or remove it and say so",
                  REGISTRATION)
        )  # fmt: skip
    return {
        "time": known["time"],
        "sha256": known["sha256"],
        "exposed_before": len(known["exposed"]),
        "departures": departures(known["fixed"], _fixed(manifest)),
    }


def departures(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """What differs from what was registered, in words; nothing when it is the same."""
    said = [*setting_differences(then, now).values()]
    before, after = ([tuple(row) for row in fixed["mockups"]] for fixed in (then, now))
    for words, found in (
        ("mock-ups that were not planned", [row for row in after if row not in before]),
        ("planned mock-ups that are not there", [row for row in before if row not in after]),
    ):
        if found:
            said.append(
                f"{len(found)} {words}: {', '.join(f'{row[1]} ({row[0]})' for row in found)}"
            )
    return said


def _fixed(manifest: Manifest) -> dict[str, Any]:
    settings = settings_of(manifest)
    settings["study"] = {k: v for k, v in settings["study"].items() if k not in _SHOWN}
    mockups = sorted({_planned(row) for row in manifest.measurements if row.role != "reference"})
    fixed: dict[str, Any] = json.loads(json.dumps({**settings, "mockups": mockups}, default=str))
    return fixed


def _planned(row: Measurement) -> tuple[str, ...]:
    return tuple(str(getattr(row, name)) for name in _PLANNED)


def _digest(fixed: Mapping[str, Any]) -> str:
    """The sha256 of the canonical text: JSON with sorted keys, without spaces, in UTF-8."""
    text = json.dumps(fixed, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _read(path: Path) -> dict[str, Any]:
    try:
        known: dict[str, Any] = json.loads(content(path, MOST_TOML))
        complete = known.keys() >= {"time", "sha256", "exposed", "fixed"}
    except ValueError:
        complete = False
    if not complete:
        raise StudyError(
            Fault("a file that is no registration", "what residuekit register wrote",
                  "take it from an archive; or remove it and register again", REGISTRATION)
        )  # fmt: skip
    return known


def _earlier_limits(manifest: Manifest) -> list[float]:
    """The acceptance limits of kept runs that are not those of now."""
    now = {one.acceptance_limit for one in manifest.asked}
    limits = set()
    for path in sorted((manifest.folder / "runs").glob(f"*/{PROVENANCE}")):
        try:
            study = json.loads(content(path))["study"]
        except (ValueError, KeyError):
            continue
        own = [one.get("acceptance_limit_ug_cm2") for one in study.get("residues", ())]
        limits |= {study["acceptance_limit_ug_cm2"], *own}
    return sorted(limit for limit in limits - now if limit is not None)
