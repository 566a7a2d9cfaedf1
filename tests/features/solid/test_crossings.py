"""Lines that cross, by eye."""

from __future__ import annotations

import numpy as np

from pipeline.features.solid.crossings import crossing_edges, simple_polygons


def test_polygons() -> None:
    square = [[0, 0], [1, 0], [1, 1], [0, 1]]
    clockwise = square[::-1]
    bow_tie = [[0, 0], [1, 0], [0, 1], [1, 1]]
    told = simple_polygons(np.array([square, clockwise, bow_tie], float))
    assert told.tolist() == [True, False, False]


def test_lines_cross_also_over_the_turn() -> None:
    a = [[0.0, 0.0], [0.0, 2.0]]
    across = [[-1.0, 1.0], [1.0, 1.0]]
    beside = [[3.0, 0.0], [3.0, 2.0]]
    round_it = [[9.0, 1.5], [11.0, 1.5]]  # the same as -1 .. 1 where ten come round again
    assert crossing_edges(np.array([a, across, beside]), (0.0, 0.0)).tolist() == [True, True, False]
    assert crossing_edges(np.array([a, round_it]), (0.0, 0.0)).tolist() == [False, False]
    assert crossing_edges(np.array([a, round_it]), (10.0, 0.0)).tolist() == [True, True]
