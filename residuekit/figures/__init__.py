"""Figures at printed size; single panels take and return matplotlib Axes."""

from .residue import residue_figure
from .written import write_figure

__all__ = ["residue_figure", "write_figure"]
