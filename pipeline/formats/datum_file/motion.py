"""Points and directions in part coordinates."""

from __future__ import annotations

import numpy as np


def part_point(matrix: np.ndarray, point: np.ndarray) -> np.ndarray:
    """(3,) or (n, 3) points moved by a 4x4 rigid matrix.

    >>> shifted = np.eye(4)
    >>> shifted[:3, 3] = 1.0, 2.0, 3.0
    >>> part_point(shifted, np.zeros(3)).tolist()
    [1.0, 2.0, 3.0]
    """
    return np.asarray(point, float) @ matrix[:3, :3].T + matrix[:3, 3]


def part_direction(matrix: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """(3,) or (n, 3) directions turned by a 4x4 rigid matrix, of length 1 to the last bit that floats allow.

    >>> part_direction(np.eye(4), np.array([0.0, 0.0, 1.0])).tolist()
    [0.0, 0.0, 1.0]
    """
    turned = np.asarray(direction, float) @ matrix[:3, :3].T
    return turned / np.linalg.norm(turned, axis=-1, keepdims=True)
