"""The page of a batch, batch.html: what came of each scan, and how far their features spread."""

from __future__ import annotations

from pipeline.report.batch.page import batch_page

__all__ = ["batch_page"]
