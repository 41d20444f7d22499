"""The claims on speed: ours, the peer, how far they agree. The docstring of each is its name."""

from __future__ import annotations

from collections.abc import Callable

from . import baselines, rows, way
from .common import Claim

ALL: tuple[Callable[[], Claim], ...] = (
    baselines.asymmetric, baselines.asymmetric_2, baselines.arpls, baselines.arpls_2,
    baselines.rubber_band, baselines.snip, baselines.iterated_polynomial, rows.areas, rows.areas_2,
    rows.areas_bandwidth, rows.noise, rows.snv, rows.savitzky_golay,
    rows.free_bands, rows.crossed, way.first_call, way.whole_way, way.from_disk, way.memory,
)  # fmt: skip
