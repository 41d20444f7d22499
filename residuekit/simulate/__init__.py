"""Maps and studies whose truth is known: the judge of everything else. All data are invented."""

from .demo import demo_design, residues_demo_design, small_demo_design, write_demo
from .here import ageing_design, ladder_design, paired_design, result_here, study_here
from .invented_delivery import DELIVERY_PATTERNS, write_delivery
from .maps import Instrument, Texture, simulate_map
from .materials import from_optical_constants, gel_response, material_names, spectrum
from .mockup_variation import Mockup, Variation, draw_mockup
from .paints import PAINTS, Paint
from .scorer import Rate, Scorecard, score_run, score_runs, scorecard_figure
from .studies import reference_spectrum, simulate_specimen, simulate_study
from .study_design import Arm, Specimen, StudyDesign, specimens

__all__ = [
    "DELIVERY_PATTERNS",
    "PAINTS",
    "Arm",
    "Instrument",
    "Mockup",
    "Paint",
    "Rate",
    "Scorecard",
    "Specimen",
    "StudyDesign",
    "Texture",
    "Variation",
    "ageing_design",
    "demo_design",
    "draw_mockup",
    "from_optical_constants",
    "gel_response",
    "ladder_design",
    "material_names",
    "paired_design",
    "reference_spectrum",
    "residues_demo_design",
    "result_here",
    "score_run",
    "score_runs",
    "scorecard_figure",
    "simulate_map",
    "simulate_specimen",
    "simulate_study",
    "small_demo_design",
    "specimens",
    "spectrum",
    "study_here",
    "write_delivery",
    "write_demo",
]
