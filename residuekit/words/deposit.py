"""The texts of a deposit: how it is read, how it is run again, and the statement for a paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from .common import counted

#: What the tables of a deposit are, by the name of the file.
TABLES = {
    "measurements": "A row a measured file: what it is, of which mock-up",
    "trial": "The other criteria of the trial, a row a mock-up",
    "verdicts": "A row an arm: verdict, estimate, limits, bounds, by the deciding score",
    "scores": "A row an arm and score: what each score says by itself",
    "mockups": "A row a mock-up and score",
    "markers": "A row a score and paint: what each score can see",
    "second-procedure": "The verdicts under the second procedure beside the first",
    "comparisons": "What is compared beside the arms",
}


def authors_words(authors: Sequence[Mapping[str, Any]]) -> str:
    """The authors in a row.

    >>> authors_words([{"name": "Doe, J."}, {"name": "Roe, R."}])
    'Doe, J.; Roe, R.'
    """
    return "; ".join(author["name"] for author in authors)


def data_statement(fields: Mapping[str, Any], n_files: int, fingerprint: str) -> str:
    """The statement on data for a paper; the repository's identifier is left to be filled in."""
    return (
        f"The measured spectra, the table of measurements, the settings and all results of this "
        f"study ({counted(n_files, 'file')}) are deposited with {fields['publisher']} (identifier: "
        f"to be filled in) under {fields['licence']}, with the versions of all software. The "
        f"measured files and settings have the SHA-256 fingerprint {fingerprint[:16]}."
    )


def readme(
    title: str, fields: Mapping[str, Any], *, run: str, version: str, python: str, statement: str
) -> str:
    """The text that stands first in a deposit, in Markdown."""
    return f"""# {title}

{fields["description"]}

Authors: {authors_words(fields["authors"])}. Licence: {fields["licence"]}, see LICENCE.txt.

- `study.toml`, `measurements.csv`, `data/`: the question, the settings, the measured files
- `runs/{run}/report.html`: the answer and what stands behind it; `verdicts.csv` beside it
- `datapackage.json`: every column of the tables; `ro-crate-metadata.json`: what was made from what
- `datacite.json`: the fields that a repository asks for
- `constraints.txt`: every installed package with its version, Python {python}

## Run it again

```sh
sha256sum --check SHA256SUMS
python -m venv environment
environment/bin/pip install -c constraints.txt residuekit=={version}
environment/bin/residuekit run . --again
environment/bin/residuekit compare runs/{run} runs/latest
```

The last command says whether any verdict differs.

## Statement for a paper

{statement}
"""


def licence_text(licence: str, authors: Sequence[Mapping[str, Any]], year: str) -> str:
    """The licence of the data by its name, and where its text stands."""
    return (
        f"Copyright {year} {authors_words(authors)}\n\nLicence: {licence}\n"
        f"The full text: https://spdx.org/licenses/{licence}.html\n"
    )
