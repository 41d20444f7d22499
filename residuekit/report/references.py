"""The works that the texts of a run cite: only those, as BibTeX and formatted.

Every entry of ``data/references.bib`` was verified in reference lists, field by field; not every
work was read again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

BIBLIOGRAPHY = "references.bib"
#: How a text names a work -> its entry.
NAMED = {
    "Armitage": "armitage1955",
    "Baek 2015": "baek2015",
    "Barnes 1989": "barnes1989",
    "Clopper and Pearson 1934": "clopper1934",
    "Cochran": "cochran1954",
    "Currie 1968": "currie1968",
    "Currie 1995": "currie1995",
    "Currie IUPAC 1995": "currie1995",
    "DIN 32645": "din32645",
    "Eilers and Boelens 2005": "eilers2005",
    "Firth": "firth1993",
    "Harrick 1967": "harrick1967",
    "Hubaux and Vos 1970": "hubaux1970",
    "ISO 11843-2": "iso11843p2",
    "ISO 16269-6": "iso16269p6",
    "Jonckheere": "jonckheere1954",
    "Kubelka and Munk 1931": "kubelka1931",
    "Lawson and Hanson 1974": "lawson1974",
    "Lieber and Mahadevan-Jansen 2003": "lieber2003",
    "Lorber 1986": "lorber1986",
    "Page's": "page1963",
    "Patterson and Thompson 1971": "patterson1971",
    "Rocke and Lorenzato 1995": "rocke1995",
    "Ryan 1988": "ryan1988",
    "Satterthwaite 1946": "satterthwaite1946",
    "Savitzky and Golay 1964": "savitzky1964",
    "Welch 1947": "welch1947",
}
#: The work behind a step of the procedure, or behind one of its methods.
_STEPS: dict[tuple[str, Any], str] = {
    ("correct_baseline", "arpls"): "Baek 2015",
    ("correct_baseline", "asymmetric least squares"): "Eilers and Boelens 2005",
    ("correct_baseline", "iterated polynomial"): "Lieber and Mahadevan-Jansen 2003",
    ("correct_baseline", "snip"): "Ryan 1988",
    ("normalise", "snv"): "Barnes 1989",
    ("smooth", None): "Savitzky and Golay 1964",
    ("correct_atr_depth", None): "Harrick 1967",
    ("kubelka_munk", None): "Kubelka and Munk 1931",
}
_REMARKS = {"iso11843p2": " Used here as in memory, without its corrigendum."}
_LETTERS = (
    (r'\"u', "ü"), (r'\"o', "ö"), (r"\chi^2", "χ²"), ("---", "—"), ("--", "–"),
    ("$", ""), ("{", ""), ("}", ""), ("`", "‘"), ("s' ", "s’ "),
)  # fmt: skip


class Work(NamedTuple):
    """An entry of the bibliography as it stands there, and formatted."""

    entry: str
    formatted: str


@cache
def works() -> dict[str, Work]:
    """Every work that may be cited: the key of its entry -> the entry."""
    text = (files("residuekit.data") / BIBLIOGRAPHY).read_text(encoding="utf-8")
    entries = re.finditer(r"^@\w+\{(\w+),\n.*?\n\}$", text, re.M | re.S)
    return {found[1]: Work(found[0], _formatted(found[0])) for found in entries}


def of_step(step: Mapping[str, Any]) -> str:
    """The work behind a step of the procedure; nothing where none is named."""
    return _STEPS.get((step["step"], step.get("method")), "")


def cited(texts: Iterable[str]) -> tuple[Work, ...]:
    """The works whose names stand in the texts, in the order of the alphabet."""
    said = " ".join(texts).replace("(", "").replace(")", "")
    keys = {key for name, key in NAMED.items() if name in said}
    return tuple(work for key, work in works().items() if key in keys)


def listed(texts: Iterable[str]) -> tuple[str, ...]:
    """The same, formatted.

    >>> print(*listed(["Hubaux and Vos (1970), prediction band"]))
    Hubaux, A. and Vos, G. (1970). Decision and Detection Limits for Calibration Curves.
    Analytical Chemistry 42(8), 849–855. doi:10.1021/ac60290a013.
    """
    return tuple(work.formatted for work in cited(texts))


def write_references(texts: Iterable[str], folder: Path) -> None:
    """Write the works that texts cite as BibTeX, for a paper."""
    entries = "\n\n".join(work.entry for work in cited(texts))
    (folder / BIBLIOGRAPHY).write_text(entries + "\n", encoding="utf-8")


def _formatted(entry: str) -> str:
    fields = {name: _plain(value) for name, value in re.findall(r"^  (\w+)\s*= \{(.*)\},?$", entry,
                                                               re.M)}  # fmt: skip
    *first, last = fields["author"].split(" and ")
    authors = f"{'; '.join(first)} and {last}" if first else last
    number = f"({fields['number']})" if "number" in fields else ""
    where = (
        f"{fields['journal']} {fields['volume']}{number}, {fields['pages']}"
        if "journal" in fields
        else ", ".join(fields[name] for name in ("type", "institution", "publisher", "howpublished")
                       if name in fields)
    )  # fmt: skip
    doi = f" doi:{fields['doi']}." if "doi" in fields else ""
    remark = next((said for key, said in _REMARKS.items() if f"{{{key}," in entry), "")
    return f"{authors} ({fields['year']}). {fields['title'].rstrip('.')}. {where}.{doi}{remark}"


def _plain(text: str) -> str:
    for coded, letter in _LETTERS:
        text = text.replace(coded, letter)
    return text
