"""The results of a study: the tables, the mean spectra, where the score maps lie."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .errors import Fault, ReadError
from .schema import MARKER_COLUMNS, MOCKUP_COLUMNS, VERDICT_COLUMNS

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

TABLES = {
    "verdicts": VERDICT_COLUMNS,
    "scores": VERDICT_COLUMNS,
    "mockups": MOCKUP_COLUMNS,
    "markers": MARKER_COLUMNS,
}
SPECTRA = "spectra.nc"
PROVENANCE = "provenance.json"
CHANGES = "changes.md"
#: Text columns that may be empty or look like numbers.
_TEXTS = (
    "paint", "soiling", "treatment", "score", "unit", "blind_markers", "verdict", "reason",
    "mockup", "role",
)  # fmt: skip


@dataclass(frozen=True)
class StudyResult:
    """What a run of a study found.

    `verdicts`, `scores`, `mockups`, `markers` are the tables of the run folder. `spectra` holds
    the mean spectra: `spectrum` (row, wavenumber) with the coordinates role, mockup, paint,
    soiling, ageing_h, treatment, exposure_min, clearance_min, loading_ug_cm2. `provenance` is the
    record of the run: question, procedure, limits, inputs with their hashes, versions.
    `failures` names each map that could not be used, and why.
    """

    folder: Path
    verdicts: pd.DataFrame = field(repr=False)
    scores: pd.DataFrame = field(repr=False)
    mockups: pd.DataFrame = field(repr=False)
    markers: pd.DataFrame = field(repr=False)
    spectra: xr.Dataset = field(repr=False)
    provenance: Mapping[str, Any] = field(repr=False)

    @property
    def failures(self) -> dict[str, str]:
        """File -> why it could not be used."""
        return dict(self.provenance["failures"])

    @property
    def changes(self) -> str:
        """What changed since the run before, in Markdown."""
        path = self.folder / CHANGES
        return path.read_text(encoding="utf-8") if path.is_file() else ""

    def maps(self, role: str | None = None) -> list[Path]:
        """The files of score maps, in the order of the table of measurements."""
        listed = self.provenance["maps"]
        return [
            self.folder / entry["map"] for entry in listed if role is None or entry["role"] == role
        ]

    def to_frame(self) -> pd.DataFrame:
        """The verdicts, a row an arm."""
        return self.verdicts

    def __str__(self) -> str:
        lines = [str(self.provenance["study"]["title"])]
        for row in self.verdicts.to_dict("records"):
            lines.append(f"  {arm_words(row)}: {row['verdict'].upper()}. {row['reason']}")
        lines += [f"  not used: {file}: {why}" for file, why in self.failures.items()]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        return str(self.verdicts.to_html(index=False, na_rep="", escape=True))


def arm_words(row: Mapping[Any, Any]) -> str:
    """An arm as people say it.

    >>> arm_words({"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
    ...            "exposure_min": 2.0, "clearance_min": 2.0})
    'alkyd, gel 2 min, cleared 2 min'
    """
    words = [str(row["paint"])]
    if row["soiling"] != "none":
        words.append(f"soiling {row['soiling']}")
    if row["ageing_h"]:
        words.append(f"aged {row['ageing_h']:g} h")
    words.append(f"{row['treatment']} {row['exposure_min']:g} min")
    words.append(f"cleared {row['clearance_min']:g} min")
    return ", ".join(words)


def open_run(folder: str | Path) -> StudyResult:
    """Open the results of an earlier run: a folder below ``runs/``, or a study (its newest run).

    Raises
    ------
    ReadError : the folder holds no complete run.
    """
    import pandas as pd
    import xarray as xr

    folder = Path(folder)
    latest = folder / "runs" / "latest"
    if latest.is_file():
        folder = folder / "runs" / latest.read_text(encoding="utf-8").strip()
    missing = [name for name in (PROVENANCE, SPECTRA) if not (folder / name).is_file()]
    if missing:
        raise ReadError(
            Fault(
                f"no {' and no '.join(missing)} in {folder.name!r}",
                "the folder of a run that was finished",
                "residuekit run DIR first, then open DIR or DIR/runs/<time>",
                file=folder.name,
            )
        )
    texts = dict.fromkeys(_TEXTS, str)
    tables = {
        name: pd.read_csv(folder / f"{name}.csv", dtype=texts, keep_default_na=False,
                          na_values={c: [""] for c in columns if c not in _TEXTS})
        for name, columns in TABLES.items()
    }  # fmt: skip
    provenance = json.loads((folder / PROVENANCE).read_text(encoding="utf-8"))
    return StudyResult(
        folder=folder,
        spectra=xr.load_dataset(folder / SPECTRA, engine="h5netcdf"),
        provenance=provenance,
        **tables,
    )
