"""Robust statistics."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.arrays import Floats

# Of a normal distribution the standard deviation over the median absolute deviation, 1 / 0.6745 (Hampel 1974).
_OF_NORMAL = 1.4826


def scaled_mad(values: Floats, centre: float | None = None) -> float:
    """Standard deviation of the bulk of values (n,), n > 0, from their median absolute deviation.

    About their own median, or about a `centre` that is known (0 for residuals). Up to half of the values may be
    wild; on a normal distribution it tends to the standard deviation.

    >>> scaled_mad(np.array([1.0, 2.0, 3.0, 4.0, 1000.0]))
    1.4826
    """
    middle = np.median(values) if centre is None else centre
    return _OF_NORMAL * float(np.median(np.abs(values - middle)))
