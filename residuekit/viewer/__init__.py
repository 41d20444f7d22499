"""Map and spectrum side by side, to click through: in a notebook, or as one HTML page."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import Fault, ResiduekitError
from ..io.atomic_write import aside
from .live_page import page
from .run_maps import arguments_of
from .shown import Shown, gather
from .still import picture

if TYPE_CHECKING:
    import xarray as xr

    from ..calibration import Limit
    from ..decision.score_maps import Marks
    from ..results import StudyResult
    from ..spectra.quality import Quality

__all__ = ["View", "view", "view_run"]

_HEIGHT = 690


@dataclass(frozen=True, eq=False, repr=False)
class View:
    """A page to click through; a still picture where no script may run.

    In a notebook the page lives in a frame of its own, above the picture: where a notebook is not
    trusted the frame is taken out and the picture stays. `shown` holds what is drawn.
    """

    shown: Shown

    def to_html(self) -> str:
        """Return one HTML page with its data and its library inside, below 5 MB."""
        return page(self.shown)

    def save(self, path: str | Path) -> Path:
        """Write the page; return its path. Written aside and moved in place.

        Raises
        ------
        WriteError : the folder is absent or closed.
        """
        path = Path(path)
        with aside(path) as part:
            part.write_text(self.to_html(), encoding="utf-8")
        return path

    def to_png(self) -> bytes:
        """Return the still picture: the first score and the mean spectrum."""
        return picture(self.shown)

    def __repr__(self) -> str:
        shown = self.shown
        names = ", ".join(layer.name for layer in shown.layers)
        return "\n".join([f"View of {shown.title}", f"  scores: {names}",
                          *(f"  {note}" for note in shown.notes)])  # fmt: skip

    def _repr_mimebundle_(self, **_: Any) -> dict[str, str]:
        still = base64.b64encode(self.to_png()).decode("ascii")
        words = escape(f"{self.shown.title}. {' '.join(self.shown.notes)}")
        stacked = "grid-area:1/1;width:100%"
        html = (
            '<div style="display:grid">'
            f'<img style="grid-area:1/1;max-width:100%;max-height:{_HEIGHT}px" alt="{words}" '
            f'src="data:image/png;base64,{still}">'
            f'<iframe style="{stacked};height:{_HEIGHT}px;border:0;background:white" '
            f'sandbox="allow-scripts allow-downloads" title="{words}" '
            f'srcdoc="{escape(self.to_html())}"></iframe></div>'
        )
        return {"text/plain": repr(self), "image/png": still, "text/html": html}


def view(
    array: xr.DataArray,
    *,
    blanks: xr.DataArray | Iterable[xr.DataArray] | None = None,
    gel: xr.DataArray | None = None,
    markers: Marks | None = None,
    scores: xr.Dataset | None = None,
    limit: Mapping[str, float | Limit] | float | Limit | None = None,
    quality: Quality | None = None,
    title: str | None = None,
) -> View:
    """Show a map and its spectra side by side, to click through.

    A click shows the spectrum of a pixel, a box the mean of its valid spectra, beside the blank
    mean and the pure gel (scaled to half the span of what it stands beside). Left-out pixels are
    hatched, flagged ones have a circle, and hovering says why. Point spectra have a list in place
    of the map. Large maps are averaged until the page stays below 5 MB, and the page says so;
    scores come from the whole data, and outlines from every pixel.

    Parameters
    ----------
    array : map or points.
    blanks, gel : on the same axis, after the same procedure.
    markers : the bands whose areas or heights are shown; left out, all gel bands of the table that
        lie on the axis, without their windows shaded.
    scores : from `band_score`, `net_signal_score` or the maps of a run; shown first. Their
        `pixel_limit` is used where they carry one.
    limit : score -> pixel limit, drawn as an outline; a number where there is only one score. Of a
        `PixelLimit` the decision limit is taken.
    quality : from `check_quality` of the map as measured; its flags replace those of `array`.
    title : left out, the name of the file.

    Returns
    -------
    A `View`, which shows itself in a notebook; ``.save(path)`` writes one HTML page.

    Raises
    ------
    ContractError : arrays, scores or limits that do not belong together; too many point spectra.
    MarkerError : unknown markers, windows that leave the axis.
    ResiduekitError : bokeh, which draws the page, is not installed.

    >>> import residuekit as rk
    >>> m, _ = rk.simulate_map(shape=(3, 3), seed=1)
    >>> rk.view(m, markers=["pva C-O 1092"], title="panel 1")
    View of panel 1
      scores: pva C-O 1092...
    """
    _need_bokeh()
    return View(gather(array, blanks, gel, markers, scores, limit, quality, title))


def view_run(run: StudyResult | str | Path, file: str) -> View:
    """Show one file of a run as the run saw it, with its scores and their pixel limits.

    Beside it stand the mean of the blank mock-ups of the same paint, soiling and ageing (water-only
    ones where there are any) and the gel in question.

    Parameters
    ----------
    run : from `Study.run` or `open_run`, or a folder that `open_run` takes.
    file : as it stands in the table of measurements.

    Returns
    -------
    A `View`.

    Raises
    ------
    ReadError : no such map in the run, a file that is absent or has changed since.
    ResiduekitError : bokeh is not installed.

    >>> import residuekit as rk
    >>> rk.view_run("no such run", "data/map.nc")
    Traceback (most recent call last):
    ...
    residuekit.errors.ReadError: no such run: found no provenance.json ...
    """
    _need_bokeh()
    return View(gather(**arguments_of(run, file)))


def _need_bokeh() -> None:
    if find_spec("bokeh") is None:
        raise ResiduekitError(
            Fault("no bokeh, which draws the viewer", "bokeh 3.8 or newer",
                  "python -m pip install 'residuekit[lab]'")
        )  # fmt: skip
