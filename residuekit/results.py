"""The results of a study: the tables, the mean spectra, where the score maps lie."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from .errors import ContractError, Fault, ReadError, did_you_mean
from .io.opening import MOST_TOML, content, inside, regular
from .reprs import to_error
from .schema import (
    COMPARISON_COLUMNS,
    JUDGED_COLUMNS,
    MARKER_COLUMNS,
    MOCKUP_COLUMNS,
    SECOND_COLUMNS,
    VERDICT_COLUMNS,
)
from .words.codes import Note, from_json
from .words.common import arm_words
from .words.verdict import run_lines

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

TABLES = {
    "verdicts": VERDICT_COLUMNS,
    "scores": VERDICT_COLUMNS,
    "mockups": MOCKUP_COLUMNS,
    "markers": MARKER_COLUMNS,
    "comparisons": COMPARISON_COLUMNS,
}
SECOND = "second-procedure.csv"
SPECTRA = "spectra.nc"
PROVENANCE = "provenance.json"
CHANGES = "changes.md"
#: Bytes of score maps that a result keeps once they are read.
_MOST_KEPT = 2**26
#: Text columns that may be empty or look like numbers.
_TEXTS = (
    "paint", "soiling", "treatment", "score", "unit", "blind_markers", "verdict", "reason",
    "mockup", "role", "other_unit", "other_verdict", "codes", "residue", "clearance", "paired",
    "left", "right", "scale", "against_acceptance", "block",
)  # fmt: skip


class ArmNotes(NamedTuple):
    """Why an arm has its verdict, and what else must be said of it."""

    why: tuple[Note, ...] = ()
    remarks: tuple[Note, ...] = ()


def _no_comparisons() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=list(COMPARISON_COLUMNS))


@dataclass(frozen=True, repr=False, eq=False)
class StudyResult:
    """What a run of a study found.

    `verdicts`, `scores`, `mockups`, `markers`, `comparisons` are the tables of the run folder.
    `spectra` holds the mean spectra: `spectrum` (row, wavenumber) with the coordinates role,
    mockup, paint,
    soiling, ageing_h, treatment, exposure_min, clearance_min, clearance, loading_ug_cm2,
    material. `provenance` is the
    record of the run: question, procedure, limits, inputs with their hashes, versions.
    `failures` names each map that could not be used, and why. `second_procedure` holds the verdicts
    under the study's second procedure beside its own, or is None.
    """

    folder: Path
    verdicts: pd.DataFrame
    scores: pd.DataFrame
    mockups: pd.DataFrame
    markers: pd.DataFrame
    spectra: xr.Dataset
    provenance: Mapping[str, Any]
    second_procedure: pd.DataFrame | None = None
    comparisons: pd.DataFrame = field(default_factory=_no_comparisons)
    _notes: dict[tuple[str, ...], ArmNotes] | None = field(default=None, init=False)
    _read: dict[Path, xr.Dataset] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        if vars(self)["spectra"] is None:
            object.__delattr__(self, "spectra")

    def __getattr__(self, name: str) -> Any:
        """Read the mean spectra, which were left in their file, when they are first asked for."""
        if name != "spectra":
            raise AttributeError(f"{type(self).__name__!r} object has no attribute {name!r}")
        from .io.netcdf import load_own

        object.__setattr__(self, "spectra", _part(self.folder / SPECTRA, load_own))
        return self.spectra

    @property
    def fingerprint(self) -> str:
        """One SHA-256 for all that went in, of the lines ``checksum  path``, sorted by path."""
        inputs = sorted(self.provenance["inputs"].items())
        lines = "".join(f"{digest}  {name}\n" for name, digest in inputs)
        return hashlib.sha256(lines.encode("utf-8", "surrogateescape")).hexdigest()

    @property
    def failures(self) -> dict[str, str]:
        """File -> why it could not be used."""
        return dict(self.provenance["failures"])

    @property
    def changes(self) -> str:
        """What changed since the run before, in Markdown."""
        path = self.folder / CHANGES
        return content(path).decode() if path.is_file() else ""

    def notes(self, row: Mapping[Any, Any]) -> ArmNotes:
        """The codes with their numbers of an arm, one of the rows of `verdicts`."""
        if self._notes is None:
            made = {
                _place(entry): ArmNotes(
                    tuple(map(from_json, entry["why"])),
                    tuple(map(from_json, entry["remarks"])),
                )
                for entry in self.provenance.get("notes", ())
            }
            object.__setattr__(self, "_notes", made)
        assert self._notes is not None
        return self._notes.get(_place(row), ArmNotes())

    def map_entries(self, layer: str = "") -> list[dict[str, str]]:
        """The record of each score map, in the order of the table of measurements: file, map, role,
        mockup, residue; with `layer` ``difference`` those of what each pixel of a paired mock-up
        differs by from the same pixel before treatment."""
        listed = self.provenance.get("maps", ())
        return [entry for entry in listed if entry.get("layer", "") == layer]

    def maps(self, role: str | None = None, layer: str = "") -> list[Path]:
        """The files of the same maps, of one role alone if it is named; `score_map` reads one."""
        return [
            self.folder / entry["map"]
            for entry in self.map_entries(layer)
            if role is None or entry["role"] == role
        ]

    @property
    def residues(self) -> list[str]:
        """The materials that arms were judged for, that of the question first."""
        study = self.provenance["study"]
        asked = [one["material"] for one in study.get("residues", ())] or [study["treatment"]]
        return list(dict.fromkeys([*asked, *filter(None, self.verdicts["residue"])]))

    def of_residue(self, material: str | None = None) -> StudyResult:
        """The same run for one residue alone: its arms, scores, markers, limit and maps.

        Parameters
        ----------
        material : as in the column `residue`; the first of the study when left out.

        Raises
        ------
        ContractError : a material that no arm was judged for.
        """
        name = self.residues[0] if material is None else material
        if name not in self.residues:
            raise ContractError(
                Fault(f"the residue {name!r}", "a material that arms were judged for",
                      did_you_mean(name, self.residues))
            )  # fmt: skip
        study = dict(self.provenance["study"])
        own = next((r for r in study.get("residues", ()) if r["material"] == name), None)
        study |= {"residue": name, "left_by": [name] if own is None else own["left_by"]}
        if study["treatment"] not in study["left_by"]:
            study["treatment"] = study["left_by"][0]
        if study.get("working_exposures"):
            study["working_exposure_min"] = study["working_exposures"].get(study["treatment"])
        markers = self.provenance["markers"]
        if own is not None:
            for key in ("acceptance_limit_ug_cm2", "density_g_cm3"):
                study[key] = own.get(key)
            markers = [marker for marker in markers if marker["name"] in own["markers"]]
        maps = [one for one in self.provenance["maps"] if one["residue"] == name]
        tables = {kind: getattr(self, kind) for kind in TABLES}
        part = replace(
            self,
            provenance={**self.provenance, "study": study, "markers": markers, "maps": maps},
            **{kind: table[table["residue"] == name].reset_index(drop=True)
               for kind, table in tables.items()},
        )  # fmt: skip
        object.__setattr__(part, "_read", self._read)
        return part

    def is_pure(self) -> Any:
        """Which rows of `spectra` are references of the residue asked for."""
        spectra, study = self.spectra, self.provenance["study"]
        name = study.get("residue", self.residues[0])
        named = (spectra["material"].values == name) | (spectra["treatment"].values == name)
        return (spectra["role"].values == "reference") & named

    def score_map(self, path: Path) -> xr.Dataset:
        """One of the score maps, read once as long as what is kept of them is small.

        Raises
        ------
        ReadError : a file outside the run folder, or one that `load_own` refuses.
        """
        from .io.netcdf import load_own

        if path in self._read:
            return self._read[path]
        with inside(self.folder):
            found = load_own(path)
        if found.nbytes + sum(one.nbytes for one in self._read.values()) <= _MOST_KEPT:
            self._read[path] = found
        return found

    def know_maps(self, maps: Mapping[Path, xr.Dataset]) -> None:
        """Take score maps that are in memory, by their files, instead of reading them."""
        self._read.update(maps)

    def to_frame(self) -> pd.DataFrame:
        """The verdicts, a row an arm and residue."""
        return self.verdicts

    def __repr__(self) -> str:
        lines = [str(self.provenance["study"]["title"])]
        alpha, beta = (self.provenance["study"][rate] for rate in ("alpha", "beta"))
        for row in self.verdicts.to_dict("records"):
            why = self.notes(row).why
            lines += ["", f"  {arm_words(row)}", *run_lines(row, why, alpha, beta)]
        lines += self._second_lines()
        lines += [f"\n  not used: {file}: {why}" for file, why in self.failures.items()]
        return "\n".join(lines)

    def _second_lines(self) -> list[str]:
        table = self.second_procedure
        if table is None:
            return []
        rows = table[table["verdict"] != table["other_verdict"]].to_dict("records")
        changed = [
            f"\n  by the second procedure {row['other_verdict']}: {arm_words(row)}" for row in rows
        ]
        return changed or ["\n  by the second procedure every verdict is the same"]

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th scope='row' style='text-align:left'>{escape(arm_words(row))}</th>"
            + "".join(f"<td style='text-align:left'>{escape(cell)}</td>" for cell in _cells(row))
            + "</tr>"
            for row in self.verdicts.to_dict("records")
        )
        heads = "".join(
            f"<th scope='col' style='text-align:left'>{head}</th>"
            for head in ("arm", "verdict", "mean", "detection limit", "lower bound", "upper bound",
                         "unit", "n", "one mock-up may hide")
        )  # fmt: skip
        title = escape(str(self.provenance["study"]["title"]))
        failed = "".join(
            f"<p>Not used: {escape(file)}: {escape(why)}</p>" for file, why in self.failures.items()
        )
        return (
            f"<table><caption style='text-align:left'>{title}</caption><thead><tr>{heads}</tr>"
            f"</thead><tbody>{rows}</tbody></table>{failed}"
        )


def _cells(row: Mapping[Any, Any]) -> list[str]:
    """The cells of an arm, rounded to the standard error; n is exposed and blank mock-ups."""
    if not row["n_mockups"] or row["estimate"] != row["estimate"]:
        return [str(row["verdict"]), *[""] * 7]
    mean, lower, upper, seen, least = _rounded(row)
    n = f"{row['n_mockups']:g} against {row['n_blank_mockups']:g} blanks"
    found = row["verdict"] == "detected"
    return [str(row["verdict"]), mean, seen, lower if found else "", upper, str(row["unit"]), n,
            least]  # fmt: skip


def _rounded(row: Mapping[Any, Any]) -> tuple[str, str, str, str, str]:
    """Mean with its standard error, one-sided bounds, detection limits of the mean and of one
    mock-up."""
    error, mean = row["standard_error"], row["estimate"]
    limits = (
        2 * mean - row["upper_bound"], row["upper_bound"], row["detection_limit"],
        row["mockup_detection_limit"],
    )  # fmt: skip
    lower, upper, seen, least = (to_error(value, error) for value in limits)
    spread = f" +/- {to_error(error, error)}" if error == error else ""
    return f"{to_error(mean, error)}{spread}", lower, upper, seen, least


def _place(row: Mapping[Any, Any]) -> tuple[str, ...]:
    """What names an arm: the same for a row of the tables and for the record."""
    cells = (row[name] for name in JUDGED_COLUMNS)
    return tuple(f"{cell:.9g}" if isinstance(cell, int | float) else str(cell) for cell in cells)


def open_run(folder: str | Path) -> StudyResult:
    """Open the results of an earlier run.

    Parameters
    ----------
    folder : a folder below ``runs/``, or a study (its newest run).

    Returns
    -------
    A `StudyResult`: tables, mean spectra, score maps, the record of the run.

    Raises
    ------
    ReadError : the folder holds no complete run, or a part of it was damaged.

    >>> open_run("no such run")
    Traceback (most recent call last):
    ...
    residuekit.errors.ReadError: no such run: found no provenance.json ...
    """
    result = open_tables(folder)
    assert result.spectra is not None
    return result


def open_tables(folder: str | Path) -> StudyResult:
    """Open a run as `open_run` does; its mean spectra are read when they are first asked for."""
    folder = Path(folder)
    latest = folder / "runs" / "latest"
    if latest.is_file():
        folder = folder / "runs" / content(latest, MOST_TOML).decode().strip()
    parts = (PROVENANCE, SPECTRA, *(f"{name}.csv" for name in TABLES))
    missing = [name for name in parts if not (folder / name).is_file()]
    if missing:
        raise ReadError(
            Fault(
                f"no {' and no '.join(missing)} in {folder.name!r}",
                "the folder of a run that was finished",
                "residuekit run DIR first, then open DIR or DIR/runs/<time>",
                file=folder.name,
            )
        )
    second = folder / SECOND
    return StudyResult(
        folder=folder,
        second_procedure=_part(second, _read_table) if second.is_file() else None,
        spectra=cast("xr.Dataset", None),
        provenance=read_provenance(folder),
        **{name: _part(folder / f"{name}.csv", _read_table) for name in TABLES},
    )


def read_provenance(folder: Path) -> dict[str, Any]:
    """Read the record of a run; ReadError if it was damaged."""
    record: dict[str, Any] = _part(folder / PROVENANCE, lambda path: json.loads(content(path)))
    return record


def _read_table(path: Path) -> pd.DataFrame:
    import pandas as pd

    columns = {**TABLES, Path(SECOND).stem: SECOND_COLUMNS}[path.stem]
    table = pd.read_csv(
        regular(path),
        dtype=dict.fromkeys(_TEXTS, str),
        keep_default_na=False,
        na_values={name: [""] for name in columns if name not in _TEXTS},
    )
    absent = [name for name in columns if name not in table.columns]
    if absent:
        raise ValueError(f"no column {', '.join(absent)}")
    return table


def _part(path: Path, read: Callable[[Path], Any]) -> Any:
    try:
        return read(path)
    except (OSError, ValueError) as problem:
        raise ReadError(
            Fault(
                f"{path.name} that cannot be read ({problem})",
                "a run as it was written",
                "residuekit run DIR again",
                file=str(path),
            )
        ) from problem
