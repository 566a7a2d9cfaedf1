"""What a layout asks of placed parts, one file a kind of question; `fit_up` answers it, `write_fit` writes it."""

from __future__ import annotations

from pipeline.questions.asking import fit_up
from pipeline.questions.outputs import write_fit

__all__ = ["fit_up", "write_fit"]
