"""Numbers and arrays as the figures of a record."""

from __future__ import annotations

import math
from typing import Any, cast

import numpy as np

from pipeline.formats.datum_file.records import Matrix, Place, Vector


def plain(value: float | None, degrees: bool = False) -> float | None:
    """A float for the file: None where there is none or it is no number; no minus before zero.

    >>> import math
    >>> plain(-0.0), plain(math.nan), plain(math.pi, degrees=True)
    (0.0, None, 180.0)
    """
    if value is None or not math.isfinite(value):
        return None
    return float(math.degrees(value) if degrees else value) + 0.0


def known(value: float, degrees: bool = False) -> float:
    """A figure that the file can't do without. Raises ValueError where it is no number."""
    figure = plain(value, degrees)
    if figure is None:
        raise ValueError(f"a figure of the datum file is {value}, which is no number")
    return figure


def _floats(values: Any) -> tuple[float, ...] | None:
    if values is None or not np.all(np.isfinite(values)):
        return None
    return tuple(float(v) + 0.0 for v in values)


def vector(values: Any) -> Vector | None:
    """(3,) as floats; None where there is none or any of them is no number."""
    return cast(Vector | None, _floats(values))


def place(values: Any) -> Place | None:
    """(2,) as floats; None where there is none or any of them is no number."""
    return cast(Place | None, _floats(values))


def known_vector(values: Any) -> Vector:
    """(3,) as floats. Raises ValueError where any of them is no number."""
    return cast(Vector, _known(values))


def known_place(values: Any) -> Place:
    """(2,) as floats. Raises ValueError where any of them is no number."""
    return cast(Place, _known(values))


def matrix(rows: Any) -> Matrix:
    """(4, 4) as floats. Raises ValueError where any of them is no number."""
    return cast(Matrix, tuple(_known(row) for row in rows))


def _known(values: Any) -> tuple[float, ...]:
    found = _floats(values)
    if found is None:
        raise ValueError(f"a place of the datum file is {values}, which has what is no number")
    return found
