"""Covers: pipeline.mesh.topology.pinched_loops"""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pipeline.mesh.topology import cut_at_pinches


@given(st.lists(st.integers(0, 6), min_size=1, max_size=20))
def test_parts_pass_each_vertex_once_and_all_edges_are_kept(loop: list[int]) -> None:
    """Cutting a closed walk at a vertex keeps its edges: as many leave and reach each vertex as before."""
    parts = cut_at_pinches(loop)
    assert all(len(set(part)) == len(part) for part in parts)
    before = sorted(zip(loop, np.roll(loop, -1).tolist(), strict=True))
    after = sorted(pair for part in parts for pair in zip(part, np.roll(part, -1).tolist(), strict=True))
    assert after == before


def test_a_figure_of_eight() -> None:
    assert cut_at_pinches([4, 0, 1, 4, 2, 3]) == [[4, 0, 1], [4, 2, 3]]
