"""The claims of the last full run as they are stored, and the table that the README shows."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from .claims import SEED, Claim

STORED = Path(__file__).resolve().parents[1] / "validated.json"
#: Between these lines of `benchmarks/README.md` stands the table.
BEGIN, END = "<!-- validated -->\n", "<!-- /validated -->"
PAINTS = ("alkyd", "acrylic", "aged acrylic nBMA")
_BEST = "limit of the best band"


def store(claims: Sequence[Claim], path: Path = STORED) -> None:
    """Write the claims with the commit of the working copy they were made at, and their seed."""
    commit = subprocess.run(
        ["git", "rev-parse", "HEAD"], cwd=Path(__file__).parent, check=True,
        stdout=subprocess.PIPE, text=True,
    ).stdout.strip()  # fmt: skip
    rows = [{**claim.row(), "percent": claim.percent} for claim in claims]
    made = {"commit": commit, "seed": SEED, "claims": rows}
    path.write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")


def readme_table(stored: Mapping[str, Any]) -> str:
    """Every stored claim in Markdown, of several paints or sizes in one row."""
    rows: dict[str, list[dict[str, Any]]] = {}
    for claim in stored["claims"]:
        rows.setdefault(_row(claim["name"]), []).append(claim)
    held = [claim["holds"] for claim in stored["claims"] if claim["holds"] is not None]
    lines = [
        f"{sum(held)} of {len(held)} claims hold, as stored in `validated.json`; commit "
        f"{stored['commit'][:10]}, seed {stored['seed']}.",
        "",
        "| simulated | measured | claimed | runs |",
        "|---|---|---|---|",
    ]
    return "\n".join([*lines, *_lines(rows)]) + "\n"


def _row(name: str) -> str:
    """What the claims of a row have in common."""
    name = re.sub(r"^((?:paired |)scores) n=\d+ m=\d+:", r"\1, n and m of 3, 6, 12:", name)
    name = re.sub(r"^panel scores, .*?:", "panel scores, four layouts:", name)
    name = re.sub(r"^maps, (" + "|".join(PAINTS) + "):", "maps:", name)
    name = re.sub(r": (?:kaolin|silica|starch|zinc soap) ([\d.]+ A)",
                  r": kaolin, silica, starch or zinc soap, \1", name)  # fmt: skip
    return re.sub(rf"({_BEST}) \(.*?\)", r"\1", name)


def _lines(rows: Mapping[str, Sequence[Mapping[str, Any]]]) -> Iterator[str]:
    for name, claims in rows.items():
        values = [claim["value"] for claim in claims]
        by_paint = [claim["name"].startswith("maps, ") for claim in claims]
        if len(claims) == len(PAINTS) and all(by_paint):
            said = " / ".join(_number(claim) for claim in claims)
        elif len(claims) == 1 or min(values) == max(values):
            said = _number(claims[0])
        else:
            ends = (min(claims, key=_value), max(claims, key=_value))
            said = " to ".join(_number(claim) for claim in ends)
        unit = "" if _plain(claims[0]) else " %"
        claimed = list(dict.fromkeys(claim["claim"] for claim in claims))
        ranges = claimed[0] if len(claimed) == 1 else "as integrated for each"
        if "" in claimed and len(claimed) > 1:
            ranges = f"{' or '.join(filter(None, claimed))}; of some nothing"
        runs = f"{min(claim['n'] for claim in claims):,}"
        yield f"| {name} | {said}{unit} | {ranges} | {runs} |"


def _value(claim: Mapping[str, Any]) -> float:
    return float(claim["value"])


def _plain(claim: Mapping[str, Any]) -> bool:
    """Whether the number is a ratio."""
    return not claim["percent"]


def _number(claim: Mapping[str, Any]) -> str:
    return f"{claim['value']:.2f}" if _plain(claim) else f"{100 * claim['value']:.1f}"
