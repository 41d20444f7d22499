"""Matrix effect: spiked mock-ups beside films of the pure material, by the deciding score."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ..kernels.recovery import slope_ratio
from ..words.codes import Note
from .controls import Controls
from .scores import Score, deciding


def matrix_notes(controls: Controls, scores: Sequence[Score]) -> Iterator[Note]:
    """Say how strongly spiked mock-ups answer beside films, where a study has both."""
    score = deciding(scores)
    film = None if score is None else controls.film_slope(score.weights)
    spiked = None if score is None else score.slope
    if score is None or film is None or spiked is None or spiked.film or film.value <= 0:
        return
    yield Note("matrix-effect", {
        "score": score.name, **slope_ratio(spiked, film)._asdict(),
        "n_spiked": spiked.n_spiked, "spiked": spiked.value, "spiked_error": spiked.error,
        "n_films": film.n_spiked, "film": film.value, "film_error": film.error,
    })  # fmt: skip
