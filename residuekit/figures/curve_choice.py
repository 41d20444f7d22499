"""Which spectra and detection curve are drawn of a stratum."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..decision.comparator import comparator_kind
from ..schema import LOADING_UNIT, NET_SIGNAL, REFERENCE_FILM, marker_of
from ..words.common import Stratum, blank_words
from .map_choice import Pick
from .stratum import Curves, Spiking, in_stratum

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult

Row = Mapping[Any, Any]


def choose_spectra(
    result: StudyResult, stratum: Stratum, picks: Sequence[Pick], *, paired: bool
) -> dict[str, Any]:
    """The spectra of the comparator, of the arms of the picked mock-ups, and of the pure material;
    what the material gives a unit of loading, which markers are scored, and which are blind.

    Of mock-ups that are `paired` with their states before treatment also what they differ by.
    """
    spectra = result.spectra
    role, treatment = spectra["role"].values, spectra["treatment"].values
    inside = in_stratum(spectra, stratum)
    values = spectra["spectrum"].values
    kind = comparator_kind(treatment[inside & (role == "blank")])
    before = inside & (role == "before")
    states = dict(zip(spectra["mockup"].values[before], values[before], strict=True))

    def curves(words: str, rows: npt.NDArray[np.bool_], working: bool = False) -> Curves:
        pairs = zip(spectra["mockup"].values[rows], values[rows], strict=True)
        changes = [after - states[name] for name, after in pairs if name in states]
        known = np.array(changes) if paired and changes else None
        return Curves(words, values[rows], working, known)

    exposed = []
    for pick in picks:
        rows = inside & (role == "exposed") & (treatment == pick.row["treatment"])
        for name in ("exposure_min", "clearance_min", "clearance"):
            rows &= spectra[name].values == pick.row[name]
        exposed.append(curves(f"{pick.row['exposure_min']:g} min", rows, pick.working))
    pure = values[result.is_pure()]
    scores = result.markers[in_stratum(result.markers, stratum)]
    slopes = scores.loc[scores["score"] == NET_SIGNAL, "slope"].to_numpy(dtype=float)
    blind = scores.loc[scores["blind"].astype(bool), "score"].map(marker_of)
    return {
        "blank": curves(blank_words(kind), inside & (role == "blank") & (treatment == kind)),
        "exposed": tuple(exposed),
        "gel": pure.mean(axis=0) if len(pure) else None,
        "gel_per_loading": float(slopes[0]) if slopes.size and slopes[0] > 0 else float("nan"),
        "wavenumber": spectra["wavenumber"].values,
        "quantity": str(spectra["spectrum"].attrs.get("quantity", "signal")).replace("_", " "),
        "scored": frozenset(scores["score"].map(marker_of)),
        "blind": frozenset(blind),
    }


def choose_spiking(
    result: StudyResult,
    own: pd.DataFrame,
    stratum: Stratum,
    unit: str,
    loadings: Mapping[str, float],
    limits: Row,
) -> Spiking | None:
    """The spiked mock-ups and the slope that they gave; None where they gave no loading unit, or
    reference films did.

    `limits` is the row of the arm whose limits of one mock-up are drawn. The slope comes from the
    spiked mock-ups of the same paint and soiling and any ageing; those of this ageing are shown.
    """
    from scipy.special import stdtrit

    study = result.provenance["study"]
    scores = result.markers[in_stratum(result.markers, stratum)]
    line = scores[scores["score"] == limits["score"]]
    if unit != LOADING_UNIT or line.empty or not float(line["slope"].iloc[0]) > 0:
        return None
    if limits["scale"] == REFERENCE_FILM:
        return None
    slope, error = float(line["slope"].iloc[0]), float(line["slope_se"].iloc[0])
    freedom = float(line["slope_degrees_of_freedom"].iloc[0])
    reach = float(stdtrit(freedom, 1 - study["alpha"] / 2))
    spiked, blanks = own[own["role"] == "spiked"], own[own["role"] == "blank"]
    blanks = blanks[blanks["treatment"] == comparator_kind(blanks["treatment"])]
    return Spiking(
        loadings=np.array([loadings[name] for name in spiked["mockup"]], dtype=float),
        found=spiked["mean"].to_numpy(dtype=float),
        blanks=blanks["mean"].to_numpy(dtype=float),
        slope=slope,
        spread_percent=100 * reach * error / slope,
        confidence=1 - study["alpha"],
        k=int(freedom) + 1,
        decision=float(limits["mockup_decision_limit"]),
    )
