"""Figures at printed size; single panels take and return matplotlib Axes."""

from .files import write_figure
from .residue import residue_figure

__all__ = ["residue_figure", "write_figure"]
