"""What people read of a run: the methods text and the report page."""

from .methods import write_methods
from .page import write_report

__all__ = ["write_methods", "write_report"]
