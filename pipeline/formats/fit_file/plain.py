"""Arrays as plain figures of a record."""

from __future__ import annotations

from typing import Any


def rows(values: Any) -> Any:
    """Rows of figures as tuples, without negative noughts."""
    return tuple(tuple(float(v) + 0.0 for v in row) for row in values)
