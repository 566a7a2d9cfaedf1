"""Lines and circles in which a feature's surface cuts the plane of a sketch."""

from __future__ import annotations

import numpy as np

from pipeline.features.sketches.curves import Curve
from pipeline.geometry import Floats, moved, turned
from pipeline.values import Feature

SQUARE = np.radians(1.5)  # an axis nearer to square to the face than this cuts it in a circle


def section(feature: Feature, matrix: Floats) -> list[Curve]:
    """Lines or circles in which a feature's surface cuts the plane z = 0 of a sketch."""
    point = moved(matrix, feature.point)
    ends = np.zeros((2, 2))
    if feature.kind == "sphere":
        return _circle(point[:2], (feature.radius or 0.0) ** 2 - point[2] ** 2, feature.id)
    assert feature.direction is not None
    d = turned(matrix, feature.direction)
    square = np.arctan2(np.linalg.norm(d[:2]), abs(d[2]))
    if feature.kind == "plane":
        length = float(np.linalg.norm(d[:2]))
        if length < np.sin(np.radians(5.0)):
            return []
        n = d[:2] / length
        foot = point[:2] + n * point[2] * d[2] / length
        return [Curve("line", ends, foot, np.array([-n[1], n[0]]), feature=feature.id)]
    if square < SQUARE:
        foot = point[:2] - d[:2] / d[2] * point[2]
        if feature.kind == "cylinder":
            return _circle(foot, (feature.radius or 0.0) ** 2, feature.id)
        if feature.kind == "cone":
            along = -point[2] / d[2]
            radius = (feature.radius or 0.0) + along * np.tan(feature.half_angle or 0.0)
            return _circle(foot, radius * abs(radius), feature.id)
        half = (feature.radius or 0.0) ** 2 - point[2] ** 2
        if feature.kind == "torus" and half > 0:
            wide = [(feature.major_radius or 0.0) + s * np.sqrt(half) for s in (1.0, -1.0)]
            return [c for r in wide for c in _circle(foot, r * abs(r), feature.id)]
        return []
    if feature.kind == "cylinder" and square > np.pi / 2 - SQUARE:
        half = (feature.radius or 0.0) ** 2 - point[2] ** 2
        if half > 0:
            e = d[:2] / np.linalg.norm(d[:2])
            n = np.array([-e[1], e[0]])
            return [Curve("line", ends, point[:2] + s * np.sqrt(half) * n, e, feature=feature.id) for s in (1.0, -1.0)]
    return []


def _circle(centre: Floats, square: float, feature: str) -> list[Curve]:
    return (
        []
        if square <= 0
        else [Curve("circle", np.zeros((2, 2)), centre, radius=float(np.sqrt(square)), feature=feature)]
    )
