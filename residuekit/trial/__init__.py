"""The other criteria of a cleaning trial beside the residue verdict.

Soil removal (CIEDE2000), gloss, pigment pick-up, ease of use, health and safety, a row a mock-up in
``trial.csv``. Residue and pick-up are vetoes: no total stands against them. Ease, health and
safety are judgements; safety data sheets and local codes rule.
"""

from .summary import Candidate, TrialSummary, summarise, summary_of
from .table import TRIAL_COLUMNS, Trial, TrialRow, read_trial
from .trial_figure import draw_coordinates, draw_trial, write_trial
from .weights import Ranking, weigh

__all__ = [
    "TRIAL_COLUMNS",
    "Candidate",
    "Ranking",
    "Trial",
    "TrialRow",
    "TrialSummary",
    "draw_coordinates",
    "draw_trial",
    "read_trial",
    "summarise",
    "summary_of",
    "weigh",
    "write_trial",
]
