"""The kinds of question, in the order in which they are asked."""

from __future__ import annotations

from typing import Any

from pipeline.questions import clearance, cut, envelope, make, travel, wall
from pipeline.questions.kind import Kind

KINDS: tuple[Kind[Any, Any], ...] = (cut.KIND, wall.KIND, clearance.KIND, travel.KIND, envelope.KIND, make.KIND)
