"""Whether 95 % intervals hold the truth 95 times in 100: features of many scans against the exact design.

Two ways to come by the features: `from_truth` fits the vertices that the generator knows to lie on each face,
which tries the uncertainty alone; `from_recover` takes what the recover stage makes of the mesh, which tries
all of it: rims left over, vertices of neighbours, robust weights.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from pipeline.features.fitting.least_squares import fit
from pipeline.features.uncertainty.noise_model import FittedFace, learn_noise
from pipeline.features.uncertainty.propagation import assess, block
from pipeline.features.uncertainty.white_noise import white_sigma
from pipeline.job import RecoverSettings
from pipeline.mesh.topology.measures import facet_areas
from pipeline.progress import silent
from pipeline.surfaces import signed_distance
from pipeline.surfaces.shape import Shape, shape_of
from pipeline.values import CleanResult, Feature, Source, Uncertainty
from pipeline.values.surface import Surface
from sample_meshes import design
from sample_meshes.make_scan import Noise, Scan, noise_along_normal
from tests.scans import demo_scan

# What belongs to each figure, by the uncertainty's local parameters.
PARTS = {
    "plane": {"position": ("w",), "direction": ("a", "b")},
    "cylinder": {"position": ("u", "v"), "direction": ("a", "b"), "radius": ("r",)},
    "cone": {"position": ("u", "v"), "direction": ("a", "b"), "radius": ("r",)},
    "sphere": {"position": ("u", "v", "w"), "radius": ("r",)},
    "torus": {"position": ("u", "v", "w"), "direction": ("a", "b"), "radius": ("r",)},
}
# The textbook factors of 95 % for one, two and three normal deviates.
COVER = {1: 1.960, 2: 2.448, 3: 2.795}


@dataclass(frozen=True)
class Tried:
    """One figure of one feature: error over its 95 % region by the ellipse, and by the headline figure."""

    scan: int
    face: str
    kind: str
    figure: str
    error: float
    stated: float
    within_region: bool
    within_stated: bool
    square: float


Found = tuple[str, Shape, Uncertainty]


def housing(facets: float) -> Callable[[int], Scan]:
    """What makes the drawn housing of a number, without noise."""
    return lambda drawn: demo_scan(facets, drawn, drawn, noise=Noise(0.0, ()), plug=False, debris=0)


def noisy_scans(
    make: Callable[[int], Scan], count: int, noise: Noise, parts: int, first: int
) -> Iterable[tuple[int, Scan, NDArray[np.float64]]]:
    """(number, scan, vertices with new noise): `parts` drawn designs, taken in turn, new noise each time."""
    for number in range(count):
        scan = make(first + number % parts)
        turn = scan.to_scan[:3, :3]
        normals = scan.part.solid.normals(scan.to_part(scan.true_vertices), rounded=True) @ turn.T
        along = noise_along_normal(scan.true_vertices, noise, np.random.default_rng([first, number]))
        yield number, scan, scan.true_vertices + along[:, None] * normals


def from_truth(scan: Scan, vertices: NDArray[np.float64]) -> list[Found]:
    """Fits of the vertices that lie exactly on each machined face."""
    owner = np.zeros(len(vertices), dtype=np.int64)
    owner[scan.faces.ravel()] = np.repeat(scan.label, 3)
    mixed = np.zeros(len(vertices), dtype=bool)
    for k in range(3):
        mixed |= np.bincount(scan.faces[:, k], owner[scan.faces[:, k]] != scan.label, minlength=len(vertices)).astype(
            bool
        )
    faces = {face.number: face for face in scan.part.faces}
    fits = []
    for number in np.unique(owner[~mixed]):
        if number not in faces:
            continue
        ideal = true_shape(faces[number], scan.to_scan)
        points = vertices[(owner == number) & ~mixed]
        exact = np.abs(signed_distance(ideal, scan.true_vertices[(owner == number) & ~mixed])) < 1e-4
        if exact.sum() >= 100:
            fits.append((faces[number].name, fit(ideal.kind, points[exact], ideal), points[exact]))
    edge = scan.edge
    model = learn_noise(
        [FittedFace(f.shape, p) for _, f, p in fits], white_sigma(vertices, scan.faces.astype(np.int32)), edge
    )
    return [(name, f.shape, assess(f.shape, p, f.weights, model)) for name, f, p in fits]


def from_recover(scan: Scan, vertices: NDArray[np.float64]) -> list[Found]:
    return [(name, shape_of(feature), feature.uncertainty) for name, feature in recovered(scan, vertices)]


def recovered(scan: Scan, vertices: NDArray[np.float64]) -> list[tuple[str, Feature]]:
    """What the recover stage makes of the mesh, each feature under the name of the face that it lies on."""
    from pipeline.stages.recover import recover

    surface = Surface.measured(vertices, scan.faces)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    source = Source(
        "scan.stl", "", len(scan.faces), len(vertices), "mm", 1.0,
        white_sigma(vertices, surface.faces), scan.edge, (tuple(low), tuple(high)),
    )  # fmt: skip
    area = float(facet_areas(vertices, surface.faces).sum())
    result = recover(CleanResult(surface, (), area), source, RecoverSettings(), (), silent)
    names = {face.number: face for face in scan.part.faces}
    found = []
    for index, feature in enumerate(result.features):
        numbers, counts = np.unique(scan.label[result.labels == index], return_counts=True)
        face = names.get(int(numbers[np.argmax(counts)])) if len(numbers) else None
        if face is not None and face.kind == feature.kind and counts.max() > 0.6 * counts.sum():
            found.append((face.name, feature))
    return found


def true_shape(face: design.Face, to_scan: NDArray[np.float64]) -> Shape:
    turn, shift = to_scan[:3, :3], to_scan[:3, 3]
    return Shape(
        face.kind,
        turn @ face.point + shift,
        None if face.direction is None else turn @ face.direction,
        face.radius,
        None if face.half_angle is None else float(np.radians(face.half_angle)),
        face.major_radius,
    )


def errors(truth: Shape, shape: Shape, basis: NDArray[np.float64]) -> dict[str, float]:
    """Errors of the local parameters of `shape` (in its basis), mm and rad."""
    away = shape.point - truth.point
    if shape.direction is None or truth.direction is None:
        u, v, w = np.array([*basis, np.cross(basis[0], basis[1])]) @ away
        return {"u": u, "v": v, "w": w, "r": (shape.radius or 0.0) - (truth.radius or 0.0)}
    way = truth.direction * np.sign(truth.direction @ shape.direction)
    turned = shape.direction - way
    out = {"a": float(basis[0] @ turned), "b": float(basis[1] @ turned)}
    if shape.kind == "plane":
        return out | {"w": float(away @ way)}
    if shape.kind != "torus":
        # Both axes are compared where they pierce the plane through the found point.
        along = float(away @ shape.direction) / float(way @ shape.direction)
        away = away - along * way
    else:
        along = 0.0
    out |= {"u": float(basis[0] @ away), "v": float(basis[1] @ away), "w": float(shape.direction @ away)}
    radius = truth.radius or 0.0
    if shape.kind == "cone":
        assert truth.half_angle is not None
        radius += along * np.tan(truth.half_angle) * np.sign(truth.direction @ shape.direction)
    return out | {"r": (shape.radius or 0.0) - radius}


def tried(number: int, scan: Scan, found: list[Found]) -> list[Tried]:
    by_name = {face.name: face for face in scan.part.faces}
    out = []
    for name, shape, known in found:
        if known.covariance is None or known.basis is None:
            continue
        off = errors(true_shape(by_name[name], scan.to_scan), shape, known.basis)
        for figure, wanted in PARTS[shape.kind].items():
            vector = np.array([off[p] for p in wanted])
            covariance = block(known, wanted)
            stated = getattr(known, figure)
            assert covariance is not None
            square = float(vector @ np.linalg.solve(covariance, vector))
            size = float(np.linalg.norm(vector))
            out.append(
                Tried(
                    number, name, shape.kind, figure, size, stated,
                    square <= chi2.ppf(0.95, len(wanted)), size <= COVER[len(wanted)] * stated, square / len(wanted),
                )
            )  # fmt: skip
    return out


def study(
    find: Callable[[Scan, NDArray[np.float64]], list[Found]],
    make: Callable[[int], Scan],
    count: int,
    noise: Noise,
    parts: int = 10,
    first: int = 1,
) -> list[Tried]:
    return [
        row
        for number, scan, vertices in noisy_scans(make, count, noise, parts, first)
        for row in tried(number, scan, find(scan, vertices))
    ]


def table(rows: list[Tried]) -> dict[tuple[str, str], tuple[int, float, float, float]]:
    """By kind and figure: how many, share within the region, share within the stated figure, mean square."""
    groups: dict[tuple[str, str], list[Tried]] = defaultdict(list)
    for row in rows:
        groups[row.kind, row.figure].append(row)
    return {
        key: (
            len(group),
            float(np.mean([r.within_region for r in group])),
            float(np.mean([r.within_stated for r in group])),
            float(np.mean([r.square for r in group])),
        )
        for key, group in sorted(groups.items())
    }


def printed(rows: list[Tried]) -> str:
    lines = [f"{'kind':9s} {'figure':10s} {'n':>5s} {'region':>7s} {'stated':>7s} {'square':>7s}"]
    for (kind, figure), (n, region, stated, square) in table(rows).items():
        lines.append(f"{kind:9s} {figure:10s} {n:5d} {region:7.3f} {stated:7.3f} {square:7.2f}")
    return "\n".join(lines)
