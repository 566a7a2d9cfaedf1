"""The page of a fit-up, fit.html: `write_page` makes it of what is `Shown` of each question and the placed parts."""

from __future__ import annotations

from pipeline.report.fit.charts import Curve, Grid
from pipeline.report.fit.page import write_page
from pipeline.report.fit.sections import Section, section_items, section_through
from pipeline.report.fit.shown import Listed, Shown, Term

__all__ = ["Curve", "Grid", "Listed", "Section", "Shown", "Term", "section_items", "section_through", "write_page"]
