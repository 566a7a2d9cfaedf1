"""Arrays as plain figures of a record."""

from __future__ import annotations

from typing import Any


def row(values: Any) -> Any:
    """Figures as a tuple, without negative noughts."""
    return tuple(float(v) + 0.0 for v in values)


def rows(values: Any) -> Any:
    """Rows of figures as tuples, without negative noughts.

    >>> rows([[1, -0.0], [2.5, 3]])
    ((1.0, 0.0), (2.5, 3.0))
    """
    return tuple(map(row, values))
