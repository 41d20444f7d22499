"""Paired mock-ups: each is valued by what it differs from its own state before treatment, or from
the blanks of its panel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ..words.codes import Note
from .controls import Controls
from .panel_layout import panel_means, panels_that_serve
from .scores import Score

Floats = npt.NDArray[np.float64]
#: A paired arm needs so many blanks that were measured before treatment.
ENOUGH_PAIRS = 3
#: What the column `paired` says of an arm of mock-ups that were measured before treatment.
BEFORE = "before"


def common_way(ways: Iterable[str]) -> str:
    """How all arms are paired, by which controls that they share are given; not where they
    differ."""
    found = set(ways)
    return found.pop() if len(found) == 1 else ""


def paired_controls(
    controls: Controls, kept: Sequence[int], before: Floats, responses: Floats
) -> Controls:
    """The controls of mock-ups that were measured before treatment.

    Weights stay those of the blanks as measured: made from the scatter of differences they would
    use it twice.

    Parameters
    ----------
    controls : of the mock-ups as measured.
    kept, before (n_kept, n_wavenumber) : which blanks were measured before treatment, and their
        spectra then. The others leave.
    responses (k, n_wavenumber) : what each spiked mock-up differs by from its own state before,
        less what the paired blanks behind it do; NaN where that is not known: it keeps its response
        to the blanks as measured.
    """
    known = np.asarray(np.isfinite(responses).all(axis=1))
    return replace(
        controls,
        blanks=controls.blanks[list(kept)] - before,
        rows=controls.rows[list(kept)],
        responses=np.where(known[:, None], responses, controls.responses),
        shared=np.where(known, controls.shared, 0.0),
    )


def controls_on_panels(
    controls: Controls, panels: Sequence[str], exposed: Sequence[str], spiked: Sequence[str]
) -> tuple[Controls, list[int]]:
    """The controls of an arm that is judged within panels, and which blanks are left.

    Blanks of panels that do not serve leave; a spiked mock-up is taken against the blanks of its
    panel, where that serves.

    Parameters
    ----------
    controls : of mock-ups as measured.
    panels (n,), exposed (m,), spiked (k,) : the panel of each.
    """
    serve = panels_that_serve(panels)
    kept = [place for place, name in enumerate(panels) if name in serve]
    own, names = controls.blanks[kept], [panels[place] for place in kept]
    loaded = controls.responses + controls.blanks.mean(axis=0)
    level = np.tile(own.mean(axis=0), (len(spiked), 1))
    beside = [place for place, name in enumerate(spiked) if name in serve]
    level[beside] = panel_means(own, names, [spiked[place] for place in beside])
    arm = [name in exposed for name in names]
    shared = [float(name in exposed) if name in serve else float(np.mean(arm)) for name in spiked]
    made = replace(
        controls, blanks=own, rows=controls.rows[kept], responses=loaded - level,
        shared=np.array(shared), panels=tuple(names), paint=own.mean(axis=0),
    )  # fmt: skip
    return made, kept


def paired_notes(
    n_exposed: int, n_blanks: int, n_lost: int, score: Score | None, **which: Any
) -> list[Note]:
    """What must be said of a paired arm; `which` names the blanks without a state before.

    Blanks met no gel: what they differ by from their own state before, by the deciding `score`, is
    what pairing cannot take out.
    """
    numbers: dict[str, Any] = {"n_exposed": n_exposed, "n_blanks": n_blanks}
    if score is not None:
        scatter = float(score.values.std(ddof=1)) / score.scale
        numbers |= {"scatter": scatter, "unit": score.blindness.unit}
    notes = [Note("paired-before", numbers)]
    if n_lost:
        notes.append(Note("blanks-without-before", {"n": n_lost, **which}))
    return notes
