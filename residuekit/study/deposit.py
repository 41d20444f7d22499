"""A deposit of a study: all that is missing is said at once, else the archive is written."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from .. import io
from ..errors import Fault, ReadError, ResiduekitError, StudyError
from ..io.checksum import files_of
from ..io.opening import content
from ..report.archive import write_archive
from ..report.deposit_parts import deposit_pieces
from ..results import PROVENANCE, StudyResult, open_run
from ..spectra.step_files import step_files
from ..toml_lines import lines_of, load_toml
from ..validator import Place, check
from .manifest import Manifest, examine
from .notebooks import FOLDER as NOTEBOOKS
from .provenance import no_longer_as
from .settings import FIELDS, SETTINGS

_NEEDED = ("authors", "licence", "publisher", "description")
#: Files that a run leaves unless it was stopped on the way.
_WRITTEN = (
    "report.html",
    "summary.pdf",
    "methods.md",
    "supplement.md",
    "caption.md",
    "figure.json",
)
#: Other files that a study may hold.
_BESIDE = ("registration.json", "README.txt")


class Deposit(NamedTuple):
    """The archive that was written: its place, SHA-256, number of files, statement for a paper."""

    path: Path
    sha256: str
    n_files: int
    statement: str


def write_deposit(folder: str | Path, out: str | Path | None = None) -> Deposit:
    """Write a study and its newest run as one archive that runs again where it is unpacked.

    Parameters
    ----------
    folder : a study, or one of its runs. out : the archive; by default ``<study>-<run>.zip`` here.

    Raises
    ------
    StudyError : everything that is missing: fields of a deposit, a run, inputs as they were then.
    WriteError : the place of the archive cannot be written.
    """
    given = Path(folder)
    study = given.resolve().parent.parent if (given / PROVENANCE).is_file() else given
    with io.inside(study):
        manifest, faults = examine(study)
        fields, wrong = _fields(study)
        faults = [fault for fault in faults if fault not in wrong] + wrong
        try:
            result = open_run(given)
        except ReadError as problem:
            raise StudyError([*faults, *problem.faults]) from problem
        target = Path(out or f"{study.resolve().name}-{result.folder.name}.zip")
        inputs = _inputs(manifest)
        faults += [*_unlike_the_run(manifest, result), *_target_faults(target)]
        if faults:
            raise StudyError(faults)
        further = [name for name in _BESIDE if (study / name).is_file()]
        further += [
            f"{NOTEBOOKS}/{path.name}" for path in sorted(study.glob(f"{NOTEBOOKS}/*.ipynb"))
        ]
        pieces, statement = deposit_pieces(result, study, fields, inputs, further)
        write_archive(pieces, target)
    return Deposit(target, io.sha256(target), len(pieces) + 1, statement)


def _fields(study: Path) -> tuple[dict[str, Any], list[Fault]]:
    """What study.toml says of a deposit, and what it should say; of a broken file nothing more."""
    try:
        text = content(study / SETTINGS).decode("utf-8-sig")
        given = load_toml(text, SETTINGS).get("deposit", {})
    except (ResiduekitError, UnicodeDecodeError):
        return {}, []
    fields = FIELDS["deposit"].fields
    assert fields is not None
    place = Place(SETTINGS, lines_of(text)).inside("deposit")
    return check(given if isinstance(given, dict) else {}, fields, place, _NEEDED)


def _inputs(manifest: Manifest) -> dict[str, Path]:
    """Every file that a run reads, and what stands beside it, by its path below the study."""
    named = [*manifest.sources, *(row.path for row in manifest.measurements)]
    paths = [path for name in named for path in files_of(manifest.folder / name)]
    for procedure in manifest.procedures:
        paths += [Path(file) for _, given in procedure.steps for _, file in step_files(given)]
    return {path.relative_to(manifest.folder).as_posix(): path for path in paths}


def _unlike_the_run(manifest: Manifest, result: StudyResult) -> Iterator[Fault]:
    """What is no longer as it was when the run was made, and what the run does not hold."""
    again = f"residuekit run {manifest.folder}, then deposit again"
    record = result.provenance
    if "environment" not in record:
        yield Fault("a run without its environment", "every package with its version", again,
                    result.folder.name)  # fmt: skip
    absent = [name for name in _WRITTEN if not (result.folder / name).is_file()]
    if absent:
        yield Fault(f"a run without {', '.join(absent)}", "a run as it was written", again,
                    result.folder.name)  # fmt: skip
    for name in no_longer_as(record, manifest):
        what = "settings" if name == SETTINGS else "content"
        yield Fault(f"other {what} than the run was made with, or none", "what it was made with",
                    f"the file as it was, or {again}", name)  # fmt: skip


def _target_faults(target: Path) -> Iterator[Fault]:
    if target.suffix.casefold() != ".zip":
        yield Fault(f"the name {target.name!r}", "a ZIP archive", f"--out {target.stem}.zip")
    if target.exists():
        yield Fault("an archive that is there already", "a new name", "--out NEW.zip", str(target))
    elif not target.absolute().parent.is_dir():
        yield Fault("no such folder", "a folder for the archive", "--out with another folder",
                    str(target.parent))  # fmt: skip
