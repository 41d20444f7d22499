"""TIFF files of one grey page a wavenumber."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ReadError
from ..schema import WAVENUMBER
from .bare_array import from_numbers, wavenumbers
from .opening import damaged, fits_in, opened, refuse
from .options import BareOptions, takes

NAME = "TIFF"
#: The tag by which a TIFF page says how it lies (TIFF 6.0, section 8).
_ORIENTATION = 274


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of a TIFF file."""
    return head[:4] in (b"II*\0", b"MM\0*")


@takes(BareOptions)
def read(path: Path, options: BareOptions) -> xr.DataArray:
    """Read a map from a TIFF file of one page a wavenumber, grey, whole or floating numbers.

    `BareOptions` says what must be stated; `first_row` of a TIFF is most often ``top``.

    Raises
    ------
    ReadError : a number of pages that is not that of the wavenumbers; coloured pages; damage.
    """
    from PIL import Image, ImageSequence

    n_pages = len(wavenumbers(path, options))
    pages: list[Any] = []
    try:
        with opened(path) as file, Image.open(file, formats=["TIFF"]) as book:
            fits_in(path, book.width * book.height * n_pages)
            page: Any
            for page in ImageSequence.Iterator(book):
                if page.mode not in ("L", "F", "I", "I;16", "I;16B") or page.size != book.size:
                    raise refuse(path, f"a page of mode {page.mode}, {page.size}", "grey pages of "
                                 "one size", "export one grey page a wavenumber")  # fmt: skip
                if len(pages) == n_pages:
                    raise refuse(path, f"more than {n_pages} pages", "as many as wavenumbers",
                                 "wavenumber=[...], one for each page")  # fmt: skip
                turned = page.tag_v2.get(_ORIENTATION, 1)
                if turned != 1:
                    raise refuse(path, f"a page with the orientation {turned}", "pages that are "
                                 "stored as they are seen (orientation 1)", "export them so, or "
                                 "write the array as .npy")  # fmt: skip
                pages.append(np.array(page, dtype=np.float32))
    except ReadError:
        raise
    except Exception as error:  # the library raises anything on damaged bytes
        raise damaged(path, error) from error
    if len(pages) != n_pages:
        raise refuse(path, f"{len(pages)} pages for {n_pages} wavenumbers", "as many pages",
                     "wavenumber=[...], one for each page")  # fmt: skip
    notes = {"layout": "map, page by page"}
    return from_numbers(path, options, NAME, np.stack(pages), (WAVENUMBER, "y", "x"), notes)
