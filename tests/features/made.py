"""Features by hand, for tests of what is made of them."""

from __future__ import annotations

import numpy as np

from pipeline.features.naming.carrying import entry_of
from pipeline.geometry import basis_of
from pipeline.surfaces import KINDS
from pipeline.values import Extent, Feature, Form, NoiseModel, NumberedFeature, RecoverResult, Uncertainty

SIGMAS = {"u": 0.003, "v": 0.004, "w": 0.002, "a": 4e-5, "b": 6e-5, "r": 0.002, "h": 2e-4, "R": 0.003, "t": 2e-4}


def uncertainty(kind: str, direction, scale: float = 1.0, seed: int | None = None) -> Uncertainty:
    """A full covariance with the standard deviations of SIGMAS, correlated when a seed is given."""
    names = KINDS[kind].parameters
    s = scale * np.array([SIGMAS[n] for n in names])
    correlation = np.eye(len(names))
    if seed is not None:
        draw = np.random.default_rng(seed).normal(size=(len(names), 3 * len(names)))
        spread = draw @ draw.T
        d = np.sqrt(np.diag(spread))
        correlation = spread / np.outer(d, d)
    return Uncertainty(
        float(s[0]),
        float(4e-5 * scale),
        float(s[-1]),
        "made up",
        names,
        correlation * np.outer(s, s),
        basis_of(direction),
    )


def feature(
    ident: str, kind: str, point, direction=None, radius=None, side=None, area=1000.0, length=None, **more
) -> Feature:
    direction = None if direction is None else np.asarray(direction, float) / np.linalg.norm(direction)
    if kind == "cylinder" and length is None:
        length = 20.0
    along = None if length is None else (-length / 2, length / 2)
    known = more.pop("uncertainty", uncertainty(kind, direction))
    return Feature(
        ident,
        kind,
        side,
        np.asarray(point, float),
        direction,
        radius,
        known,
        Form(0.01, 0.05, 1.0, "form"),
        Extent(area, 1000, length, None if kind == "plane" else 2 * np.pi, along),
        **more,
    )


def plane(ident: str, point, normal, area=1000.0, **more) -> Feature:
    return feature(ident, "plane", point, normal, area=area, **more)


def bore(ident: str, point, axis, radius, length=20.0, **more) -> Feature:
    return feature(ident, "cylinder", point, axis, radius, "bore", 2 * np.pi * radius * length, length, **more)


def posed(features, matrix) -> list[Feature]:
    """The features carried by a rigid motion, their uncertainty with them."""
    from dataclasses import replace

    turn, shift = matrix[:3, :3], matrix[:3, 3]
    out = []
    for f in features:
        u = f.uncertainty
        moved = replace(u, basis=None if u.basis is None else u.basis @ turn.T)
        direction = None if f.direction is None else turn @ f.direction
        out.append(replace(f, point=turn @ f.point + shift, direction=direction, uncertainty=moved))
    return out


def pose(seed: int, reach: float = 200.0) -> np.ndarray:
    """A random rigid motion."""
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(seed)
    matrix = np.eye(4)
    matrix[:3, :3] = Rotation.random(rng=rng).as_matrix()
    matrix[:3, 3] = rng.uniform(-reach, reach, 3)
    return matrix


def recovered(features, labels=None) -> RecoverResult:
    labels = np.full(0, -1, np.int32) if labels is None else labels
    noise = NoiseModel(0.012, 0.014, np.array([[0.012, 0.0]]), "made up")
    return RecoverResult(tuple(features), labels, noise)


def block() -> list[Feature]:
    """A bored block in part coordinates: top at z = 0, main bore on the z axis, a corner at (-60, -40, 0)."""
    return [
        plane("top", (3, 2, 0), (0, 0, 1), 9000),
        plane("front", (1, -40, -20), (0, -1, 0), 4000),
        plane("left", (-60, 4, -18), (-1, 0, 0), 3000),
        plane("bottom", (0, 1, -45), (0, 0, -1), 8500),
        plane("slope", (50, 0, -10), (1, 0, 1), 800),
        bore("main", (0, 0, -20), (0, 0, 1), 25, 40),
        bore("far", (45, 0, -15), (0, 0, -1), 6, 30),
        bore("side", (0, 30, -5), (0, 0, 1), 6, 10),
        bore("cross", (0, -30, -30), (0, 1, 0), 8, 20),
        bore("coax", (0, 0, -42), (0, 0, -1), 15, 6),
        feature("ball", "sphere", (40, 25, 5), None, 7, "bore", 300),
    ]


def spots(features) -> list[np.ndarray]:
    """Of each feature points (n, 3) as they would be seen of it, on its surface."""
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    round_, steps = np.c_[np.cos(turn), np.sin(turn)], np.linspace(-0.5, 0.5, 5)
    out = []
    for f in features:
        u, v = basis_of(f.direction)
        if f.kind == "plane":
            reach = np.sqrt(f.extent.area / np.pi) * np.array([0.3, 0.7, 1.0])
            made = [f.point + r * round_ @ np.stack([u, v]) for r in reach]
        elif f.kind == "sphere":
            w = np.cross(u, v)
            lean = np.linspace(-1.2, 1.2, 5)
            made = [f.point + f.radius * (np.cos(t) * round_ @ np.stack([u, v]) + np.sin(t) * w) for t in lean]
        else:
            along = steps * (f.extent.length or 0.0)
            radii = f.radius + along * np.tan(f.half_angle or 0.0)
            made = [
                f.point + s * f.direction + r * round_ @ np.stack([u, v]) for s, r in zip(along, radii, strict=True)
            ]
        out.append(np.concatenate(made))
    return out


def numbered(features) -> tuple[NumberedFeature, ...]:
    """The features as a file of names has them."""
    return tuple(entry_of(f, points) for f, points in zip(features, spots(features), strict=True))
