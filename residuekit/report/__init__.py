"""What people read of a run: methods text, caption, tables and the report page."""

from .exports import write_caption, write_tables
from .methods import write_methods
from .page import write_report

__all__ = ["write_caption", "write_methods", "write_report", "write_tables"]
