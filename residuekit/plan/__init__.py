"""Planning a study: how little could be seen, with how many mock-ups, maps, pixels and scans.

A pilot says how much the score of blanks scatters; a design says what will be measured. Loadings
are in ug cm-2; `residuekit.calibration.film_thickness_nm` turns them into nm of an even film.
"""

from ..kernels.layers import atr, patch_share, sunk_share
from .chances import chance_of_absence, detection_limit, mockups_needed, places_needed, power
from .compare import Plan, compare_designs, what_to_change
from .effort import Design, Effort
from .film_signals import FilmSignals, film_signals, marker_index
from .pairing import Gain, before_gain, gains_from_run, panel_gain
from .picture import plan_figure, write_figure
from .pilot import Pilot, from_blanks, from_run, from_simulator

__all__ = [
    "Effort",
    "Design",
    "FilmSignals",
    "Gain",
    "Pilot",
    "Plan",
    "atr",
    "before_gain",
    "chance_of_absence",
    "compare_designs",
    "detection_limit",
    "film_signals",
    "from_blanks",
    "from_run",
    "from_simulator",
    "gains_from_run",
    "marker_index",
    "mockups_needed",
    "panel_gain",
    "patch_share",
    "places_needed",
    "plan_figure",
    "power",
    "sunk_share",
    "what_to_change",
    "write_figure",
]
