"""What a layout asks of placed parts, one file a kind of question; `fit_up` answers it, `write_fit` writes it."""

from __future__ import annotations

from pipeline.questions.asking import fit_up
from pipeline.questions.keeping import Shelf
from pipeline.questions.outputs import write_fit
from pipeline.questions.rescan import Checked, check_rescan, planned_part

__all__ = ["Checked", "Shelf", "check_rescan", "fit_up", "planned_part", "write_fit"]
