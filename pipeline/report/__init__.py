"""The HTML report and its pictures: `write_report` makes them of the datum file, a mesh as it is `Shown`, and maps.

`residual_maps` shows how the scan lies about each feature. The picture libraries are imported with this room, so import
it only where a report is wanted.
"""

from __future__ import annotations

from pipeline.report.build import Shown, write_report
from pipeline.report.maps import residual_maps

__all__ = ["Shown", "residual_maps", "write_report"]
