"""Map and spectrum side by side, to click through: in a notebook, or as one HTML page."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..io.atomic_write import aside
from .bins import PAGE_MB
from .live_page import page
from .photo import photo_of
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

#: The frame takes the height of its page and the lightness of the letters round it, and stands in
#: place of the picture.
_FRAME = """\
const frame = this, page = frame.contentWindow
frame.previousElementSibling.style.display = 'none'
const letters = getComputedStyle(frame).color.match(/\\d+/g).slice(0, 3).map(Number)
window.addEventListener('message', (event) => {
  if (event.source === page) frame.style.height = Number(event.data.height) + 'px'
})
page.postMessage({dark: Math.min(...letters) > 127}, '*')
"""


@dataclass(frozen=True, eq=False, repr=False)
class View:
    """A page to click through; a still picture where no script may run.

    In a notebook the page lives in a frame of its own, in place of the picture: where a notebook
    is not trusted the frame is taken out and the picture stays. `shown` holds what is drawn.
    """

    shown: Shown

    def to_html(self) -> str:
        """Return one HTML page that holds all it needs, below `most_mb`."""
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
        html = (
            f'<img style="max-width:100%" alt="{words}" src="data:image/png;base64,{still}">'
            '<iframe style="width:100%;height:46rem;border:0" sandbox="allow-scripts '
            f'allow-downloads" title="{words}" onload="{escape(_FRAME)}" '
            f'srcdoc="{escape(self.to_html())}"></iframe>'
        )
        return {"text/plain": repr(self), "image/png": still, "text/html": html}


def view(
    array: xr.DataArray,
    *,
    blanks: xr.DataArray | Iterable[xr.DataArray] | None = None,
    gel: xr.DataArray | Mapping[str, xr.DataArray] | None = None,
    markers: Marks | None = None,
    scores: xr.Dataset | None = None,
    limit: Mapping[str, float | Limit] | float | Limit | None = None,
    quality: Quality | None = None,
    title: str | None = None,
    scale: Mapping[str, tuple[float, float]] | None = None,
    image: str | Path | None = None,
    image_affine: Sequence[float] | None = None,
    most_mb: float = PAGE_MB,
) -> View:
    """Show a map and its spectra side by side, to click through.

    A click, or the arrow keys, shows the score and the spectrum of a pixel, a box the mean of its
    valid spectra, beside the blank mean and the pure gel (scaled to half the span of what it
    stands beside). Left-out pixels are hatched, flagged ones have a dot, and the page says why.
    Point spectra have a list in place of the map. Every pixel keeps its score; the spectra of
    large maps are averaged until the page stays below `most_mb`, and the page says so.

    A score map can be laid over a picture in visible light: three points clicked in both give
    ``image_affine`` for ``study.toml``.

    Parameters
    ----------
    array : map or points.
    blanks, gel : on the same axis, after the same procedure; several gels by their names.
    markers : the bands whose areas or heights are shown; left out, all gel bands of the table that
        lie on the axis, without their windows shaded.
    scores : from `band_score`, `net_signal_score` or the maps of a run; shown first. Their
        `pixel_limit` is used where they carry one.
    limit : score -> pixel limit, drawn as an outline; a number where there is only one score. Of a
        `PixelLimit` the decision limit is taken.
    quality : from `check_quality` of the map as measured; its flags replace those of `array`.
    title : left out, the name of the file.
    scale : score -> lowest and highest value of its colours; left out, those of this map.
    image, image_affine : a picture in visible light, and the six numbers that place the map on it
        where they are known; the page can open a picture itself too.
    most_mb : the page stays below this, in MB.

    Returns
    -------
    A `View`, which shows itself in a notebook; ``.save(path)`` writes one HTML page.

    Raises
    ------
    ContractError : arrays, scores or limits that do not belong together; more than `most_mb` holds.
    MarkerError : unknown markers, windows that leave the axis.
    ReadError : an image that is none.

    >>> import residuekit as rk
    >>> m, _ = rk.simulate_map(shape=(3, 3), seed=1)
    >>> rk.view(m, markers=["pva C-O 1092"], title="panel 1")
    View of panel 1
      scores: pva C-O 1092...
    """
    photo = None if image is None else photo_of(image, image_affine)
    return View(
        gather(array, blanks, gel, markers, scores, limit, quality, title, scale, photo, most_mb)
    )


def view_run(run: StudyResult | str | Path, file: str, *, most_mb: float = PAGE_MB) -> View:
    """Show one file of a run as the run saw it, with its scores and their pixel limits.

    The colours of a score have one scale for all the files of the run. Where the run has several
    residues, each has its scores. The visible image of the study lies under the map.

    Beside it stand the mean of the blank mock-ups of the same paint, soiling and ageing (water-only
    ones where there are any) and the gel in question.

    Parameters
    ----------
    run : from `Study.run` or `open_run`, or a folder that `open_run` takes.
    file : as it stands in the table of measurements.
    most_mb : the page stays below this, in MB.

    Returns
    -------
    A `View`.

    Raises
    ------
    ReadError : no such map in the run, a file that is absent or has changed since.
    ContractError : more than `most_mb` holds.

    >>> import residuekit as rk
    >>> rk.view_run("no such run", "data/map.nc")
    Traceback (most recent call last):
    ...
    residuekit.errors.ReadError: no such run: found no provenance.json ...
    """
    return View(gather(**arguments_of(run, file), most_mb=most_mb))
