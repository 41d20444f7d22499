"""An invented trial on the painted panels of the fictional tram shelter: table and verdicts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from residuekit.schema import VERDICT_COLUMNS
from residuekit.trial.table import TRIAL_COLUMNS

WORKING = 2.0
#: treatment -> share of the soiling left, gloss change in GU, mock-ups with pick-up, ease, safety;
#: None is not measured.
GELS: dict[str, tuple[Any, ...]] = {
    "PVA cryogel": (0.15, -0.5, 0, 4, 5),
    "PVA-borax gel": (0.10, 1.5, 0, 5, 3),
    "agar gel": (0.30, 0.4, 2, 3, 5),
    "gellan gel": (0.25, None, 0, 3, 5),
    "xanthan paste": (0.35, -2.5, None, 2, 4),
}
VERDICTS_OF = {
    "PVA cryogel": "not detected",
    "PVA-borax gel": "detected",
    "agar gel": "not detected",
    "gellan gel": "not detected",
    "xanthan paste": "inconclusive",
}


def shelter_rows(paints: tuple[str, ...] = ("alkyd", "acrylic")) -> list[dict[str, Any]]:
    """Four mock-ups of each gel on each paint, invented with seeded scatter."""
    rng = np.random.default_rng(1970)
    rows = []
    for paint, (gloss, lightness) in zip(paints, ((62.0, 52.0), (8.0, 71.0)), strict=False):
        for gel, (left, change, picked, ease, safety) in GELS.items():
            for number in range(4):
                clean = np.array([lightness, 12.0, -20.0]) + rng.normal(0, 0.2, 3)
                soil = np.array([-14.0, -3.0, 6.0]) * rng.normal(1, 0.05)
                share = left + rng.normal(0, 0.03)
                row: dict[str, Any] = {
                    "treatment": gel, "mockup": f"{paint[:3]} {gel} {number + 1}",
                    "paint": paint, "soiling": "soot",
                }  # fmt: skip
                for state, colour in (("unsoiled", clean), ("soiled", clean + soil),
                                      ("cleaned", clean + share * soil)):  # fmt: skip
                    row |= {f"{axis}_{state}": round(float(value), 2)
                            for axis, value in zip("Lab", colour, strict=True)}  # fmt: skip
                if change is not None:
                    before = gloss + rng.normal(0, 1)
                    after = before + change + rng.normal(0, 0.4)
                    row |= {"gloss_angle": 60, "gloss_before": round(before, 1),
                            "gloss_after": round(after, 1)}  # fmt: skip
                if picked is not None:
                    row |= {"pickup_positive": int(number < picked), "pickup_swabs": 3}
                row |= {"ease": ease if number else max(ease - 1, 1), "health_safety": safety}
                rows.append(row)
    return rows


def table_text(rows: list[dict[str, Any]], delimiter: str = ",", decimal: str = ".") -> str:
    """The table as people would save it."""
    lines = [delimiter.join(TRIAL_COLUMNS)]
    for row in rows:
        cells = (str(row.get(name, "")) for name in TRIAL_COLUMNS)
        lines.append(delimiter.join(cell.replace(".", decimal) for cell in cells))
    return "\n".join(lines) + "\n"


def verdict(treatment: str, paint: str, word: str, **numbers: Any) -> dict[str, Any]:
    """A row of verdicts.csv, invented."""
    detected = word == "detected"
    row = {
        "paint": paint, "soiling": "none", "ageing_h": 0.0, "treatment": treatment,
        "exposure_min": WORKING, "clearance_min": 2.0, "n_mockups": 6, "n_blank_mockups": 6,
        "n_maps": 6, "n_pixels": 384, "score": "net signal",
        "estimate": 1.4 if detected else 0.03, "standard_error": 0.1, "decision_limit": 0.2,
        "detection_limit": 0.4, "mockup_decision_limit": 0.6, "mockup_detection_limit": 1.0,
        "upper_bound": 1.6 if detected else 0.31, "unit": "ug cm-2",
        "positive_mockups": 6 if detected else 0,
        "share_upper_bound": 1.0 if detected else 0.393, "blind_markers": "", "verdict": word,
        "reason": "invented", "residue": treatment, "clearance": "",
        "against_acceptance": "above" if detected else "below",
    }  # fmt: skip
    return {**row, **numbers}


def shelter_verdicts(paints: tuple[str, ...] = ("alkyd", "acrylic")) -> pd.DataFrame:
    """A verdict for every gel on every paint at the working exposure; longer ones all detected."""
    rows = []
    for paint in paints:
        for gel, word in VERDICTS_OF.items():
            rows.append(verdict(gel, paint, word, soiling="soot"))
            rows.append(verdict(gel, paint, "detected", exposure_min=60.0, soiling="soot"))
    return pd.DataFrame(rows, columns=list(VERDICT_COLUMNS))
