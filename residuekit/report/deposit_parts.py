"""The pieces of a deposit: the study, one run of it, and what describes both."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..words import deposit as words
from .archive import Piece
from .crate import crate_metadata, datacite
from .data_package import data_package
from .places import without_places

if TYPE_CHECKING:
    from ..results import StudyResult

CONSTRAINTS = "constraints.txt"


def deposit_pieces(
    result: StudyResult,
    study: Path,
    fields: Mapping[str, Any],
    inputs: Mapping[str, Path],
    further: Iterable[str] = (),
) -> tuple[list[Piece], str]:
    """Gather a deposit that is a study folder again when it is unpacked.

    Parameters
    ----------
    fields : what study.toml says below ``[deposit]``.
    inputs : each file that went into the run, by its path below the study.
    further : other files of the study that go with it.

    Returns
    -------
    The pieces, and the statement on data for a paper.
    """
    record, run = result.provenance, f"runs/{result.folder.name}"
    outputs = sorted(path for path in result.folder.rglob("*") if path.is_file())
    pieces = [Piece(name, path) for name, path in inputs.items()]
    made = [Piece(f"{run}/{path.relative_to(result.folder).as_posix()}", path) for path in outputs]
    pieces += [*made, *(Piece(name, study / name) for name in further)]
    pieces = [_without_paths(piece, study) for piece in pieces]
    statement = words.data_statement(fields, len(pieces), result.fingerprint)
    texts = {
        "README.md": words.readme(
            record["study"]["title"], fields, run=result.folder.name, version=record["residuekit"],
            python=record["python"], statement=statement,
        ),
        "LICENCE.txt": words.licence_text(
            fields["licence"], fields["authors"], record["started"][:4]
        ),
        CONSTRAINTS: "".join(f"{name}=={version}\n" for name, version in
                             record["environment"].items()),
        "datacite.json": _json(datacite(record, fields)),
        "runs/latest": f"{result.folder.name}\n",
    }  # fmt: skip
    pieces += [Piece(name, text.encode()) for name, text in texts.items()]
    tables = [piece for piece in pieces if _is_table(piece.path, run)]
    described = data_package(record["study"]["title"], fields["licence"], tables)
    pieces.append(Piece("datapackage.json", _json(described).encode()))
    metadata = crate_metadata(record, fields, pieces, inputs, {piece.path for piece in made})
    return [*pieces, Piece("ro-crate-metadata.json", _json(metadata).encode())], statement


def _is_table(path: str, run: str) -> bool:
    return path.endswith(".csv") and path.rpartition("/")[0] in ("", run)


def _json(values: Mapping[str, Any]) -> str:
    return json.dumps(values, indent=1, ensure_ascii=False) + "\n"


def _without_paths(piece: Piece, study: Path) -> Piece:
    """A notebook without the places of this machine; any other piece as it is."""
    if not piece.path.endswith(".ipynb"):
        return piece
    text = without_places(piece.read().decode("utf-8"), study, piece.path)
    return Piece(piece.path, text.encode())
