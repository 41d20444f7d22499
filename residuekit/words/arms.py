"""An arm as people say it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def arm_words(row: Mapping[Any, Any]) -> str:
    """An arm as people say it.

    >>> arm_words({"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
    ...            "exposure_min": 2.0, "clearance_min": 2.0})
    'alkyd, gel 2 min, cleared 2 min'
    """
    words = [str(row["paint"])]
    if row["soiling"] != "none":
        words.append(f"soiling {row['soiling']}")
    if row["ageing_h"]:
        words.append(f"aged {row['ageing_h']:g} h")
    words.append(f"{row['treatment']} {row['exposure_min']:g} min")
    words.append(f"cleared {row['clearance_min']:g} min")
    return ", ".join(words)
