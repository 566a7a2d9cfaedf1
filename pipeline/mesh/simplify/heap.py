"""A heap of edges, the cheapest on top, in parallel arrays: price, the two ends, the state they were priced in."""

from __future__ import annotations

from numpy.typing import NDArray

from pipeline.jit import njit


@njit(cache=True)
def down(cost: NDArray, a: NDArray, b: NDArray, when: NDArray, size: int, i: int) -> None:
    c, ia, ib, iw = cost[i], a[i], b[i], when[i]
    while True:
        child = 2 * i + 1
        if child >= size:
            break
        if child + 1 < size and cost[child + 1] < cost[child]:
            child += 1
        if cost[child] >= c:
            break
        cost[i], a[i], b[i], when[i] = cost[child], a[child], b[child], when[child]
        i = child
    cost[i], a[i], b[i], when[i] = c, ia, ib, iw


@njit(cache=True)
def up(cost: NDArray, a: NDArray, b: NDArray, when: NDArray, i: int) -> None:
    c, ia, ib, iw = cost[i], a[i], b[i], when[i]
    while i > 0:
        above = (i - 1) // 2
        if cost[above] <= c:
            break
        cost[i], a[i], b[i], when[i] = cost[above], a[above], b[above], when[above]
        i = above
    cost[i], a[i], b[i], when[i] = c, ia, ib, iw
