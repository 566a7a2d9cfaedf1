"""The HTML report and its pictures."""

from __future__ import annotations

from pipeline.report.build import Shown, write_report
from pipeline.report.maps import residual_maps
from pipeline.report.preview import preview

__all__ = ["Shown", "preview", "residual_maps", "write_report"]
