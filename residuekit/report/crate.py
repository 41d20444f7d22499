"""What was made from what, in a deposit: RO-Crate metadata with the Process Run Crate profile."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping
from mimetypes import guess_type
from typing import Any

from .archive import Piece

_CONTEXT = "https://w3id.org/ro/terms/workflow-run/context"
_PROFILES = {
    "https://w3id.org/ro/wfrun/process/0.5": ("Process Run Crate", "0.5"),
}


def crate_metadata(
    record: Mapping[str, Any],
    fields: Mapping[str, Any],
    pieces: Iterable[Piece],
    inputs: Collection[str],
    outputs: Collection[str],
) -> dict[str, Any]:
    """Describe the pieces of a deposit, which of them went into the run, and which came out.

    `record` is the record of the run, `fields` what study.toml says below ``[deposit]``.
    """
    from rocrate.model import ContextEntity, Person
    from rocrate.rocrate import ROCrate

    crate = ROCrate(version="1.1")
    crate.metadata.extra_contexts.append(_CONTEXT)
    crate.name, crate.description = record["study"]["title"], fields["description"]
    crate.datePublished = record["started"]
    crate.license = crate.add(
        ContextEntity(crate, f"https://spdx.org/licenses/{fields['licence']}",
                      {"@type": "CreativeWork", "name": fields["licence"]})
    )  # fmt: skip
    crate.publisher = crate.add(
        ContextEntity(crate, "#publisher", {"@type": "Organization", "name": fields["publisher"]})
    )
    crate.keywords = ", ".join(fields.get("keywords", ()))
    profiles = [
        crate.add(ContextEntity(crate, url, {"@type": "CreativeWork", "name": name,
                                             "version": version}))
        for url, (name, version) in _PROFILES.items()
    ]  # fmt: skip
    crate.root_dataset["conformsTo"] = profiles
    authors = []
    for number, author in enumerate(fields["authors"], start=1):
        given = {key: author[key] for key in ("name", "affiliation") if key in author}
        name = f"https://orcid.org/{author['orcid']}" if "orcid" in author else f"#author-{number}"
        authors.append(crate.add(Person(crate, name, given)))
    crate.creator = authors
    files = {
        piece.path: crate.add_file(
            dest_path=piece.path,
            properties={
                "contentSize": str(piece.size),
                "sha256": piece.sha256,
                "encodingFormat": guess_type(piece.path)[0] or "application/octet-stream",
            },
        )
        for piece in pieces
    }
    software = [
        crate.add(ContextEntity(crate, f"#{name}-{version}", {
            "@type": "SoftwareApplication", "name": name, "softwareVersion": version,
        }))
        for name, version in (("residuekit", record["residuekit"]), ("Python", record["python"]))
    ]  # fmt: skip
    action = crate.add(
        ContextEntity(crate, "#run", {
            "@type": "CreateAction", "name": "residuekit run", "startTime": record["started"],
        })
    )  # fmt: skip
    action["instrument"], action["agent"] = software[0], authors[0]
    software[0]["softwareRequirements"] = software[1]
    action["object"] = [file for path, file in files.items() if path in inputs]
    action["result"] = [file for path, file in files.items() if path in outputs]
    crate.root_dataset["mentions"] = action
    made: dict[str, Any] = json.loads(json.dumps(crate.metadata.generate(), default=str))
    return made


def datacite(record: Mapping[str, Any], fields: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of the DataCite schema; the identifier is the repository's to give."""
    return {
        "creators": [_creator(author) for author in fields["authors"]],
        "titles": [{"title": record["study"]["title"]}],
        "publisher": fields["publisher"],
        "publicationYear": int(record["started"][:4]),
        "types": {"resourceTypeGeneral": "Dataset", "resourceType": "spectroscopic residue study"},
        "subjects": [{"subject": word} for word in fields.get("keywords", ())],
        "dates": [{"date": record["started"][:10], "dateType": "Created"}],
        "rightsList": [
            {"rightsIdentifier": fields["licence"], "rightsIdentifierScheme": "SPDX",
             "rightsUri": f"https://spdx.org/licenses/{fields['licence']}.html"}
        ],
        "descriptions": [
            {"description": fields["description"], "descriptionType": "Abstract"},
            *({"description": f"Funding: {text}", "descriptionType": "Other"}
              for text in filter(None, [fields.get("funding")])),
        ],
        "formats": ["application/zip"],
    }  # fmt: skip


def _creator(author: Mapping[str, Any]) -> dict[str, Any]:
    creator: dict[str, Any] = {"name": author["name"], "nameType": "Personal"}
    if "orcid" in author:
        creator["nameIdentifiers"] = [
            {"nameIdentifier": f"https://orcid.org/{author['orcid']}",
             "nameIdentifierScheme": "ORCID", "schemeUri": "https://orcid.org"}
        ]  # fmt: skip
    if "affiliation" in author:
        creator["affiliation"] = [{"name": author["affiliation"]}]
    return creator
