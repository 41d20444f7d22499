"""What people read of a run: methods text, caption, tables, the page, the one-page summary."""

from .exports import write_caption, write_tables
from .methods import write_methods
from .one_page import write_summary
from .page import write_report
from .small_panels import write_panels

__all__ = [
    "write_caption",
    "write_methods",
    "write_panels",
    "write_report",
    "write_summary",
    "write_tables",
]
