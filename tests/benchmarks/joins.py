"""Parts to be joined, scans of them in set-ups drawn by lot, and what came of joining them.

Three designs of the demo's family and three solids of other sorts, drawn by OCP; two or three set-ups each, which look
from directions, and share as much of the part, as the lot has it. Each set-up has a mesh, noise and pose of its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.BRepTools import BRepTools
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.TopoDS import TopoDS_Shape
from scipy.linalg import solve_triangular
from scipy.spatial import cKDTree
from scipy.stats import chi2

from pipeline.errors import GeometryError
from pipeline.features.fitting import fit
from pipeline.features.joining import SetUpPose, all_pairs
from pipeline.features.relations import apart
from pipeline.formats.meshes_out import write_stl
from pipeline.geometry import small_motion, transformed, turned
from pipeline.job import CleanSettings, ReadSettings, RecoverSettings
from pipeline.job import SetUp as Wish
from pipeline.mesh.topology import vertex_normals
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.stages.join import Scanned, join, scan_of
from pipeline.stages.read import read
from pipeline.stages.recover import recover
from pipeline.surfaces import kind_of, shape_of
from pipeline.values import Feature, JoinResult
from sample_meshes.design import Design
from sample_meshes.make_scan import Noise, make_scan
from tests.scans import OpenPart, cached, from_brep, scan_like
from tests.set_ups import SetUp, corner_error, seen

Views = tuple[NDArray[np.float64], tuple[float, ...]]
SAME, ALIKE = 0.4, 0.7  # mm and cosine within which two meshes show one place
FLOOR_CELL = 4.0  # mm
WRONG = 1.0  # mm at the farthest corner: another place, not an inexact one


@dataclass(frozen=True)
class Whole:
    """A mesh of a whole part, exact: points and normals (n, 3), faces (m, 3), part coordinates."""

    points: NDArray[np.float64]
    normals: NDArray[np.float64]
    faces: NDArray[np.int32]


# ---------------------------------------------------------------------------------------------------------
# Parts


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> TopoDS_Shape:
    return BRepPrimAPI_MakeBox(gp_Pnt(*low), gp_Pnt(*high)).Shape()


def rod(at: tuple[float, float, float], way: tuple[float, float, float], radius: float, length: float) -> TopoDS_Shape:
    return BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(*at), gp_Dir(*way)), radius, length).Shape()


def made_of(parts: list[TopoDS_Shape], taken: list[TopoDS_Shape]) -> TopoDS_Shape:
    out = parts[0]
    for part in parts[1:]:
        out = BRepAlgoAPI_Fuse(out, part).Shape()
    for part in taken:
        out = BRepAlgoAPI_Cut(out, part).Shape()
    return out


def bracket(rng: np.random.Generator) -> TopoDS_Shape:
    """Two plates at right angles, a boss that is bored, holes of several sizes."""
    a, b, h, t = rng.uniform(100, 125), rng.uniform(65, 80), rng.uniform(70, 90), rng.uniform(13, 17)
    holes = [
        rod((x, y, -1), (0, 0, 1), r, 99)
        for x, y, r in zip(
            a * np.array([0.35, 0.62, 0.88]),
            b * np.array([0.25, 0.7, 0.35]),
            rng.permutation([4.2, 5.5, 7.0]),
            strict=True,
        )
    ]
    high = rng.uniform(0.6, 0.68) * h
    boss, bore = rod((0, b / 2, high), (1, 0, 0), 19.0, t + 12), rod((-1, b / 2, high), (1, 0, 0), 12.5, t + 20)
    return made_of([box((0, 0, 0), (a, b, t)), box((0, 0, 0), (t, b, h)), boss], [bore, *holes])


def cover(rng: np.random.Generator) -> TopoDS_Shape:
    """A stepped round cover with a spigot, a bolt circle with a pin's hole, and a port at its side."""
    r, t = rng.uniform(52, 60), rng.uniform(11, 14)
    hub, high, spigot = rng.uniform(30, 34), rng.uniform(30, 40), rng.uniform(38, 42)
    turn = np.arange(6) * np.pi / 3.0
    holes = [rod(((r - 8) * np.cos(a), (r - 8) * np.sin(a), -1), (0, 0, 1), 4.5, 60) for a in turn]
    pin = rod(((r - 8) * np.cos(0.4), (r - 8) * np.sin(0.4), -1), (0, 0, 1), 3.0, 60)
    parts = [
        rod((0, 0, 0), (0, 0, 1), r, t),
        rod((0, 0, 0), (0, 0, 1), hub, t + high),
        rod((0, 0, -5), (0, 0, 1), spigot, 6),
    ]
    side = t + 0.55 * high
    port, bore = rod((0, 0, side), (0.6, 0.8, 0), 11.0, hub + 14), rod((0, 0, side), (0.6, 0.8, 0), 6.5, hub + 20)
    return made_of([*parts, port], [rod((0, 0, -9), (0, 0, 1), hub - 9, high + t), bore, pin, *holes])


def pedestal(rng: np.random.Generator) -> TopoDS_Shape:
    """A foot with slotted corners, a body bored across, and an oil hole on top."""
    a, b, t = rng.uniform(110, 130), rng.uniform(55, 65), rng.uniform(14, 18)
    high, r = rng.uniform(48, 56), rng.uniform(25, 29)
    body = rod((a / 2, -4, high), (0, 1, 0), r, b + 10)
    web = box((a / 2 - r + 4, 5, 0), (a / 2 + r - 4, b - 5, high))
    pad = box((a / 2 - 9, b / 2 - 9, 0), (a / 2 + 9, b / 2 + 9, high + r + 5))
    feet = [
        rod((x, y, -1), (0, 0, 1), q, 40)
        for x, y, q in ((12, 14, 5.5), (a - 12, 14, 5.5), (14, b - 13, 4.0), (a - 15, b - 12, 4.0))
    ]
    bore, oil = rod((a / 2, -9, high), (0, 1, 0), r - 9, b + 30), rod((a / 2, b / 2, high), (0, 0, 1), 4.0, 60)
    notch = box((-1, b - 22, t - 5), (10, b + 1, t + 9))
    return made_of([box((0, 0, 0), (a, b, t)), web, body, pad], [bore, oil, notch, *feet])


def disc(rng: np.random.Generator) -> TopoDS_Shape:
    """Equal holes on a circle: as many places as there are holes, and as many turned over."""
    r, turn = rng.uniform(36, 42), np.arange(6) * np.pi / 3.0
    holes = [rod((0.7 * r * np.cos(a), 0.7 * r * np.sin(a), -1), (0, 0, 1), 4.5, 60) for a in turn]
    return made_of([rod((0, 0, 0), (0, 0, 1), r, 16)], holes)


def pipe(rng: np.random.Generator) -> TopoDS_Shape:
    """A flanged sleeve: it turns."""
    r = rng.uniform(20, 24)
    return made_of(
        [rod((0, 0, 0), (0, 0, 1), r, 60), rod((0, 0, 0), (0, 0, 1), r + 14, 10)],
        [rod((0, 0, -1), (0, 0, 1), r - 7, 99)],
    )


def square(rng: np.random.Generator) -> TopoDS_Shape:
    """A square plate with equal holes and a bore in its middle."""
    a = rng.uniform(34, 40)
    holes = [rod((x, y, -1), (0, 0, 1), 5.0, 60) for x in (-a + 10, a - 10) for y in (-a + 10, a - 10)]
    return made_of([box((-a, -a, 0), (a, a, 18))], [*holes, rod((0, 0, -1), (0, 0, 1), 13.0, 60)])


def brep_whole(shape: TopoDS_Shape, name: str, folder: Path, edge: float, seed: int) -> Whole:
    path = folder / f"{name}.brep"
    BRepTools.Write_s(shape, str(path))
    part = OpenPart(name, Path(f"{name}-{seed}"), *from_brep(path))
    dense = scan_like(part, edge, 0.0, seed, pose=False)
    return Whole(dense.vertices, vertex_normals(dense.vertices, dense.faces), dense.faces)


def housing(number: int, facets: float, seed: int) -> Whole:
    def make() -> Whole:
        scan = make_scan(
            facets, seed, Design.varied(number), noise=Noise(0.0, ()), plug=False, debris=0, gaps=2, unseen_depths=False
        )
        points = scan.to_part(scan.true_vertices)
        return Whole(points, scan.part.solid.normals(points, rounded=True), scan.faces)

    return cached(f"whole {number} {facets} {seed}", make)


# ---------------------------------------------------------------------------------------------------------
# Set-ups


def common(whole: Whole, one: Views, other: Views, rng: np.random.Generator) -> float:
    """Share, of what the view that sees less sees, that both see."""
    masks = [seen(whole.points, whole.faces, axis, tilts, rng) for axis, tilts in (one, other)]
    corners = whole.points[whole.faces]
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return float(areas[masks[0] & masks[1]].sum() / min(areas[mask].sum() for mask in masks))


def drawn_views(whole: Whole, low: float, high: float, rng: np.random.Generator) -> tuple[Views, Views, float]:
    """Two views by lot that share between `low` and `high`, and how much they do."""
    for _ in range(60):
        axis = rng.normal(size=3)
        axis /= np.linalg.norm(axis)
        other = -axis + rng.uniform(0.0, 1.0) * rng.normal(size=3)
        other /= np.linalg.norm(other)
        views = [(way, (float(rng.uniform(10.0, 50.0)),)) for way in (axis, other)]
        share = common(whole, views[0], views[1], rng)
        if low <= share <= high:
            return views[0], views[1], share
    raise AssertionError(f"no two views share {low} to {high}")


def scanned(made: SetUp, path: Path) -> Scanned:
    write_stl(path, made.vertices, made.faces, "mm")
    found = read(path, ReadSettings(), silent)
    cleaned = clean(found, CleanSettings(), silent)
    recovered = recover(cleaned, found.source, RecoverSettings(), (), silent)
    return Scanned(found.source, cleaned, recovered, Wish(scan=path))


def slack(one: SetUp, other: SetUp) -> float:
    """mm rms that the loosest small motion of a unit (at the part's edge) moves the shared surface off itself: what can
    slide or turn has almost none. By the exact surface that both saw (slippage analysis, Gelfand 2003)."""
    to_part = [np.linalg.inv(s.to_scan) for s in (one, other)]
    points = [transformed(t, s.true_vertices) for t, s in zip(to_part, (one, other), strict=True)]
    normals = [turned(t, vertex_normals(s.true_vertices, s.faces)) for t, s in zip(to_part, (one, other), strict=True)]
    away, near = cKDTree(points[0]).query(points[1], distance_upper_bound=2.0)
    both = np.flatnonzero(np.isfinite(away))
    both = both[np.einsum("ij,ij->i", normals[1][both], normals[0][near[both]]) > ALIKE]
    if len(both) < 50:
        return 0.0
    p, n = points[1][both] - points[1][both].mean(axis=0), normals[1][both]
    reach = 0.5 * float(np.linalg.norm(np.ptp(points[1], axis=0)))
    rows = np.hstack([n, np.cross(p, n) / reach])
    return float(np.sqrt(max(np.linalg.eigvalsh(rows.T @ rows / len(rows))[0], 0.0)))


def floor(made: tuple[SetUp, SetUp], noises: tuple[Noise, Noise], scans: tuple[Scanned, Scanned]) -> float:
    """mm rms at the farthest corner that no unbiased pose of the second set-up on the first can beat (Cramer and Rao),
    by the noise that was put on, the features that both show, of which the kind is known and nothing else, and whatever
    other smooth surface both saw, of which nothing is known.

    By cells, whose mean misfits have the covariance of the scan's noise. Of other surface, what lies at rims and edges
    is left out: a lone point on a face of which the other scan saw one point would hold a turn that no surface shows.
    """
    to_first = (np.eye(4), made[0].to_scan @ np.linalg.inv(made[1].to_scan))
    both = [scan_of(one.clean, one.recover) for one in scans]
    there = SetUpPose(to_first[1], np.eye(6), (), 0.0, 0.0, 0.0, 0.0, 1.0, np.empty((0, 6)), 0)
    pairs = all_pairs(both[0], both[1], there)
    owners, points, normals = [], [], []
    for k, (scan, motion) in enumerate(zip(both, to_first, strict=True)):
        pair_of = np.full(len(scan.features) + 1, -1)
        pair_of[[pair[k] for pair in pairs]] = np.arange(len(pairs))
        mine = scan.clear | (pair_of[scan.labels] >= 0)
        owner = np.full(len(scan.surface.vertices), -2)
        owner[scan.surface.faces[mine].ravel()] = np.repeat(pair_of[scan.labels[mine]], 3)
        used = np.flatnonzero(owner > -2)
        owners.append(owner[used])
        points.append(transformed(motion, scan.surface.vertices[used]))
        normals.append(turned(motion, scan.normals[used]))
    for k in (0, 1):
        # Of surface without a shape only what both saw; the other's owners may have been cut down already.
        skin = np.flatnonzero(owners[1 - k] == -1)
        away = np.full(len(owners[k]), np.inf)
        if len(skin):
            away, near = cKDTree(points[1 - k][skin]).query(points[k], distance_upper_bound=1.2 * both[1 - k].edge)
            seen_too = np.isfinite(away)
            alike = np.einsum("ij,ij->i", normals[k][seen_too], normals[1 - k][skin[near[seen_too]]]) > 0.9
            away[np.flatnonzero(seen_too)[~alike]] = np.inf
        kept = (owners[k] >= 0) | np.isfinite(away)
        owners[k], points[k], normals[k] = owners[k][kept], points[k][kept], normals[k][kept]
    middle = np.vstack(points).mean(axis=0)
    reach = 0.5 * float(np.linalg.norm(np.ptp(np.vstack(points), axis=0)))
    keys = np.vstack([np.column_stack([_cells(p, n), o]) for p, n, o in zip(points, normals, owners, strict=True)])
    which = np.split(np.unique(keys, axis=0, return_inverse=True)[1].ravel(), [len(points[0])])
    free, shapes = 6 + 7 * len(pairs), np.arange(7 * len(pairs)).reshape(-1, 7)
    size = free + 1 + max(int(w.max(initial=0)) for w in which)
    weight = np.zeros((size, size))
    for k, noise in enumerate(noises):
        cells, index, count = np.unique(which[k], return_inverse=True, return_counts=True)
        moves = np.hstack([normals[k], np.cross(points[k] - middle, normals[k]) / reach])
        columns = np.hstack([moves, points[k], owners[k][:, None]])
        means = np.stack([np.bincount(index, c) for c in columns.T], axis=1) / count[:, None]
        owner = np.rint(means[:, 9]).astype(int)
        square = np.sum((means[:, None, 6:9] - means[None, :, 6:9]) ** 2, axis=2)
        spread = np.diag(noise.white**2 / count)
        for sigma, length in noise.waves:
            over = length**2 + FLOOR_CELL**2 / 6.0
            spread += sigma**2 * length**2 / over * np.exp(-square / (2.0 * over))
        rows = np.zeros((len(cells), size))
        rows[:, :6] = k * means[:, :6]
        on = np.flatnonzero(owner >= 0)
        # A surface's own motions, and its radius: of what they leave where it is nothing is said.
        rows[on[:, None], 6 + shapes[owner[on]][:, :6]] = means[on, :6]
        rows[on, 6 + shapes[owner[on], 6]] = 1.0
        skin = np.flatnonzero(owner < 0)
        rows[skin, free + cells[skin]] = 1.0
        unit = solve_triangular(np.linalg.cholesky(spread + 1e-9 * np.eye(len(spread))), rows, lower=True)
        weight += unit.T @ unit
    flat = [6 + 7 * n + 6 for n, (i, _) in enumerate(pairs) if kind_of(both[0].features[i]).flat]
    weight[flat, :], weight[:, flat] = 0.0, 0.0
    # Hardly held to where it is, within some cm: what no cell tells of falls out.
    own = weight[6:, 6:] + 1e-3 * np.eye(size - 6)
    told = weight[:6, :6] - weight[:6, 6:] @ np.linalg.solve(own, weight[6:, :6])
    if np.linalg.eigvalsh(told)[0] < 1.0:
        return np.inf
    scales = np.r_[np.ones(3), np.full(3, 1.0 / reach)]
    pose = np.linalg.inv(told) * np.outer(scales, scales)
    box = np.vstack([transformed(motion, one.vertices) for motion, one in zip(to_first, made, strict=True)]) - middle
    worst = 0.0
    for x, y, z in np.array(np.meshgrid(*zip(box.min(axis=0), box.max(axis=0), strict=True))).reshape(3, -1).T:
        moves = np.hstack([np.eye(3), [[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]])
        worst = max(worst, float(np.trace(moves @ pose @ moves.T)))
    return float(np.sqrt(worst))


def _cells(points: NDArray, normals: NDArray) -> NDArray:
    """(n, 5) whole numbers: the cell of each point, walls that face different ways apart."""
    most = np.argmax(abs(normals), axis=1)
    way = np.sign(normals[np.arange(len(normals)), most])
    return np.column_stack([np.floor(points / FLOOR_CELL), most, way]).astype(np.int64)


# ---------------------------------------------------------------------------------------------------------
# Joining, and what came of it


def joined(scans: list[Scanned]) -> JoinResult | str:
    """The join of the scans, or the sentence that it was refused with."""
    first = scans[0]
    try:
        return join(first.clean, first.recover, first.source, tuple(scans[1:]), RecoverSettings(), (), {}, silent)
    except GeometryError as refused:
        return str(refused)


def judged(made: list[SetUp], scans: list[Scanned]) -> dict[str, object]:
    """What a join is off by: corner mm, chi-squared of each pose, z of distances and radii."""
    result = joined(scans)
    if isinstance(result, str):
        return {"refused": result, "several": bool(re.search(r"could lie|turn:|slide:", result))}
    poses = []
    for one, set_up in zip(result.set_ups, made[1:], strict=True):
        true = made[0].to_scan @ np.linalg.inv(set_up.to_scan)
        off = small_motion(one.motion @ np.linalg.inv(true))
        poses.append(
            {
                "corner": corner_error(one.motion, made[0], set_up),
                "stated": one.corner,
                "chance": float(chi2.sf(off @ np.linalg.solve(one.covariance, off), 6)),
                "overlap": one.overlap,
                "apart": sum(s.apart for s in one.shared),
                "shared": len(one.shared),
                "scale": None if one.scale is None else one.scale[0] / one.scale[1],
            }
        )
    distances, radii = sized(result, made, scans)
    return {"poses": poses, "distances": distances, "radii": radii, "cautions": list(result.cautions)}


def sized(result: JoinResult, made: list[SetUp], scans: list[Scanned]) -> tuple[list[list[float]], list[list[float]]]:
    """(error, standard uncertainty), mm, of distances between faces of different scans, and of radii."""
    true = [made[0].to_scan @ np.linalg.inv(one.to_scan) for one in made]
    trees = [cKDTree(one.vertices) for one in made]
    ideals = []
    for index, feature in enumerate(result.recover.features):
        points = []
        for k in range(len(made)):
            mine = np.flatnonzero((result.scan == k) & (result.recover.labels == index))
            corners = result.clean.surface.vertices[np.unique(result.clean.surface.faces[mine])]
            placed = corners if k == 0 else transformed(np.linalg.inv(result.set_ups[k - 1].motion), corners)
            _, near = trees[k].query(placed)
            points.append(transformed(true[k], made[k].true_vertices[near]))
        ideals.append(exact(feature, np.concatenate(points)))
    distances, radii = [], []
    for i, (f, ideal) in enumerate(zip(result.recover.features, ideals, strict=True)):
        if ideal is None or f.confidence != "good":
            continue
        if f.radius is not None and f.uncertainty.radius and not kind_of(f).tapered:
            radii.append([f.radius - ideal.radius, f.uncertainty.radius])
        for j in range(i):
            g, other = result.recover.features[j], ideals[j]
            parted = not set(result.seen[i]) & set(result.seen[j])
            if other is None or g.confidence != "good" or not parted or not (kind_of(f).flat and kind_of(g).flat):
                continue
            turn = float(ideal.direction @ other.direction)
            if abs(turn) < 0.999:
                continue
            # From the one's place on its plane to the other's plane, as a stated distance is.
            gap = f.point - g.point
            off = float(ideal.direction @ (f.point - ideal.point))
            error = g.direction @ gap - other.direction @ (f.point - other.point) + off * turn
            stated = apart(g, f)
            if stated is not None:
                distances.append([float(error), stated.sigma])
    return distances, radii


def exact(feature: Feature, points: NDArray[np.float64]):
    """The exact surface that a feature is of, from noiseless points on it; None where they lie on none."""
    try:
        found = fit(feature.kind, points, shape_of(feature))
    except GeometryError:
        return None
    off = found.residuals[found.weights > 0.0]
    good = len(off) > 0.6 * len(points) and float(np.sqrt(np.mean(off**2))) < 0.003
    return found.shape if good else None
