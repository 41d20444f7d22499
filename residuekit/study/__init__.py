"""A study on disk: its manifest, its run, and what a run leaves behind."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..io.opening import inside
from ..reprs import as_html
from .manifest import Manifest, load_manifest

if TYPE_CHECKING:
    from ..results import StudyResult
    from .reading import Progress

__all__ = ["Manifest", "Study", "load_manifest"]


@dataclass(frozen=True, repr=False)
class Study:
    """A study folder that has passed its checks.

    Parameters
    ----------
    manifest : what the study holds; `Study.open` reads and checks it.

    >>> import residuekit as rk
    >>> rk.Study.open("no such folder")
    Traceback (most recent call last):
    ...
    residuekit.errors.StudyError: found no folder 'no such folder'; needed a study folder; ...
    """

    manifest: Manifest

    @classmethod
    def open(cls, folder: str | Path) -> Study:
        """Read and check the manifest; StudyError with everything that is wrong with it."""
        return cls(load_manifest(folder))

    def run(
        self,
        progress: Progress | None = None,
        workers: int = 1,
        scheduler: str | None = None,
    ) -> StudyResult:
        """Compute verdicts and limits, write the run folder, and return its results.

        `progress` is called with (files done, files in all, file). `workers` are local processes,
        `scheduler` the address of a dask.distributed cluster that sees the same folder.
        """
        from .run import run_study
        from .system import one_thread
        from .work import Workers

        with inside(self.manifest.folder), one_thread(), Workers(workers, scheduler) as those:
            return run_study(self.manifest, progress, those)

    def standing(self) -> StudyResult | None:
        """The newest run, if nothing has changed of what it was made from, nor of itself."""
        from .standing import standing

        with inside(self.manifest.folder):
            return standing(self.manifest)

    def foreseen(self, workers: int = 1, *, again: bool = False) -> str:
        """Say what a run would compute, why, and in about how long; nothing is written.

        `again` asks for one although nothing has changed.
        """
        from .foreseen import foreseen

        with inside(self.manifest.folder):
            return foreseen(self.manifest, workers, again=again)

    def __repr__(self) -> str:
        return str(self.manifest)

    def _repr_html_(self) -> str:
        title, *facts = str(self.manifest).splitlines()
        return as_html("Study", {"title": title, "holds": " ".join(" ".join(facts).split())})
