"""Points onto the meeting of surfaces, by Newton steps of least length."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.surfaces import Shape, signed_distance, surface_normal

Floats = NDArray[np.float64]

_STEPS = 25
_THERE = 1e-10  # mm


def onto(shapes: Sequence[Shape], points: Floats, least_sine: float = 0.05) -> tuple[Floats, NDArray[np.bool_]]:
    """Points (n, 3) moved onto one, two or three surfaces at once, and whether each got there.

    least_sine  of the angle between two surfaces, and least volume spanned by three normals; where they run more
                nearly along each other a point counts as not there
    """
    x = np.array(points, dtype=np.float64)
    if not len(x):
        return x, np.ones(0, np.bool_)
    gram = np.zeros((len(x), len(shapes), len(shapes)))
    worst = np.full(len(x), np.inf)
    for _ in range(_STEPS):
        off = np.stack([signed_distance(s, x) for s in shapes], axis=1)
        normals = np.stack([surface_normal(s, x) for s in shapes], axis=1)
        gram = np.einsum("nij,nkj->nik", normals, normals)
        worst = np.abs(off).max(axis=1)
        if (worst < _THERE).all():
            break
        # A hair on the diagonal keeps nearly parallel surfaces from blowing up; it costs a step, not the place.
        step = np.linalg.solve(gram + 1e-12 * np.eye(len(shapes)), off[:, :, None])[:, :, 0]
        move = np.einsum("ni,nij->nj", step, normals)
        length = np.linalg.norm(move, axis=1, keepdims=True)
        x -= move * np.minimum(1.0, 20.0 / np.maximum(length, 1e-300))
    crossing = np.sqrt(np.maximum(np.linalg.det(gram), 0.0))
    return x, (worst < 1e-7) & (crossing >= (least_sine if len(shapes) > 1 else 0.0)) & np.isfinite(x).all(axis=1)


def onto_meeting(one: Shape, other: Shape, points: Floats, least_sine: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Points (n, 3) moved onto the meeting of two surfaces, and whether each got there."""
    return onto([one, other], points, least_sine)
