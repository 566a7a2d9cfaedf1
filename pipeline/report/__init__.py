"""The HTML report and its pictures: `write_report` makes them of the datum file, a mesh as it is `Shown`, and maps.

`residual_maps` shows how the scan lies about each feature. The picture libraries are imported with this room, so import
it only where a report is wanted. `fit/` makes the page of a fit-up in the same style.
"""

from __future__ import annotations

from pipeline.report.build import Shown, style_and_script, write_report
from pipeline.report.maps import residual_maps
from pipeline.report.page import embedded, html_page
from pipeline.report.raster import HATCHES
from pipeline.report.tables import bullets, cell, figure, folded, safety_list, table
from pipeline.report.words import Words, prose, safe

__all__ = [
    "HATCHES",
    "Shown",
    "Words",
    "bullets",
    "cell",
    "embedded",
    "figure",
    "folded",
    "html_page",
    "prose",
    "residual_maps",
    "safe",
    "safety_list",
    "style_and_script",
    "table",
    "write_report",
]
