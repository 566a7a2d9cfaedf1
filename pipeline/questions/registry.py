"""The kinds of question, in the order in which they are asked."""

from __future__ import annotations

from typing import Any

from pipeline.questions import clearance, envelope, travel
from pipeline.questions.kind import Kind

KINDS: tuple[Kind[Any, Any], ...] = (clearance.KIND, travel.KIND, envelope.KIND)
