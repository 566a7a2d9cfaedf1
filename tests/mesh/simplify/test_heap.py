"""The heap of edges gives the same order as the standard library's."""

from __future__ import annotations

import heapq

import numpy as np

from pipeline.mesh.simplify.heap import Heap, heapify, pop, sift_up


def test_the_cheapest_comes_first() -> None:
    rng = np.random.default_rng(1)
    cost = rng.permutation(500).astype(float)
    heap = Heap(
        cost.copy(), np.arange(500, dtype=np.int32), np.arange(500, 1000, dtype=np.int32), np.zeros(500, np.int32)
    )
    reference = cost[:300].tolist()
    heapq.heapify(reference)
    heapify(heap, 300)
    size, at = 300, 300
    while size:
        assert heap.cost[0] == heapq.heappop(reference)
        assert cost[heap.a[0]] == heap.cost[0]
        assert heap.b[0] == heap.a[0] + 500
        size = pop(heap, size)
        if at < 500:
            heap.cost[size], heap.a[size], heap.b[size] = cost[at], at, at + 500
            sift_up(heap, size)
            heapq.heappush(reference, cost[at])
            size, at = size + 1, at + 1
    assert not reference
