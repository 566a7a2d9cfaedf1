"""A heap of edges, the cheapest on top, in parallel arrays; it holds the first `size` entries of them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.geometry import Floats, Ints
from pipeline.jit import njit


class Heap(NamedTuple):
    """cost (k,) of collapsing the edges a (k,), b (k,); when (k,): the state of the mesh they were priced in."""

    cost: Floats
    a: Ints
    b: Ints
    when: Ints


@njit(cache=True)
def sift_down(heap: Heap, size: int, i: int) -> None:
    """Let entry i sink to where no child is cheaper."""
    cost, a, b, when = heap
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
def sift_up(heap: Heap, i: int) -> None:
    """Let entry i rise to where the one above is not dearer."""
    cost, a, b, when = heap
    c, ia, ib, iw = cost[i], a[i], b[i], when[i]
    while i > 0:
        above = (i - 1) // 2
        if cost[above] <= c:
            break
        cost[i], a[i], b[i], when[i] = cost[above], a[above], b[above], when[above]
        i = above
    cost[i], a[i], b[i], when[i] = c, ia, ib, iw


@njit(cache=True)
def heapify(heap: Heap, size: int) -> None:
    """Put entries in any order into that of a heap."""
    for i in range(size // 2 - 1, -1, -1):
        sift_down(heap, size, i)


@njit(cache=True)
def pop(heap: Heap, size: int) -> int:
    """Take the top away; the new size."""
    size -= 1
    heap.cost[0], heap.a[0], heap.b[0], heap.when[0] = heap.cost[size], heap.a[size], heap.b[size], heap.when[size]
    sift_down(heap, size, int(np.int64(0)))
    return size
