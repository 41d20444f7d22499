"""The manifest of a study: study.toml and the table of measurements, refused whole or accepted."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from ..decision.claims import SCALE_MARGIN
from ..decision.design import arm_notes
from ..errors import Fault, StudyError, grouped
from ..io.opening import inside
from ..markers import Marker
from ..schema import ROLES
from ..spectra.procedure import Procedure
from ..trial.table import Trial, examine_trial
from ..words.codes import Note
from ..words.common import counted
from ..words.methods import unspecific_marker
from .befores import placed_before
from .design_faults import design_faults, limit_notes, notes_of, working_note
from .file_faults import file_faults
from .film_loadings import with_film_loadings
from .how_read import with_options
from .measurements import Key, Measurement, read_measurements
from .residues import Residue, residue_faults, residue_notes, short_form, unreasoned
from .settings import SETTINGS, read_settings
from .stage_picture import picture_faults

#: What a study has fixed, where it was registered.
REGISTRATION = "registration.json"


@dataclass(frozen=True)
class Manifest:
    """What a study asks, how it is computed, and which files it holds."""

    folder: Path
    title: str
    treatment: str
    working_exposure_min: float | None
    acceptance_limit: float | None
    acceptance_reason: str
    procedure: Procedure
    second_procedure: Procedure | None
    markers: tuple[Marker, ...]
    scores: tuple[str, ...]
    alpha: float
    beta: float
    quality: Mapping[str, float]
    figure: Mapping[str, Any]
    notebooks: Mapping[str, Mapping[str, Any]]
    measurements: tuple[Measurement, ...]
    table: str
    trial: Trial = field(default_factory=Trial)
    loading_checked: bool = False
    density: float | None = None
    scale_margin: float = SCALE_MARGIN
    working_exposures: Mapping[str, float] = field(default_factory=dict)
    residues: tuple[Residue, ...] = ()

    @cached_property
    def asked(self) -> tuple[Residue, ...]:
        """The residues that are asked for, the tables [[residue]] or the short form's."""
        return self.residues or short_form(
            self.treatment, self.acceptance_limit, self.acceptance_reason, self.markers,
            self.measurements, self.density,
        )  # fmt: skip

    def residue(self, material: str) -> Residue:
        """What is asked of one material."""
        return next(one for one in self.asked if one.material == material)

    def materials(self, treatment: str) -> tuple[str, ...]:
        """The materials for whose residue an arm of this treatment is judged."""
        return tuple(one.material for one in self.asked if treatment in one.left_by)

    def references(self, material: str) -> tuple[Measurement, ...]:
        """The rows of the pure material."""
        return tuple(filter(self.residue(material).holds, self.of_role("reference")))

    @property
    def sources(self) -> tuple[str, ...]:
        """The files that say what the study is: settings, table, trial and picture if any."""
        registered = REGISTRATION if (self.folder / REGISTRATION).is_file() else None
        given = (SETTINGS, self.table, self.trial.file, self.figure.get("image"), registered)
        return tuple(filter(None, given))

    @property
    def procedures(self) -> tuple[Procedure, ...]:
        """The procedure, and the second one where the study has one."""
        second = self.second_procedure
        return (self.procedure,) if second is None else (self.procedure, second)

    @property
    def quality_arguments(self) -> dict[str, Any]:
        """What `residuekit.check_quality` is given: the thresholds, the windows of the markers."""
        return {**self.quality, "windows": [(one.low, one.high) for one in self.markers]}

    def of_role(self, role: str) -> tuple[Measurement, ...]:
        """The rows of one role, in the order of the table."""
        return tuple(row for row in self.measurements if row.role == role)

    def arms(self) -> dict[tuple[Any, ...], tuple[Measurement, ...]]:
        """The exposed rows, gathered by arm, in the order in which the table names them."""
        gathered: dict[tuple[Any, ...], list[Measurement]] = defaultdict(list)
        for row in self.of_role("exposed"):
            gathered[row.arm].append(row)
        return {arm: tuple(rows) for arm, rows in gathered.items()}

    @property
    def n_tests(self) -> int:
        """How many arms are tested, each for every residue that it is judged for."""
        return sum(len(self.materials(rows[0].treatment)) or 1 for rows in self.arms().values())

    def arm_notes(self) -> dict[Key, list[Note]]:
        """What must be said of the arms whose mock-ups stand elsewhere too, or were measured unlike
        their blanks."""
        return arm_notes(self.measurements)

    @property
    def notes(self) -> list[str]:
        """What a user should know of the table that is not wrong."""
        used = [marker.name for marker in self.markers if marker.unspecific]
        working = self.working_exposure_min
        limits = {residue.acceptance_limit for residue in self.asked}
        return [
            *(note for limit in limits for note in limit_notes(limit, self.measurements)),
            *filter(None, map(unreasoned, self.asked)),
            *residue_notes(self.asked, self.measurements),
            *(
                note
                for gel in self.working_exposures or [self.treatment]
                for note in working_note(
                    gel, self.working_exposures.get(gel, working), self.measurements
                )
            ),
            *notes_of(self.measurements),
            *map(unspecific_marker, used),
        ]

    def __str__(self) -> str:
        counts = ", ".join(
            f"{len(rows)} {role}"
            for role in ROLES
            if (rows := self.of_role(role)) or role != "before"
        )
        materials = " and ".join(one.material for one in self.asked)
        mockups = len({row.mockup for row in self.measurements if row.mockup})
        return (
            f"{self.title}\n"
            f"  {counted(len(self.measurements), 'file')} ({counts}), "
            f"{counted(mockups, 'mock-up')}, {counted(len(self.arms()), 'arm')}\n"
            f"  residue of {materials}, by {' and '.join(self.scores)}; "
            f"alpha {self.alpha:g}, beta {self.beta:g}"
        )


def load_manifest(folder: str | Path) -> Manifest:
    """Read a study folder, or refuse it with everything that is wrong with it in one message.

    Raises
    ------
    StudyError : one fault for each thing wrong, each with file, line, what was found, what is
        needed and what to type. Nothing is computed and nothing written before this has passed.
    """
    manifest, faults = examine(folder)
    if faults:
        raise StudyError(faults)
    return manifest


def examine(folder: str | Path, *, planned: bool = False) -> tuple[Manifest, list[Fault]]:
    """Read a study folder as far as it can be read, with everything that is wrong with it.

    With `planned`, rows whose files are not there yet are no fault.

    Raises
    ------
    StudyError : there is no such folder.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise StudyError(
            Fault(
                f"no folder {str(folder)!r}",
                "a study folder",
                f"residuekit new {folder} makes one to fill in",
            )
        )
    with inside(folder):
        return _examined(folder, planned)


def _examined(folder: Path, planned: bool) -> tuple[Manifest, list[Fault]]:
    table, rows, faults = read_measurements(folder)
    parts, place, wrong = read_settings(folder)
    mockups = {row.mockup for row in rows if row.mockup}
    rows, unfitting = with_options(folder, rows, parts.pop("reading"), place)
    faults = [
        *wrong,
        *unfitting,
        *grouped(faults),
        *picture_faults(folder, parts["figure"], mockups, place),
    ]
    named = [row for row in rows if "file" not in row.doubtful]
    there = tuple(row for row in named if not planned or (folder / row.path).exists())
    faults += grouped(file_faults(folder, table, there))
    rows, wrong = placed_before(table, rows)
    faults += wrong
    rows, wrong = with_film_loadings(table, rows, parts["residues"], parts["density"])
    faults += wrong
    faults += grouped(design_faults(table, rows, parts["treatment"], parts["scores"], place))
    faults += residue_faults(parts["residues"], rows, SETTINGS)
    trial, wrong = examine_trial(folder)
    faults += wrong
    rows = tuple(row for row in rows if "file" not in row.doubtful)
    return Manifest(folder=folder, measurements=rows, table=table, trial=trial, **parts), faults
