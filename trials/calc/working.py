"""Rows of "show the working", shared with the pages of the material."""

from prospecting.calc.working import Working, WorkingRow, figure, given

__all__ = ["Working", "WorkingRow", "figure", "given"]
