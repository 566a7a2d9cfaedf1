"""Whether a deviation stands out of its uncertainty: by itself, and as one of many that are looked at.

A deviation d of q components with covariance S is held against nothing by d' S^-1 d, which is chi-squared with q
degrees of freedom where S is known. The size of a long wave was itself seen a few times only: its variance is the
estimate times f over a chi-squared of f degrees of freedom, and the chance is taken over all that it may be (JCGM
101:2008, 6.4.9; where all of S is such, this is Hotelling's and Fisher's F with q and f). Far out, where many tests put
the limit, that matters more than Welch and Satterthwaite's one number for a mixture can say.

Of seventy such tests at 95 % three or four stand out by chance. Holm's step-down procedure (A simple sequentially
rejective multiple test procedure, Scand. J. Statist. 6 (1979) 65-70) holds the chance that any does so falsely at the
level of a single test, however the tests hang together: they share datums and the scan's long waves.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

import numpy as np
from scipy.special import chdtrc, gammaln

from pipeline.geometry import Floats
from pipeline.values import Uncertainty

LEVEL = 0.05
CORRECTION = "Holm 1979"
_LEAST = 1e-6  # share of the variance below which what is doubtful of it counts for nothing
_NODES = 240


class Spread(NamedTuple):
    """Covariance (q, q) of a deviation: what is known of it, what is doubtful, and that by its degrees of freedom."""

    known: Floats
    doubtful: Floats
    by_freedom: Floats


def spread_of(gain: Floats, uncertainty: Uncertainty) -> Spread:
    """What a feature's uncertainty puts into a deviation that changes by `gain` (q, k) with its local parameters.

    Needs the feature's covariance.

    >>> given = Uncertainty(0.01, 1e-4, None, 'example', ('w', 'a', 'b'), np.diag([1e-4, 1e-8, 4e-8]))
    >>> spread_of(np.array([[0.0, 1.0, 1.0]]), given).known.tolist()
    [[5e-08]]
    """
    if uncertainty.parts is None or uncertainty.freedom is None:
        none = np.zeros((len(gain), len(gain)))
        return Spread(gain @ np.asarray(uncertainty.covariance) @ gain.T, none, none)
    parts = gain @ uncertainty.parts @ gain.T
    doubtful = np.isfinite(uncertainty.freedom)
    waves = parts[doubtful]
    by_freedom = waves / uncertainty.freedom[doubtful, None, None]
    return Spread(parts[~doubtful].sum(axis=0), waves.sum(axis=0), by_freedom.sum(axis=0))


def chance(deviation: Floats, spreads: Sequence[Spread]) -> float:
    """How often noise alone makes a deviation (q,) of this size or more; `spreads` of the features that make it.

    Features are taken as independent, what is doubtful of their noise as one: it was learnt once, for all of the scan.

    >>> none = np.zeros((1, 1))
    >>> round(chance(np.array([3.92]), [Spread(np.array([[4.0]]), none, none)]), 3)
    0.05
    """
    known, doubtful, by_freedom = (np.sum(matrices, axis=0) for matrices in zip(*spreads, strict=True))
    scale = np.sqrt(np.maximum(np.diag(known + doubtful), 1e-300))
    across = np.outer(scale, scale)
    inverse = np.linalg.pinv((known + doubtful) / across, rcond=1e-10, hermitian=True)
    unit, q = deviation / scale, len(deviation)
    square = float(unit @ inverse @ unit)
    share = float(np.sum(inverse * (doubtful / across))) / q
    if share < _LEAST:
        return float(chdtrc(q, square))
    share = min(share, 1.0)
    freedom = share * q / float(np.sum(inverse * (by_freedom / across)))
    sizes, weights = _sizes(round(freedom, 3))
    return float(weights @ chdtrc(q, square / (1.0 - share + share * sizes)))


@cache
def _sizes(freedom: float) -> tuple[Floats, Floats]:
    """What a variance that was estimated with so many degrees of freedom may be, in terms of the estimate, with the
    chance of each: (n,) nodes and weights of a quadrature."""
    # The logarithm of chi-squared has a density that falls off fast on both sides.
    spread = np.sqrt(2.0 / freedom)
    log = np.log(freedom) + np.linspace(-max(30.0 / freedom, 12.0 * spread), max(3.0, 9.0 * spread), _NODES)
    density = np.exp(0.5 * freedom * np.log(0.5) - gammaln(0.5 * freedom) + 0.5 * freedom * log - 0.5 * np.exp(log))
    return freedom / np.exp(log), density / density.sum()


def holm(chances: Sequence[float]) -> Floats:
    """(n,) chances of n tests as they count when all n are made: one up to LEVEL stands out of all of them.

    >>> holm([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    single = np.asarray(chances, dtype=float)
    order = np.argsort(single, kind="stable")
    raised = single[order] * np.arange(len(single), 0, -1)
    out = np.empty(len(single))
    out[order] = np.minimum(1.0, np.maximum.accumulate(raised))
    return out
