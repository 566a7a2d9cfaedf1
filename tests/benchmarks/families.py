"""Families of exactness tests: features of a noisy scan of an exact design, and what `exactness` makes of them.

`simulated` fits the vertices that the generator knows to lie on each machined face, which costs a second or two a scan,
so that hundreds of families can be looked at; `recovered_features` takes what the recover stage makes of the mesh.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from pipeline.features.datums import complete
from pipeline.features.datums.exactness import Exactness, exactness
from pipeline.features.fitting.least_squares import fit
from pipeline.features.relations import find_patterns
from pipeline.features.uncertainty import FittedFace, learn_noise, white_sigma
from pipeline.features.uncertainty.propagation import assess
from pipeline.geometry import basis_of
from pipeline.mesh.topology.measures import facet_areas
from pipeline.surfaces import kind_of, signed_distance
from pipeline.surfaces.shape import Shape
from pipeline.values import Extent, Feature, Form
from sample_meshes.make_scan import Noise, Scan, noise_along_normal
from tests.benchmarks.coverage import housing, recovered, true_shape

NOISE = Noise(0.012, ((0.008, 2.5), (0.005, 25.0)))


@dataclass(frozen=True)
class Ground:
    """A scan without noise: its normals at the vertices, and of each machined face the exact shape and its vertices."""

    scan: Scan
    normals: NDArray[np.float64]
    faces: tuple[tuple[str, str | None, Shape, NDArray[np.int64], float], ...]


@cache
def ground(number: int, facets: float = 80_000) -> Ground:
    scan = housing(facets)(number)
    turn = scan.to_scan[:3, :3]
    vertices = scan.true_vertices
    normals = scan.part.solid.normals(scan.to_part(vertices), rounded=True) @ turn.T
    owner = np.full(len(vertices), -1)
    owner[scan.faces.ravel()] = np.repeat(scan.label, 3)
    mixed = np.zeros(len(vertices), dtype=bool)
    for k in range(3):
        np.logical_or.at(mixed, scan.faces[:, k], owner[scan.faces[:, k]] != scan.label)
    areas = facet_areas(vertices, scan.faces)
    made = []
    for face in scan.part.faces:
        ideal = true_shape(face, scan.to_scan)
        mine = np.flatnonzero((owner == face.number) & ~mixed)
        mine = mine[np.abs(signed_distance(ideal, vertices[mine])) < 1e-4]
        if len(mine) >= 100:
            made.append((face.name, face.side, ideal, mine, float(areas[scan.label == face.number].sum())))
    return Ground(scan, normals, tuple(made))


def noisy(base: Ground, seed: int, true: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """The scan's vertices, or those given instead, with noise of that seed."""
    true = base.scan.true_vertices if true is None else true
    along = noise_along_normal(true, NOISE, np.random.default_rng([seed, 1414]))
    return true + along[:, None] * base.normals


def textbook(shape: Shape, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """What NOISE leaves in a least-squares fit of a plane or cylinder to exact places (n, 3): the covariance (k, k) of
    height and two slopes, or of two shifts at the middle, two slopes and radius, mm and rad, on `basis_of` the normal
    or axis.

    The law of propagation for correlated input (JCGM 100:2008, 5.2) with the noise as the generator has it, so that
    nothing of the package's own uncertainty is in it.
    """
    u, v = basis_of(shape.direction)
    off = places - places.mean(axis=0)
    if shape.kind == "plane":
        rows = np.column_stack([np.ones(len(off)), off @ u, off @ v])
    else:
        arm = np.column_stack([(places - shape.point) @ u, (places - shape.point) @ v])
        arm /= np.linalg.norm(arm, axis=1)[:, None]
        rows = np.column_stack([arm, arm * (off @ shape.direction)[:, None], np.ones(len(off))])
    some = slice(None, None, 1 + len(places) // 1500)  # waves need no more places than that
    gains = rows[some] @ np.linalg.inv(rows[some].T @ rows[some])
    squares = cdist(places[some], places[some], "sqeuclidean")
    waves = sum(s**2 * np.exp(squares / (-2.0 * length**2)) for s, length in NOISE.waves)
    return NOISE.white**2 * np.linalg.inv(rows.T @ rows) + gains.T @ waves @ gains


def recovered_features(base: Ground, vertices: NDArray[np.float64]) -> list[Feature]:
    """What the recover stage makes of the scan with these vertices, under the names of the design's faces."""
    names: list[str] = []
    out = []
    for name, feature in recovered(base.scan, vertices):
        # Two halves of one face have one name in the design.
        out.append(replace(feature, id=f"{name} {names.count(name) + 1}" if name in names else name))
        names.append(name)
    return out


def simulated(base: Ground, vertices: NDArray[np.float64]) -> list[Feature]:
    """Fits of the exact faces of the scan with these vertices, largest face first."""
    fits = [(f, fit(f[2].kind, vertices[f[3]], f[2])) for f in base.faces]
    model = learn_noise(
        [FittedFace(made.shape, vertices[f[3]]) for f, made in fits],
        white_sigma(vertices, base.scan.faces.astype(np.int32)),
        base.scan.edge,
    )
    out = []
    for (name, side, _, mine, area), made in fits:
        shape, points = made.shape, vertices[mine]
        known = assess(shape, points, made.weights, model)
        extent = Extent(area, len(mine))
        if kind_of(shape).axial and not kind_of(shape).centred:
            along = (points - shape.point) @ shape.direction
            low, high = float(along.min()), float(along.max())
            extent = Extent(area, len(mine), high - low, 2.0 * np.pi, (low, high))
        doubtful = known.position is None or (known.direction or 0.0) > np.radians(1.0)
        out.append(
            Feature(
                name, shape.kind, side, shape.point, shape.direction, shape.radius, known, Form(0.0, 0.0, 1.0, "form"),
                extent, shape.half_angle, shape.major_radius, "low" if doubtful else "good",
            )
        )  # fmt: skip
    return sorted(out, key=lambda f: -f.extent.area)


def judged(features: list[Feature]) -> Exactness:
    """What the frame stage makes of them, with the datums that it would propose."""
    return exactness(complete((), features, find_patterns(features)).datums)


def stands_out(found: Exactness) -> list[tuple[str, float]]:
    """What stands out of the family, with its chance among all."""
    rows = [(f"{s.feature} {s.kind} {s.datum}", s.p_adjusted or 0.0) for s in found.square_up if s.significant]
    related = [
        (f"{r.kind} {' '.join(r.between)}", r.p_adjusted)
        for r in found.relations
        if r.p_adjusted is not None and r.p_adjusted <= 0.05
    ]
    return rows + related
