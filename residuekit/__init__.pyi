"""The public names with their types; `__init__.py` loads each when it is first used."""

from . import calibration as calibration
from . import errors as errors
from . import markers as markers
from . import plan as plan
from . import trends as trends
from . import trial as trial
from .decision.arm import judge_arm as judge_arm
from .decision.band_measures import band_centroid as band_centroid
from .decision.band_measures import band_ratio as band_ratio
from .decision.band_measures import bands_together as bands_together
from .decision.net import net_signal as net_signal
from .decision.score_maps import band_score as band_score
from .decision.score_maps import net_signal_score as net_signal_score
from .decision.score_maps import score_by_net as score_by_net
from .decision.scores import blindness as blindness
from .decision.verdict import Verdict as Verdict
from .errors import ResiduekitError as ResiduekitError
from .errors import ResiduekitWarning as ResiduekitWarning
from .figures import residue_figure as residue_figure
from .figures.panels import plot_map as plot_map
from .figures.panels import plot_mockups as plot_mockups
from .figures.panels import plot_series as plot_series
from .figures.panels import plot_spectra as plot_spectra
from .figures.series import series_figure as series_figure
from .figures.sight import sight_figure as sight_figure
from .io import describe as describe
from .io import read as read
from .io import read_peaks as read_peaks
from .io import write as write
from .markers import Marker as Marker
from .results import open_run as open_run
from .schema import make_map as make_map
from .schema import make_points as make_points
from .simulate import result_here as result_here
from .simulate import simulate_map as simulate_map
from .simulate import simulate_study as simulate_study
from .simulate import study_here as study_here
from .spectra.corrections import bridge as bridge
from .spectra.corrections import despike as despike
from .spectra.corrections import resample as resample
from .spectra.corrections import subtract_vapour as subtract_vapour
from .spectra.fits import Band as Band
from .spectra.fits import band_heights as band_heights
from .spectra.fits import fit_bands as fit_bands
from .spectra.instrument import check_line as check_line
from .spectra.instrument import check_positions as check_positions
from .spectra.optics import correct_atr_depth as correct_atr_depth
from .spectra.optics import kramers_kronig as kramers_kronig
from .spectra.optics import kubelka_munk as kubelka_munk
from .spectra.procedure import Procedure as Procedure
from .spectra.quality import check_quality as check_quality
from .spectra.scatter_correction import correct_scatter as correct_scatter
from .spectra.steps import correct_baseline as correct_baseline
from .spectra.steps import crop as crop
from .spectra.steps import normalise as normalise
from .spectra.steps import smooth as smooth
from .spectra.steps import to_absorbance as to_absorbance
from .spectra.survival import band_survival as band_survival
from .study import Study as Study
from .study.inspect import check_folder as check_folder
from .viewer import view as view
from .viewer import view_run as view_run

limits = calibration
__version__: str
__all__: list[str]
