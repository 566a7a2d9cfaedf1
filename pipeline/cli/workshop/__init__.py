"""Commands that put to use what runs recovered: the solid for CAD, the fit-up, the check of a rescan."""

from __future__ import annotations

from pipeline.cli.workshop.fit import answer

__all__ = ["answer"]
