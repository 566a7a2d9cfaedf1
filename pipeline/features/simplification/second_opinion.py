"""A second opinion of the audit: the same distances measured by another library.

pymeshlab (VCG) measures at every measured vertex of the scan, and from points that it spreads over the light mesh by
itself, with a tree and a sampling that share no code with ours. What may differ is derived, not set: how far two
random samples of one surface lie apart, and that our distance back is to the facet which is nearest with the scan's
noise taken off, which is never nearer than the nearest one and at most twice the noise farther.

Its memory and time grow with the facets of both meshes, and are far more than ours.
"""

from __future__ import annotations

import importlib
from typing import Any

import numpy as np

from pipeline.errors import GeometryError, SettingsError
from pipeline.features.simplification.audit import Distances, deviation, vertex_areas
from pipeline.features.simplification.feature_association import Target
from pipeline.geometry import Floats, Mask, box_of
from pipeline.lengths import um
from pipeline.mesh.query import Scene
from pipeline.mesh.topology import facet_areas
from pipeline.values import FILLED, SecondOpinion, Surface

_SPREAD = 300_000
_STANDARD_DEVIATIONS = 5.0
_ROUNDING = 1e-6  # of the larger mesh's size: the trees work in single precision
_OF_POINTS = "compute_scalar_by_distance_from_another_mesh_per_vertex"
_OF_SAMPLES = "get_hausdorff_distance"


def measured_again(
    scan: Surface, scene: Scene, target: Target, light: Surface, ours: Distances, *, unknown: Mask | None = None
) -> SecondOpinion:
    """Measure both ways again, as `two_sided` did with the same arguments, and say where the two don't agree.

    ours  what `two_sided` found

    Raises SettingsError where pymeshlab, or a filter of it that this needs, is missing, and GeometryError where no
    point that it spread over the light mesh lies near a measured facet.

    >>> from pipeline.features.simplification import on_features, two_sided
    >>> square = Surface.measured([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 3]])
    >>> light, free = Surface(square.vertices + [0.0, 0.0, 0.25], square.faces, square.origin), np.full(2, -1, np.int32)
    >>> target, scene = on_features(square.vertices, square.faces, free, (), 0.1), Scene(square)
    >>> again = measured_again(square, scene, target, light, two_sided(square, scene, target, light, free))
    >>> round(again.scan_to_light.rms, 6), round(again.light_to_scan.max, 6), again.cautions
    (0.25, 0.25, ())
    """
    measured = scan.origin != FILLED
    weight = vertex_areas(scan.vertices, scan.faces, measured)
    used = np.flatnonzero(weight > 0)
    forth = deviation(distances_of(scan.vertices[used], light.vertices, light.faces), weight[used], scan.vertices[used])
    seen = light.faces[light.origin != FILLED]
    points, d = spread_distances(Surface.measured(light.vertices, seen), scan, _SPREAD)
    counts = measured if unknown is None else measured & ~unknown
    near = counts[scene.closest(points)[1]]
    if not near.any():
        raise GeometryError("No part of the light mesh lies near a measured facet; are the two in the same frame?")
    back = deviation(d[near], np.ones(int(near.sum())), points[near])
    size = float(max(np.linalg.norm(np.diff(box_of(s.vertices), axis=0)) for s in (scan, light)))
    moved = np.linalg.norm(target.vertices - scan.vertices, axis=1)
    rounding = _ROUNDING * size
    area = float(facet_areas(light.vertices, seen).sum())
    cautions = [
        *_differences("scan to light", "rms", ours.scan_to_light.rms, forth.rms, rounding, rounding),
        *_differences("scan to light", "max", ours.scan_to_light.max, forth.max, rounding, rounding),
    ]
    for figure, mine, other, sampling, noise in (
        ("rms", ours.light_to_scan.rms, back.rms, _sampling_of_rms(d[near]), float(np.sqrt(np.mean(moved**2)))),
        ("max", ours.light_to_scan.max, back.max, largest_hole(area, _SPREAD), float(moved.max(initial=0.0))),
    ):
        low = rounding + sampling
        cautions += _differences("light to scan", figure, mine, other, low, low + 2.0 * noise)
    return SecondOpinion(forth, back, tuple(cautions))


def distances_of(points: Floats, vertices: Floats, faces: Any) -> Floats:
    """(n,) mm from points (n, 3) to the nearest of the facets (m, 3) over vertices (k, 3), by pymeshlab."""
    meshes = _meshes(_OF_POINTS)
    lab = _lab()
    meshes.add_mesh(lab.Mesh(np.asarray(vertices, dtype=np.float64), np.asarray(faces)))
    meshes.add_mesh(lab.Mesh(np.asarray(points, dtype=np.float64)))
    far = lab.PureValue(_reach(points, vertices))
    meshes.apply_filter(_OF_POINTS, measuremesh=1, refmesh=0, signeddist=False, maxdist=far)
    return np.abs(meshes.mesh(1).vertex_scalar_array())


def spread_distances(sampled: Surface, target: Surface, count: int) -> tuple[Floats, Floats]:
    """About `count` points (n, 3) that pymeshlab spreads over a mesh, and how far (n,) mm each is from the target."""
    meshes = _meshes(_OF_SAMPLES)
    lab = _lab()
    for mesh in (sampled, target):
        meshes.add_mesh(lab.Mesh(np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces)))
    meshes.apply_filter(
        _OF_SAMPLES, sampledmesh=0, targetmesh=1, savesample=True, samplevert=False, sampleedge=False,
        samplefauxedge=False, sampleface=True, samplenum=count,
        maxdist=lab.PureValue(_reach(sampled.vertices, target.vertices)),
    )  # fmt: skip
    # The filter leaves two layers with the same distances: its samples, and the places nearest to them.
    samples = [mesh for mesh in meshes if "sample" in mesh.label().lower()]
    if len(samples) != 1:
        raise SettingsError(
            "This pymeshlab does not tell which points it measured from; install another version of it, "
            "or leave second_opinion out."
        )
    return np.array(samples[0].vertex_matrix()), np.abs(samples[0].vertex_scalar_array())


def largest_hole(area: float, count: int) -> float:
    """mm: the radius of a circle that `count` points, spread at random over an area in mm2, leave empty nowhere.

    A circle of radius r stays empty with probability exp(-count pi r^2 / area); over `count` places one in a thousand
    is allowed for. Distances change by no more than the way between two points, so neither do their maxima.

    >>> round(largest_hole(100.0, 10_000), 3)
    0.227
    """
    return float(np.sqrt(area * np.log(1000.0 * count) / (np.pi * count)))


def _sampling_of_rms(distances: Floats) -> float:
    """By how much the rms of two random samples of so many distances may differ."""
    squares = distances**2
    rms = float(np.sqrt(squares.mean()))
    if rms == 0.0:
        return 0.0
    return _STANDARD_DEVIATIONS * float(squares.std()) / (2.0 * rms) * float(np.sqrt(2.0 / len(distances)))


def _differences(way: str, figure: str, ours: float, other: float, below: float, above: float) -> list[str]:
    """A sentence where our figure is lower or higher than the other by more than is explained."""
    if -below <= ours - other <= above:
        return []
    allowed = below if ours < other else above
    return [
        f"The second opinion does not agree: {way}, {figure} {um(ours, '.3g')} here and {um(other, '.3g')} by "
        f"pymeshlab, where {um(allowed, '.2g')} would be explained; don't rely on either before you know why."
    ]


def _reach(points: Floats, others: Floats) -> float:
    """No two points of the two sets are farther apart than this, mm."""
    return float(np.linalg.norm(np.diff(box_of(np.vstack([box_of(points), box_of(others)])), axis=0))) or 1.0


def _lab() -> Any:
    try:
        return importlib.import_module("pymeshlab")
    except ImportError as error:
        raise SettingsError(
            f"The second opinion needs pymeshlab, which can't be loaded ({error}); install it and the system libraries "
            "that `python3 pipeline/bootstrap.py setup` names, or leave second_opinion out."
        ) from None


def _meshes(needed: str) -> Any:
    """An empty set of meshes of a pymeshlab that has the filter; without libOpenGL it loads and silently lacks some."""
    lab = _lab()
    if needed not in lab.filter_list():
        raise SettingsError(
            f"This pymeshlab lacks its filter {needed}, which the second opinion needs; a system library is missing "
            "(Debian: libopengl0), so install that, or leave second_opinion out."
        )
    return lab.MeshSet(verbose=False)
