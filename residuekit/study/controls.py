"""Is it the gel, or the procedure? A second procedure beside the first."""

from __future__ import annotations

import shutil
import tempfile
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import ResiduekitWarning
from ..procedure import Procedure
from ..reprs import as_frame
from ..results import arm_words
from ..schema import ARM_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

    from . import Study


@dataclass(frozen=True)
class ProcedureComparison:
    """The verdicts of a study under its own procedure, and under another beside them."""

    rows: tuple[dict[str, Any], ...]

    @property
    def differing(self) -> tuple[dict[str, Any], ...]:
        """The arms whose verdict hangs on the procedure."""
        return tuple(row for row in self.rows if row["verdict"] != row["other_verdict"])

    def to_frame(self) -> pd.DataFrame:
        """A row an arm."""
        return as_frame(list(self.rows))

    def __str__(self) -> str:
        lines = [
            f"{arm_words(row)}: {row['verdict']}; by the other procedure {row['other_verdict']}"
            for row in self.rows
        ]
        lines.append(
            f"{len(self.differing)} of {len(self.rows)} verdicts hang on the procedure."
            if self.differing
            else "No verdict hangs on which of the two procedures was used."
        )
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False, escape=True))


def compare_procedures(study: Study, other: Procedure) -> ProcedureComparison:
    """Judge a study by its own procedure and by another, with a warning where they differ.

    The study's own verdict stays the one that counts: it was fixed beforehand. The second run
    leaves nothing in the study folder.
    """
    from . import Study

    manifest, own = study.manifest, study.run()
    with tempfile.TemporaryDirectory() as place:
        for name in manifest.sources:
            shutil.copyfile(manifest.folder / name, Path(place) / name)
        rows = tuple(
            replace(row, file=str((manifest.folder / row.file).resolve()))
            for row in manifest.measurements
        )
        beside = replace(manifest, folder=Path(place), procedure=other, measurements=rows)
        second = Study(beside).run()
    found = tuple(
        {
            **{name: row[name] for name in ARM_COLUMNS},
            **{name: row[name] for name in ("verdict", "estimate", "detection_limit", "unit")},
            **{f"other_{n}": also[n] for n in ("verdict", "estimate", "detection_limit", "unit")},
        }
        for row, also in zip(
            own.verdicts.to_dict("records"), second.verdicts.to_dict("records"), strict=True
        )
    )
    compared = ProcedureComparison(found)
    if compared.differing:
        warnings.warn(str(compared), ResiduekitWarning, stacklevel=2)
    return compared
