"""The page that is filed after a run: figures against limits, pictures, and what was assumed."""

from sim.report.page import render
from sim.report.view import ReportView, SpotMarks

__all__ = ["ReportView", "SpotMarks", "render"]
