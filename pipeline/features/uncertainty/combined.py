"""Covariances in parts, by the scan and the wave that each comes from, and what they come to together.

A long wave was seen a few times only, so that what rests on it is widened by Student's t. What several errors make
together is widened once, as a whole: sizes that were learnt on two scans are seldom both too small, and the sum of
their variances has more degrees of freedom than either (Welch and Satterthwaite; JCGM 100:2008, G.4.1). A wave of one
scan was learnt once for all that was fitted to it: its shares are added up before they count.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.features.uncertainty.propagation import student_widening, widened
from pipeline.geometry import Floats, Ints
from pipeline.values import Uncertainty


class Parts(NamedTuple):
    """A covariance as a sum: what is known of size first, then wave by wave of each scan, in the order of its waves.

    values (c, k, k); freedom (c,) degrees of freedom that a size was seen with; scans (c,) number of the scan, of the
    first 0
    """

    values: Floats
    freedom: Floats
    scans: Ints

    def through(self, gain: Floats) -> Parts:
        """Of figures (q,) that change with what has this covariance by a gain (q, k)."""
        return self._replace(values=gain @ self.values @ gain.T)

    def with_known(self, more: Floats) -> Parts:
        """With another covariance (k, k), whose size is known."""
        return self._replace(values=np.concatenate([self.values[:1] + more, self.values[1:]]))

    def numbered(self, scans: Sequence[int]) -> Parts:
        """With other numbers of the scans: those of number 0, 1, ..."""
        numbers = np.asarray(scans, dtype=np.int32)[self.scans]
        numbers[0] = 0
        return self._replace(scans=numbers)

    def widened(self) -> Floats:
        """(k, k) what they come to, each of the k figures widened by Student's t."""
        return widened(self.values, self.freedom)


def all_known(covariance: Floats) -> Parts:
    """A covariance (k, k) whose size is known."""
    return Parts(np.asarray(covariance, dtype=float)[None], np.array([np.inf]), np.zeros(1, dtype=np.int32))


def parts_of(known: Uncertainty) -> Parts:
    """Of a feature's local parameters; its covariance is there."""
    if known.parts is None or known.freedom is None:
        return all_known(np.asarray(known.covariance))
    scans = np.zeros(len(known.parts), dtype=np.int32) if known.scans is None else known.scans
    return Parts(known.parts, known.freedom, scans)


def sum_of(several: Sequence[Parts]) -> Parts:
    """The covariance of a sum of errors that are independent but for the size of the waves that they come from."""
    first = np.sum([one.values[0] for one in several], axis=0)
    waves: dict[tuple[int, int], tuple[Floats, float]] = {}
    for one in several:
        count: dict[int, int] = defaultdict(int)
        for value, degrees, scan in zip(one.values[1:], one.freedom[1:], one.scans[1:].tolist(), strict=True):
            key = scan, count[scan]
            count[scan] += 1
            waves[key] = (waves[key][0] + value if key in waves else value, float(degrees))
    order = sorted(waves)
    return Parts(
        np.array([first, *(waves[key][0] for key in order)]),
        np.array([np.inf, *(waves[key][1] for key in order)]),
        np.array([0, *(scan for scan, _ in order)], dtype=np.int32),
    )


def combined_covariance(sources: Sequence[tuple[Floats, Uncertainty]]) -> Floats:
    """(q, q) covariance of q figures of one unit that features make together, whose errors are independent.

    sources  how the figures change with a feature's k local parameters (q, k), and the feature's uncertainty, whose
             covariance is there

    For degrees of freedom count those of the sum of the figures' variances, whatever the axes that they are told in.

    >>> from dataclasses import replace
    >>> parts, freedom = np.array([[[0.0]], [[1.0]]]), np.array([np.inf, 5.0])
    >>> one = Uncertainty(1.0, None, None, 'example', ('w',), parts[1], None, parts, freedom)
    >>> others = one, replace(one, scans=np.array([0, 1]))
    >>> [round(float(combined_covariance([(np.eye(1), one), (np.eye(1), two)])[0, 0]), 3) for two in others]
    [3.44, 2.585]
    """
    whole = sum_of([parts_of(known).through(gain) for gain, known in sources])
    sizes = np.trace(whole.values, axis1=1, axis2=2)
    more = student_widening(sizes.sum(keepdims=True), sizes[:, None], whole.freedom)
    return np.asarray(whole.values.sum(axis=0) * float(more[0]) ** 2)
