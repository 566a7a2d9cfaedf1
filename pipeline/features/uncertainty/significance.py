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
from itertools import combinations
from typing import NamedTuple

import numpy as np
from scipy.spatial.distance import cdist
from scipy.special import chdtrc, gammaln

from pipeline.features.uncertainty.correlated_noise import REACH
from pipeline.geometry import Floats, box_of
from pipeline.values import Carried, Uncertainty

LEVEL = 0.05
CORRECTION = "Holm 1979"
_LEAST = 1e-6  # share of the variance below which what is doubtful of it counts for nothing
_NODES = 240


class Spread(NamedTuple):
    """Covariance (q, q) of a deviation: what is known of it, what is doubtful, and that by its degrees of freedom."""

    known: Floats
    doubtful: Floats
    by_freedom: Floats


def chance(deviation: Floats, sources: Sequence[tuple[Floats, Uncertainty]]) -> float:
    """How often noise alone makes a deviation (q,) of this size or more.

    sources  of the features that make it: how it changes with a feature's k local parameters (q, k), and the feature's
             uncertainty, whose covariance is there

    What is doubtful of the features' noise is taken as one, for it was learnt once for all of the scan. Faces near to
    one another share long waves; whether such move two faces that look away from each other the same way depends on
    where the waves come from, so that the largest chance counts of what comes out if they do, if they move them apart,
    and if they have nothing to do with each other.

    >>> given = Uncertainty(0.01, 1e-4, None, 'example', ('w', 'a', 'b'), np.diag([1e-4, 4e-8, 4e-8]))
    >>> round(chance(np.array([3.92e-4]), [(np.array([[0.0, 1.0, 0.0]]), given)]), 3)
    0.05
    """
    spreads = [_spread(gain, known) for gain, known in sources]
    total = Spread(*(np.sum(matrices, axis=0) for matrices in zip(*spreads, strict=True)))
    shared = np.zeros_like(total.known)
    for (gain, known), (other_gain, other) in combinations(sources, 2):
        together = _together(known.carried, other.carried)
        if together is not None:
            term = gain @ together @ other_gain.T
            shared += term + term.T
    signs = (0.0, 1.0, -1.0) if shared.any() else (0.0,)
    return max(chance_in_spread(deviation, total, sign * shared) for sign in signs)


def _spread(gain: Floats, uncertainty: Uncertainty) -> Spread:
    if uncertainty.parts is None or uncertainty.freedom is None:
        none = np.zeros((len(gain), len(gain)))
        return Spread(gain @ np.asarray(uncertainty.covariance) @ gain.T, none, none)
    parts = gain @ uncertainty.parts @ gain.T
    doubtful = np.isfinite(uncertainty.freedom)
    waves = parts[doubtful]
    by_freedom = waves / uncertainty.freedom[doubtful, None, None]
    return Spread(parts[~doubtful].sum(axis=0), waves.sum(axis=0), by_freedom.sum(axis=0))


def _together(a: Carried | None, b: Carried | None) -> Floats | None:
    """Covariance (k, k) of two features' local parameters by the waves that reach across both; None where none does."""
    if a is None or b is None:
        return None
    (low, high), (other_low, other_high) = box_of(a.places), box_of(b.places)
    apart = float(np.linalg.norm(np.maximum(np.maximum(low - other_high, other_low - high), 0.0)))
    waves = [(s, length) for s, length in a.waves if length > max(a.width, b.width) and apart < REACH * length]
    if not waves:
        return None
    squares = cdist(a.places, b.places, "sqeuclidean")
    return np.sum([s**2 * (a.gains.T @ np.exp(squares / (-2.0 * length**2)) @ b.gains) for s, length in waves], axis=0)


def chance_in_spread(deviation: Floats, spread: Spread, shared: Floats | float = 0.0) -> float:
    """How often a deviation (q,) of that spread is of this size or more; `shared` (q, q) comes to what is doubtful.

    >>> alone = Spread(np.eye(1), np.zeros((1, 1)), np.zeros((1, 1)))
    >>> round(chance_in_spread(np.array([1.96]), alone), 3)
    0.05
    """
    total = spread.known + spread.doubtful + shared
    scale = np.sqrt(np.maximum(np.diag(total), 1e-300))
    across = np.outer(scale, scale)
    inverse = np.linalg.pinv(total / across, rcond=1e-10, hermitian=True)
    unit, q = deviation / scale, len(deviation)
    square = max(float(unit @ inverse @ unit), 0.0)
    share = float(np.sum(inverse * ((spread.doubtful + shared) / across))) / q
    if share < _LEAST:
        return float(chdtrc(q, square))
    doubtful, by_freedom = (float(np.sum(inverse * (part / across))) for part in spread[1:])
    # Nothing doubtful of its own, as in a mesh without noise: what is shared comes to what is known.
    if by_freedom <= 0.0:
        return float(chdtrc(q, square))
    sizes, weights = _sizes(round(doubtful / by_freedom, 3))
    return float(weights @ chdtrc(q, square / (1.0 - min(share, 1.0) + min(share, 1.0) * sizes)))


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
