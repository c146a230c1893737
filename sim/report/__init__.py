"""The page that is filed after a run: figures against limits, pictures, and what was assumed."""

from sim.report.page import ReportView, render

__all__ = ["ReportView", "render"]
