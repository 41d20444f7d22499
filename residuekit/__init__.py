"""Spectroscopic residue studies of cleaning gels on modern paint.

An absence is never claimed without its detection limit, its controls and its n. The names below
are loaded when they are first used; each has its own help.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

#: Public name -> the module that holds it; a name that equals its module is the module itself.
_HOME = {
    # labelled arrays
    "make_map": "schema",  # numbers -> a map with the dims (y, x, wavenumber)
    "make_points": "schema",  # numbers -> point spectra with the dims (spectrum, wavenumber)
    "read": "io",  # a file of any open format -> a labelled array
    "write": "io",  # a labelled array -> a file
    "read_peaks": "io",  # a table of peaks -> a DataFrame
    "describe": "io",  # what a file is: format, layout, quantity, axis, grid
    # is it fit to be judged
    "check_quality": "spectra.quality",  # flags a pixel, a table a map
    "check_line": "spectra.instrument",  # the noise of a 100 % line
    "check_positions": "spectra.instrument",  # band positions against a certificate
    "band_survival": "spectra.survival",  # what a procedure leaves of the gel's bands, step by step
    # preprocessing
    "crop": "spectra.steps",  # keep a range of wavenumbers
    "to_absorbance": "spectra.steps",  # A = -log10 T
    "correct_baseline": "spectra.steps",  # take a baseline off
    "correct_scatter": "spectra.scatter_correction",  # thickness, offset, curvature
    "normalise": "spectra.steps",  # divide by a norm or an internal standard
    "smooth": "spectra.steps",  # Savitzky-Golay smoothing and derivatives
    "bridge": "spectra.corrections",  # a straight line over a range that is never used
    "despike": "spectra.corrections",  # single-channel spikes
    "subtract_vapour": "spectra.corrections",  # a measured vapour spectrum, fitted and taken off
    "resample": "spectra.corrections",  # another common axis
    "correct_atr_depth": "spectra.optics",  # the depth of the evanescent wave
    "kubelka_munk": "spectra.optics",  # diffuse reflectance
    "kramers_kronig": "spectra.optics",  # specular reflectance -> absorption index
    "Procedure": "spectra.procedure",  # an ordered, recorded list of steps
    # markers and scores
    "Marker": "markers",  # one marker band
    "markers": "markers",  # the table of marker bands with their sources (a module)
    "band_score": "decision.score_maps",  # band areas and heights with their standard errors
    "net_signal_score": "decision.score_maps",  # how much of the gel's whole spectrum
    "net_signal": "decision.net",  # its weights, made once for many maps
    "score_by_net": "decision.score_maps",  # a map by such weights
    "band_centroid": "decision.band_measures",  # where a band lies
    "band_ratio": "decision.band_measures",  # a band over an internal standard
    "bands_together": "decision.band_measures",  # do several bands stand in the gel's ratio
    "fit_bands": "spectra.fits",  # bands of one spectrum, with its report
    "band_heights": "spectra.fits",  # bands in every pixel, with fixed shapes or free
    "Band": "spectra.fits",  # height, centre, width, Lorentz share
    "blindness": "decision.scores",  # which score can see what on which paint
    # limits and verdicts
    "calibration": "calibration",  # limits by named methods, side by side (a module)
    "limits": "calibration",  # the same module by another name
    "judge_arm": "decision.arm",  # the mock-ups of one arm in memory -> one of the four verdicts
    "Verdict": "decision.verdict",  # a verdict with its codes, its reason and every score's numbers
    # studies
    "Study": "study",  # a study on disk: check it, run it
    "check_folder": "study.inspect",  # a study, a run or a folder of spectra: is it whole
    "open_run": "results",  # the results of an earlier run
    "residue_figure": "figures",  # the due-diligence figure
    "series_figure": "figures.series",  # every series of a run over exposure or ageing
    "sight_figure": "figures.sight",  # what each score can see on each paint
    "comparisons_figure": "report.small_panels",  # gel against gel, exposure against exposure
    "differences_figure": "figures.difference_panel",  # paired mock-ups, pixel by pixel
    "recovery_figure": "report.small_panels",  # found over known of the spiked mock-ups
    "plot_map": "figures.panels",  # a map of scores on an Axes, with its pixel limit
    "plot_spectra": "figures.panels",  # mean spectra with their spread
    "plot_mockups": "figures.panels",  # a dot a mock-up, with the limits of its arm
    "plot_series": "figures.panels",  # a column a rung of exposure or ageing
    "view": "viewer",  # map and spectrum side by side, to click through
    "view_run": "viewer",  # the same of one file of a run, as the run saw it
    "trends": "trends",  # exposure and ageing series, the exposure margin (a module)
    "trial": "trial",  # the cleaning trial's other criteria beside the verdict (a module)
    "plan": "plan",  # how many mock-ups and maps for which limit (a module)
    # known truth
    "simulate_map": "simulate",  # a map whose truth is known
    "simulate_study": "simulate",  # a study folder whose truth is sealed
    "study_here": "simulate",  # the study a notebook lies in, else an invented one
    "result_here": "simulate",  # the newest run of that study
    # errors
    "errors": "errors",  # the family of errors and warnings (a module)
    "ResiduekitError": "errors",
    "ResiduekitWarning": "errors",
}

_MODULES = ("markers", "calibration", "limits", "trends", "trial", "plan", "errors")

__all__ = ["__version__", *_HOME]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        from .errors import did_you_mean

        raise AttributeError(f"residuekit has no {name!r}: {did_you_mean(name, _HOME)}")
    module = importlib.import_module(f".{_HOME[name]}", __name__)
    found = module if name in _MODULES else getattr(module, name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted(__all__)
