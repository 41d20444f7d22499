"""A metric as the arrays of a cache entry, and again from them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from ..decision.net import Metric
from ..kernels import netsignal
from ..words.codes import from_json, to_json
from .cache import pack, unpack


def to_arrays(metric: Metric) -> dict[str, Any]:
    """A metric as the arrays of a cache entry."""
    note = "" if metric.missing is None else json.dumps(to_json(metric.missing))
    arrays = {"missing": np.asarray(note)}
    for name, part in (("within", metric.within), ("net", metric.net)):
        if part is not None:
            arrays |= pack(name, part)
    folds = np.array([*metric.folds.items()], dtype=int)
    own = {"weights": metric.weights, "folds": folds, "interferents": metric.interferents}
    return arrays | own


def from_arrays(arrays: Mapping[str, Any]) -> Metric:
    """A metric again from `to_arrays`."""
    note = str(arrays["missing"])
    net = unpack("net", netsignal.NetSignal, arrays) if "net.weights" in arrays else None
    return Metric(
        arrays.get("within"), net, from_json(json.loads(note)) if note else None,
        arrays["weights"], {int(mockup): int(fold) for mockup, fold in arrays["folds"]},
        arrays["interferents"],
    )  # fmt: skip
