"""An example of every sentence that has a code; run as a script, it writes the list of the guide.

The numbers are invented.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

from texts import TEXTS

from residuekit.reprs import sentence_case
from residuekit.words.codes import CODES, from_json, sentence
from residuekit.words.findings import HEADINGS, finding_sentences

NOTES = json.loads((Path(__file__).parent / "notes.json").read_text(encoding="utf-8"))
LIST = Path(__file__).parents[2] / "shared" / "sentences.md"
STUDY = {"alpha": 0.05}
ARM = {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
       "exposure_min": 2.0, "clearance_min": 2.0}  # fmt: skip
NUMBERS = {"estimate": 0.1, "standard_error": 0.13, "detection_limit": 0.84, "upper_bound": 0.36,
           "n_mockups": 4, "n_blank_mockups": 6, "unit": "ug cm-2"}  # fmt: skip
_EXACT = SimpleNamespace(p_value=0.61, exact=True, z=0.3)
_RISE = {"rungs": (2.0, 10.0, 60.0), "means": (0.1, -0.1, 0.2), "standard_errors": (0.1,) * 3,
         "positive": (0, 0, 1), "n_mockups": (4, 4, 6), "unit": "ug cm-2", "test": "Jonckheere",
         "rise": _EXACT, "positives": _EXACT}  # fmt: skip
_MARGIN = {**NUMBERS, "longest_clean_min": 60.0, "working_exposure_min": 2.0, "n_longest": 6,
           "margin": 30.0, "share_upper_bound": 0.19}  # fmt: skip
#: The code of a finding -> rows that show its sentences.
FINDINGS = {
    "exposure-series": [{**ARM, **_RISE, "over": "exposure_min"}],
    "exposure-margin": [
        {**ARM, **_MARGIN, "at_least": True, "n_mockups": 14},
        {**ARM, **_MARGIN, "at_least": False},
    ],
    "acceptance": [{**ARM, **NUMBERS, "acceptance_limit": 2.0, "below": True}],
    "second-procedure": [
        {**ARM, "verdict": "not detected", "other_verdict": "inconclusive"},
    ],
    "before-after": [
        {**ARM, "unit": "ug cm-2", "difference": 0.2, "standard_error": 0.1, "confidence": 0.95,
         "low": -0.1, "high": 0.5, "paired": True, "before_h": 0.0, "after_h": 500.0,
         **{f"{name}_{when}": value for when in ("before", "after") for name, value in
            (("verdict", "not detected"), ("estimate", 0.1),
             ("standard_error", 0.1), ("detection_limit", 0.8), ("upper_bound", 0.4))}},
    ],
    "ageing-series": [{**ARM, "scores": ["net signal", "band: own"]}],
    "growth": [
        {**ARM, "before_h": 0.0, "after_h": 500.0, "paired": True, "n_mockups": (4, 4, 6, 6),
         "n_channels": 700, "quantity": "absorbance", "typical_limit": 0.002, "windows": windows}
        for windows in ((), ((1700.0, 1740.0, 1715.0, 0.01, 0.002),))
    ],
    "dose": [{**ARM, "ageing_h": 400.0, "dose": 100.0, "dose_unit": "klx h"}],
    "sessions": [
        {**ARM, "treatment": "water", "score": "net signal", "n_mockups": 6, "unit": "ug cm-2",
         "sessions": ("1", "2", "3"), "drift": 0.02, "drift_error": 0.17, "p_value": 0.91,
         "session_sd": 0.06, "p_scatter": 0.11, "mockup_sd": 0.3, "found": False},
    ],
    "differences": [
        {**ARM, "role": "exposed", "score": "net signal", "unit": "ug cm-2", "pixel_limit": 0.82,
         "maps": [{"sd_difference": 0.22, "sd_after": 0.16, "above": 9, "below": 0, "pixels": 256,
                   "texture_correlation": 0.97}]},
    ],
    "pixels": [
        {**ARM, "role": "blank", "residue": "", "n_maps": 12, "pixels": 256.0, "effective": 140.0,
         "least": 60.0, "most": 260.0, "score": "net signal"},
    ],
}  # fmt: skip


def sentences_of(text: str) -> list[str]:
    """A text in sentences, parted where one ends and the next begins with a capital or a digit."""
    return [said for said in re.split(r"(?<=[.?!])\s+(?=[A-Z0-9Δ±(])", text) if said.strip()]


def examples() -> Iterator[tuple[str, str]]:
    """Each code with what a result prints for it."""
    for code in CODES:
        yield code, sentence(from_json((code, NOTES[code])))
    for code in HEADINGS:
        said = finding_sentences(code, FINDINGS[code], STUDY)
        yield code, " ".join(map(sentence_case, said))


def listed() -> str:
    """The list of the guide."""
    rows = "\n".join(f"| `{code}` | {said.replace('|', '/')} |" for code, said in examples())
    return (
        "# Sentences of a result\n\n"
        "Each code with the sentences it makes, on invented numbers. A code in the first part "
        "belongs to a verdict (column `codes`), in the second to a finding. Half sentences "
        'follow "Below the decision limit, but". Below stand the sentences without a code.\n\n'
        f"| code | sentences |\n|---|---|\n{rows}\n{''.join(map(_section, TEXTS))}"
    )


def _section(heading: str) -> str:
    rows = "\n".join(
        f"| {name} | {said.replace('|', '/')} |" for name, said in TEXTS[heading].items()
    )
    return f"\n## {heading}\n\n| where | sentences |\n|---|---|\n{rows}\n"


if __name__ == "__main__":
    LIST.write_text(listed(), encoding="utf-8")
