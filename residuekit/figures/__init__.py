"""Figures at printed size; single panels take and return matplotlib Axes."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .residue import residue_figure
    from .written import write_figure

__all__ = ["residue_figure", "write_figure"]
#: Loaded when they are first used: what asks for a colour alone does not wait for them.
_HOME = {"residue_figure": "residue", "write_figure": "written"}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f".{_HOME[name]}", __name__), name)
