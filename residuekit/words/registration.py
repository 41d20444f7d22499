"""What a run says of when its question, limits and procedure were fixed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from .common import counted, listed, number


def registration_sentences(found: Mapping[str, Any], *, limit: bool = True) -> Iterator[str]:
    """When the study was registered and what has departed from that since; or that it was not.

    `limit`: the study states an acceptance limit.

    >>> for said in registration_sentences({"earlier_limits": [0.5]}): print(said)
    The acceptance limit is the authors' statement: the study was not registered.
    Kept runs of this study used other acceptance limits: 0.5 µg cm⁻².
    """
    if "time" not in found:
        whose = "The acceptance limit is the authors' statement: the" if limit else "The"
        yield f"{whose} study was not registered."
        if found.get("earlier_limits"):
            known = listed(map(number, found["earlier_limits"]))
            yield f"Kept runs of this study used other acceptance limits: {known} µg cm⁻²."
        return
    there = found["exposed_before"]
    how_many = "before any exposed file was there"
    if there:
        how_many = f"with {counted(there, 'exposed file')} there already"
    yield (
        "Question, limits, markers, procedure and planned mock-ups were registered on "
        f"{found['time'].replace('T', ' ')[:16]} UTC, {how_many} (sha256 {found['sha256']})."
    )
    if not found["departures"]:
        yield "Nothing has departed from that."
    for departure in found["departures"]:
        yield f"Later departure: {departure}."
