"""What earlier runs of a study have kept, to look things up in; nothing is written there."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from ..errors import ReadError
from ..results import read_provenance
from .bad_channels import BadChannel
from .cache import Cache
from .manifest import Manifest
from .reading import Reading
from .run_folder import CACHE, newest


@contextmanager
def kept_reading(manifest: Manifest) -> Iterator[Reading]:
    """Give a `Reading` of a study that knows what its runs have kept, and writes elsewhere.

    Channels that are the instrument's are taken as the newest run found them.
    """
    kept = manifest.folder / "runs" / CACHE
    with TemporaryDirectory() as aside:
        part = Path(aside)
        there = kept.is_dir() and not kept.is_symlink()
        work = Reading(manifest, part, Cache(kept if there else part / CACHE))
        name = newest(manifest.folder)
        try:
            record = read_provenance(manifest.folder / "runs" / name) if name else {}
        except ReadError:
            record = {}
        listed = record.get("bad_channels", ())
        work.channels = tuple(BadChannel(**one) for one in listed)
        yield work
