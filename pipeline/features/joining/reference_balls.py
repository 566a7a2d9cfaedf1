"""Reference balls: balls of known diameter that were stuck to the part, or to a frame clamped to it, for the join.

They are found among a scan's spheres, their centres are taken at the diameter that is known (of a cap the centre goes
with the radius), and of several scans those are one that lie to each other alike. Three of them tell a pose.

Lengths are mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.distance import pdist, squareform
from scipy.spatial.transform import Rotation

from pipeline.features.joining.overlap import SetUp
from pipeline.geometry import Floats, Mask, rigid
from pipeline.mesh.topology import compact, facet_areas
from pipeline.surfaces import kind_of
from pipeline.values import Feature, Surface

FEWEST = 3
OFF_SIZE = 0.05  # mm beyond four standard uncertainties by which a ball's radius may be off, matting spray being on it
OFF = 0.1  # mm beyond four standard uncertainties by which two balls may lie otherwise to each other in two scans
AT_FOOT = 1.0  # mm beyond a ball, and two of the scan's edges: what it is stuck on with


@dataclass(frozen=True)
class BallSize:
    """diameter mm of reference balls, its standard uncertainty, and how many were stuck on."""

    diameter: float
    uncertainty: float
    count: int


def is_ball(feature: Feature) -> bool:
    """Whether a feature is round all over, from outside.

    >>> from tests.features.joining.balls import scan_of_balls
    >>> is_ball(scan_of_balls().features[0])
    True
    """
    return kind_of(feature).centred and feature.direction is None and feature.side == "boss"


def balls_of(scan: SetUp, sizes: Sequence[BallSize]) -> list[int]:
    """Indices of the features of a scan that are reference balls.

    >>> from tests.features.joining.balls import scan_of_balls
    >>> balls_of(scan_of_balls(), [BallSize(20.0, 0.002, 3)])
    [0, 1, 2]
    """
    found = []
    for index, f in enumerate(scan.features):
        if not is_ball(f) or f.radius is None:
            continue
        known = f.uncertainty.radius or 0.0
        if any(abs(f.radius - s.diameter / 2) < 4.0 * np.hypot(known, s.uncertainty / 2) + OFF_SIZE for s in sizes):
            found.append(index)
    return found


def at_known_size(scan: SetUp, balls: Sequence[int], sizes: Sequence[BallSize]) -> SetUp:
    """The scan with those balls at the diameter that is known: their centres move as their fits tie them to the radius.

    Least squares with the radius as one more observation, of the uncertainty that is given (JCGM 100:2008).

    >>> from tests.features.joining.balls import scan_of_balls
    >>> held = at_known_size(scan_of_balls(), [0, 1, 2], [BallSize(20.0, 0.002, 3)])
    >>> [round(f.radius, 3) for f in held.features]
    [10.0, 10.0, 10.0]
    """
    features = list(scan.features)
    for index in balls:
        f = features[index]
        assert f.radius is not None
        size = min(sizes, key=lambda s: abs(s.diameter / 2 - (f.radius or 0.0)))
        features[index] = _at_radius(f, size.diameter / 2, size.uncertainty / 2)
    return replace(scan, features=tuple(features))


def _at_radius(f: Feature, radius: float, sigma: float) -> Feature:
    known = f.uncertainty
    assert f.radius is not None
    if known.covariance is None or known.basis is None:
        return replace(f, radius=radius, uncertainty=replace(known, radius=sigma))
    place = known.names.index("r")
    column = known.covariance[:, place]
    gain = column / (column[place] + sigma**2)
    step = gain * (radius - f.radius)
    covariance = known.covariance - np.outer(gain, column)
    axes = {"u": known.basis[0], "v": known.basis[1], "w": np.cross(known.basis[0], known.basis[1])}
    shift = sum((step[known.names.index(n)] * way for n, way in axes.items()), np.zeros(3))
    three = [known.names.index(n) for n in axes]
    position = float(np.sqrt(max(np.linalg.eigvalsh(covariance[np.ix_(three, three)])[-1], 0.0)))
    told = replace(
        known, position=position, radius=float(np.sqrt(max(covariance[place, place], 0.0))), covariance=covariance,
        parts=None, freedom=None,
    )  # fmt: skip
    return replace(f, point=f.point + shift, radius=radius, uncertainty=told)


def ball_pairs(
    stays: SetUp, one: Sequence[int], laid: SetUp, other: Sequence[int]
) -> list[tuple[tuple[int, int], ...]]:
    """All ways in which most of the balls of two scans lie to each other alike: pairs of indices, three at least.

    More than one way where distances between balls are alike; none where fewer than three agree.

    >>> from tests.features.joining.balls import scan_of_balls
    >>> ball_pairs(scan_of_balls(), [0, 1, 2], scan_of_balls(order=(2, 0, 1)), [0, 1, 2])
    [((0, 1), (1, 2), (2, 0))]
    """
    both = ((stays, one), (laid, other))
    apart = [squareform(pdist(_centres(scan, which))) for scan, which in both]
    room = [np.array([scan.features[k].uncertainty.position or 0.0 for k in which]) for scan, which in both]
    sizes = [np.array([scan.features[k].radius or 0.0 for k in which]) for scan, which in both]
    best: list[tuple[tuple[int, int], ...]] = []

    def fits(a: int, b: int, c: int, d: int) -> bool:
        """Whether a and c lie to each other as b and d of the other scan."""
        known = np.sqrt(room[0][a] ** 2 + room[0][c] ** 2 + room[1][b] ** 2 + room[1][d] ** 2)
        return bool(abs(apart[0][a, c] - apart[1][b, d]) < 4.0 * known + OFF)

    def grow(chosen: tuple[tuple[int, int], ...], start: int) -> None:
        if len(chosen) >= FEWEST and len(chosen) >= (len(best[0]) if best else 0):
            if best and len(chosen) > len(best[0]):
                best.clear()
            best.append(chosen)
        for a in range(start, len(one)):
            for b in range(len(other)):
                free = all(b != d for _, d in chosen) and abs(sizes[0][a] - sizes[1][b]) < OFF_SIZE
                if free and all(fits(c, d, a, b) for c, d in chosen):
                    grow((*chosen, (a, b)), a + 1)

    grow((), 0)
    # A mirrored set has the same distances.
    right = [way for way in best if laid_by_balls(stays, laid, _named(way, one, other)) is not None]
    return [_named(way, one, other) for way in right]


def _named(way: Sequence[tuple[int, int]], one: Sequence[int], other: Sequence[int]) -> tuple[tuple[int, int], ...]:
    return tuple((one[a], other[b]) for a, b in way)


def laid_by_balls(stays: SetUp, laid: SetUp, pairs: Sequence[tuple[int, int]]) -> Floats | None:
    """The motion (4, 4) that lays centres on centres, by least squares (Umeyama 1991); None where it leaves them apart,
    or they lie on a line.

    >>> from tests.features.joining.balls import scan_of_balls
    >>> motion = laid_by_balls(scan_of_balls(), scan_of_balls(shift=3.0), [(0, 0), (1, 1), (2, 2)])
    >>> motion[:3, 3].round(9).tolist()
    [-3.0, 0.0, 0.0]
    """
    a, b = _centres(stays, [i for i, _ in pairs]), _centres(laid, [j for _, j in pairs])
    middle = a.mean(axis=0), b.mean(axis=0)
    if np.linalg.svd(a - middle[0], compute_uv=False)[1] < 1.0:
        return None
    turn = Rotation.align_vectors(a - middle[0], b - middle[1])[0].as_matrix()
    left = a - middle[0] - (b - middle[1]) @ turn.T
    known = [
        np.hypot(stays.features[i].uncertainty.position or 0.0, laid.features[j].uncertainty.position or 0.0)
        for i, j in pairs
    ]
    if (np.linalg.norm(left, axis=1) > 5.0 * np.array(known) + OFF).any():
        return None
    return rigid(turn, middle[0] - turn @ middle[1])


def distances_alike(scan: SetUp, balls: Sequence[int], within: float = 1.0) -> bool:
    """Whether two distances between balls of a scan are alike within some mm: what nothing but chance tells apart.

    >>> from tests.features.joining.balls import scan_of_balls
    >>> distances_alike(scan_of_balls(), [0, 1, 2])
    False
    """
    far = np.sort(pdist(_centres(scan, balls)))
    return bool(len(far) > 1 and np.diff(far).min() < within)


def without_balls(scan: SetUp, balls: Sequence[int]) -> tuple[SetUp, Mask, float]:
    """The scan without reference balls and what they are stuck on with; which (m,) of its facets stay, and the mm2 that
    went.

    >>> from tests.features.joining.balls import scan_of_balls
    >>> bare, kept, area = without_balls(scan_of_balls(), [0, 1, 2])
    >>> len(bare.features), bool(kept.any())
    (0, False)
    """
    corners = scan.surface.vertices[scan.surface.faces]
    gone = np.isin(scan.labels, balls)
    for index in balls:
        f = scan.features[index]
        reach = (f.radius or 0.0) + AT_FOOT + 2.0 * scan.edge
        gone |= (np.linalg.norm(corners - f.point, axis=2) < reach).any(axis=1)
    stay = [k for k in range(len(scan.features)) if k not in balls]
    number = np.full(len(scan.features) + 1, -1, dtype=np.int32)
    number[stay] = np.arange(len(stay), dtype=np.int32)
    vertices, faces, _ = compact(scan.surface.vertices, scan.surface.faces[~gone])
    surface = Surface.measured(vertices, faces)
    area = float(facet_areas(scan.surface.vertices, scan.surface.faces[gone]).sum())
    scene = replace(scan.scene, features=tuple(scan.scene.features[k] for k in stay))
    bare = SetUp(surface, number[scan.labels[~gone]], tuple(scan.features[k] for k in stay), scene, scan.noise)
    return bare, ~gone, area


def _centres(scan: SetUp, which: Sequence[int]) -> Floats:
    return np.array([scan.features[k].point for k in which], dtype=np.float64).reshape(-1, 3)
