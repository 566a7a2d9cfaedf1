"""fit.json: what was found of placed parts, as a file that any program can read."""

from __future__ import annotations

from pipeline.formats.fit_file.build import fit_record
from pipeline.formats.fit_file.records import FitFile

__all__ = ["FitFile", "fit_record"]
