"""Parts with real openings whose depths a scanner did not see, and with clamps' marks; what came of them.

`holed_scan` draws a block or a round housing with `tests.implicit`, `holed_demo` takes one of the demo's generator,
`holed_part` an open CAD part; nothing of it is tuned to what the package does: how much of each hole is hidden, and
where the marks are, is drawn from the seed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from pipeline.mesh.topology import compact, facet_areas, facet_normals
from pipeline.values import FILLED, FillResult
from tests.implicit import NOISE, Hole, Part, X, Y, Z, mesh_of
from tests.scans import OpenPart, demo_scan, open_part, scan_like

# How a hole is hidden: its mouth and what is round it; its wall but not the mouth's sharp rim; half of its wall; all.
WAYS = ("mouth", "flush", "side", "unseen")


@dataclass(frozen=True)
class Mark:
    """A clamp's or shadow's mark: centre in scan coordinates, half its width, in a "face" or across an "edge"."""

    centre: NDArray
    half: float
    kind: str


@dataclass(frozen=True)
class HoledScan:
    """vertices (n, 3) mm with noise, faces (m, 3); `in_air` mm by which points (k, 3) lie in the air, all in scan
    coordinates; `openings` how many holes must stay open; `clear` mm from the metal where nothing may be put."""

    vertices: NDArray
    faces: NDArray
    in_air: Callable[[NDArray], NDArray]
    marks: tuple[Mark, ...]
    openings: int
    clear: float = 1.0


def block(rng: np.random.Generator) -> Part:
    """A block with a bore through it along x, cross bores and a slot that open into it, and a hole beside it."""
    part = Part()
    a, b, c = 46.0 * rng.uniform(0.9, 1.1), 36.0 * rng.uniform(0.95, 1.1), 32.0 * rng.uniform(0.95, 1.1)
    part.size = float(np.hypot(np.hypot(a, b), c)) + 2.0
    part.bodies.append(part.box((-a, -b, -c), (a, b, c)))
    radius = rng.uniform(15.0, 19.0)
    part.cuts.append((part.round(np.zeros(3), X, radius),))
    at = a * rng.uniform(0.42, 0.5)
    part.bore("cross", (at, 0, c), -Z, rng.uniform(7.0, 11.0), c, (0.0, c - radius))
    part.bore("through", (-at, 0, c), -Z, rng.uniform(6.0, 10.0), 2 * c, (0.0, c - radius, c + radius, 2 * c))
    tilt = np.radians(rng.uniform(-12.0, 12.0))
    part.bore("side", (0, b, 0), [np.sin(tilt), -np.cos(tilt), 0.0], rng.uniform(5.0, 8.0), b, (0.0, b - radius))
    _slot(
        part,
        np.array([at * rng.uniform(-0.3, 0.3), -b, 0.0]),
        Y,
        X,
        rng.uniform(9.0, 13.0),
        rng.uniform(4.0, 6.0),
        b - radius,
    )
    return part


def housing(rng: np.random.Generator) -> Part:
    """A round housing on a foot, with a bore and two seats along x, radial bores and a port that open into it."""
    part = Part()
    outer, half = rng.uniform(36.0, 42.0), rng.uniform(46.0, 52.0)
    part.size = 1.42 * half + 18.0
    ends = (part.plane(half * X, X), part.plane(-half * X, -X))
    part.bodies.append((part.round(np.zeros(3), X, outer), *ends))
    foot = outer + 8.0
    part.bodies.append(part.box((-0.8 * half, -0.85 * outer, -foot), (0.8 * half, 0.85 * outer, -foot + 22.0)))
    radius = rng.uniform(17.0, 21.0)
    part.cuts.append((part.round(np.zeros(3), X, radius),))
    seat = radius + rng.uniform(4.0, 7.0)
    for way in (1.0, -1.0):
        wall = part.round(np.zeros(3), X, seat)
        part.cuts.append((wall, part.plane(way * (half - 14.0) * X, -way * X)))
    for number, at in enumerate((-0.5, 0.0, 0.5)):
        turn = np.radians(rng.uniform(20.0, 70.0) + (0.0, 40.0, 80.0)[number])
        out = np.array([0.0, np.cos(turn), np.sin(turn)])
        mid = at * (half - 22.0)
        r = rng.uniform(5.0, 8.0)
        part.bore(f"radial {number}", mid * X + (outer + 1.0) * out, -out, r, outer, (1.0, outer + 1.0 - radius))
    way = np.array([0.0, -np.cos(0.3), np.sin(0.3)])
    _slot(part, way * (outer + 1.0), -way, X, rng.uniform(9.0, 12.0), rng.uniform(5.0, 7.0), outer + 1.0 - radius)
    return part


def _slot(part: Part, mouth: NDArray, inward: NDArray, along: NDArray, long: float, wide: float, deep: float) -> None:
    across = np.cross(inward, along)
    walls = [
        part.plane(mouth + s * h * way, s * way) for way, h in ((along, long), (across, wide)) for s in (1.0, -1.0)
    ]
    cut = (*walls, part.plane(mouth - 12.0 * inward, -inward), part.plane(mouth + (deep + 8.0) * inward, inward))
    part.cuts.append(cut)
    part.holes.append(Hole("slot", cut, mouth, inward, wide, (0.0, deep)))


def _hidden(part: Part, hole: Hole, way: str, v: NDArray, f: NDArray, rng: np.random.Generator) -> NDArray:
    """Facets that the scanner did not see of a hole."""
    lateral = [
        k for k in hole.cut if part.walls[k].radius is not None or abs(part.walls[k].direction @ hole.direction) < 0.5
    ]
    inside = np.max([part.walls[k].value(v) for k in lateral], axis=0)
    s = (v - hole.point) @ hole.direction
    first, last = hole.mouths[0], hole.mouths[-1]
    reach = hole.half * rng.uniform(0.7, 1.4)
    # Never all of the wall unless that is wanted: a third of it at least is seen.
    low = first + min(reach, 0.6 * (hole.mouths[1] - first))
    high = hole.mouths[1] + 0.6 * hole.half + 1.0
    if len(hole.mouths) > 2:
        high = last - (low - first) if way in ("mouth", "flush") else high
    if way == "unseen":
        low, high = first - 4.0, last + 0.6 * hole.half + 1.0
    margin = 1e-3 if way in ("flush", "side") else rng.uniform(0.4, 1.0)
    gone = (inside < margin) & (s > low) & (s < high)
    if way == "side":
        across = v - hole.point - s[:, None] * hole.direction
        turn = rng.normal(size=3)
        gone &= across @ (turn - (turn @ hole.direction) * hole.direction) > 0.0
    if way in ("flush", "side"):
        middle = v[f].mean(axis=1)
        own = np.isin(part.at(middle)[1], [-1 - k for k in lateral])
        return own & gone[f].any(axis=1)
    return gone[f].any(axis=1)


def _marks(
    v: NDArray,
    f: NDArray,
    wall: NDArray,
    normals: NDArray,
    taken: NDArray,
    rng: np.random.Generator,
    kinds: Sequence[str],
    widest: float = 9.0,
    bend: float = 0.3,
) -> tuple[list[tuple[NDArray, float, str]], NDArray]:
    """Places of marks, and the facets under them: round, square or long, each on one sheet of surface.

    wall (m,) and `normals` (m, 3) of the facets, `taken` (m,) those that are hidden already; `bend` the least cosine
    between a normal under a mark and their mean
    """
    middle = v[f].mean(axis=1)
    tree, hidden = cKDTree(middle), cKDTree(middle[taken]) if taken.any() else None
    made: list[tuple[NDArray, float, str]] = []
    gone = np.zeros(len(f), bool)
    for number, kind in enumerate(kinds):
        for attempt in range(4000):
            half = rng.uniform(widest / 3.0, widest) * 0.9995**attempt
            seed = int(rng.integers(len(f)))
            centre = middle[seed]
            if any(np.linalg.norm(centre - c) < half + h + 5.0 for c, h, _ in made):
                continue
            if hidden is not None and hidden.query(centre)[0] < half + 4.0:
                continue
            near = np.array(tree.query_ball_point(centre, 1.5 * half + 2.0))
            walls = np.unique(wall[near])
            if len(walls) != (1 if kind == "face" else 2):
                continue
            if kind == "edge":
                close = wall[tree.query_ball_point(centre, 0.3 * half)]
                if len(np.unique(close)) != 2:
                    continue
            mean = normals[near].mean(axis=0)
            if (normals[near] @ mean < bend * np.linalg.norm(mean)).any():
                continue
            frame = (
                Rotation.align_vectors([mean], [Z])[0].as_matrix()
                @ Rotation.from_rotvec(rng.uniform(0, 6) * Z).as_matrix()
            )
            x = (v - centre) @ frame
            shape = number % 3 if kind == "face" else int(rng.integers(3))
            long = half if shape != 2 else 0.5 * half
            under = (
                np.linalg.norm(x, axis=1) < half
                if shape == 0
                else (np.abs(x[:, 0]) < half) & (np.abs(x[:, 1]) < long) & (np.linalg.norm(x, axis=1) < 1.5 * half)
            )
            facets = under[f].any(axis=1)
            gone |= facets
            made.append((v[f[facets]].mean(axis=(0, 1)), half, kind))
            break
    return made, gone


def holed_scan(
    seed: int, step: float = 1.0, form: str | None = None, ways: tuple[str, ...] = WAYS, marks: int = 6
) -> HoledScan:
    """A scan of a "block" or "housing" drawn from the seed: openings hidden in the given ways, and clamps' marks."""
    rng = np.random.default_rng([seed, 77])
    form = form or ("block", "housing")[seed % 2]
    part = {"block": block, "housing": housing}[form](rng)
    turn = Rotation.random(rng=rng).as_matrix()
    v, f = mesh_of(part, step, turn)
    hidden = np.zeros(len(f), bool)
    order = rng.permutation(len(ways))
    for number, hole in enumerate(part.holes):
        hidden |= _hidden(part, hole, ways[order[number % len(ways)]], v, f, rng)
    middle = v[f].mean(axis=1)
    kinds = [("face", "face", "edge")[k % 3] for k in range(marks)]
    places, under = _marks(v, f, part.at(middle)[1], part.normals(middle), hidden, rng, kinds)
    normals = part.normals(v)
    v, f = v + normals * rng.normal(scale=NOISE, size=(len(v), 1)), f[~hidden & ~under]
    v, f, _ = compact(v, f)
    pose, shift = Rotation.random(rng=rng).as_matrix(), rng.uniform(-80.0, 80.0, 3)

    def in_air(points: NDArray) -> NDArray:
        return part.in_air((points - shift) @ pose)

    found = tuple(Mark(pose @ c + shift, half, kind) for c, half, kind in places)
    return HoledScan(v @ pose.T + shift, f, in_air, found, len(part.holes))


@dataclass(frozen=True)
class Bore:
    """A round hole of a scan, whichever part it is of: `low` to `high` along `direction` from `point`, mm."""

    point: NDArray
    direction: NDArray
    radius: float
    low: float
    high: float


def holed_demo(seed: int, facets: float = 1e5, design: int | None = None, marks: int = 6) -> HoledScan:
    """A scan by the demo's generator whose bores and holes are hidden in part; depths that it hides itself are so."""
    scan = demo_scan(facets, seed, design, gaps=0, plug=False)
    turn, shift = scan.to_scan[:3, :3], scan.to_scan[:3, 3]
    bores = []
    for face in scan.part.faces:
        seen = np.unique(scan.faces[scan.label == face.number])
        if face.kind == "cylinder" and face.side == "bore" and len(seen) > 30:
            point, direction = turn @ face.point + shift, turn @ face.direction
            along = (scan.true_vertices[seen] - point) @ direction
            bores.append(Bore(point, direction, face.radius, *np.quantile(along, (0.01, 0.99))))
    rng = np.random.default_rng([seed, 78])
    return _holed(scan.vertices, scan.faces, bores, lambda x: np.maximum(scan.distance(x), 0.0), rng, marks)


def holed_part(name: str, scale: float, edge: float, seed: int, marks: int = 6) -> HoledScan:
    """A scan of an open CAD part whose bores are hidden in part; the marks are as large as goes with its size."""
    part = open_part(name, scale)
    scan = scan_like(part, edge, NOISE, seed)
    turn, shift = scan.to_scan[:3, :3], scan.to_scan[:3, 3]
    bores = [
        Bore(c.point, c.direction, c.radius, c.low, c.high)
        for c in scan.cylinders
        if c.side == "bore" and c.arc > 300.0
    ]
    rng = np.random.default_rng([seed, 79])
    widest = min(9.0, 0.07 * float(np.ptp(part.vertices, axis=0).max()))
    outside = _outside(part)
    return _holed(
        scan.vertices,
        scan.faces,
        bores,
        lambda x: outside((x - shift) @ turn),
        rng,
        marks,
        widest,
        min(1.0, 2.0 * edge),
    )


def _outside(part: OpenPart) -> Callable[[NDArray], NDArray]:
    import open3d as o3d

    scene = o3d.t.geometry.RaycastingScene()
    scene.add_triangles(part.vertices.astype(np.float32), part.faces.astype(np.uint32))

    def distance(x: NDArray) -> NDArray:
        return np.maximum(scene.compute_signed_distance(x.astype(np.float32), nsamples=3).numpy(), 0.0)

    return distance


def _holed(
    v: NDArray,
    f: NDArray,
    bores: Sequence[Bore],
    in_air: Callable[[NDArray], NDArray],
    rng: np.random.Generator,
    marks: int,
    widest: float = 9.0,
    clear: float = 1.0,
) -> HoledScan:
    """Hide up to six bores, each at one end at least, and make marks on smooth surface."""
    edge = float(np.median(np.linalg.norm(v[f[:, 0]] - v[f[:, 1]], axis=1)))
    fit = [b for b in bores if b.radius > 3.0 * edge and b.high - b.low > 3.0 * edge]
    fit = [fit[k] for k in rng.permutation(len(fit))[:6]]
    hidden = np.zeros(len(f), bool)
    order, openings = rng.permutation(len(WAYS)), 0
    for number, bore in enumerate(fit):
        way = WAYS[order[number % len(WAYS)]]
        beyond = np.array([bore.point + s * bore.direction for s in (bore.low - 2.0, bore.high + 2.0)])
        if way == "unseen" and not (in_air(beyond) > 0.0).all():
            # Of a pocket with nothing seen, not its floor either, nobody can tell that it is one.
            way = "mouth"
        ends = (1, -1) if len(fit) < 3 and way in ("mouth", "flush") else (int(rng.choice((1, -1))),)
        for end in ends:
            hidden |= _hidden_end(v, f, bore, end, way, edge, rng)
        # Of a bore of which nothing is left both mouths are openings.
        openings += 2 if way == "unseen" else len(ends)
    normals = facet_normals(v, f)
    around = np.zeros(len(f), bool)
    middle = v[f].mean(axis=1)
    for bore in bores:
        # Where a bore is, hidden or not, no mark is.
        s, off = _along(middle, bore)
        around |= (s > bore.low - 2.0) & (s < bore.high + 2.0) & (off < bore.radius + 2.0 * edge)
    places, under = _marks(
        v, f, np.zeros(len(f), int), normals, hidden | around, rng, ["face"] * marks, widest, bend=0.85
    )
    kept, faces, _ = compact(v, f[~hidden & ~under])
    found = tuple(Mark(c, half, kind) for c, half, kind in places)
    return HoledScan(kept, faces, in_air, found, openings, clear)


def _along(x: NDArray, bore: Bore) -> tuple[NDArray, NDArray]:
    w = x - bore.point
    s = w @ bore.direction
    return s, np.sqrt(np.maximum(np.einsum("ij,ij->i", w, w) - s * s, 0.0))


def _hidden_end(
    v: NDArray, f: NDArray, bore: Bore, end: int, way: str, edge: float, rng: np.random.Generator
) -> NDArray:
    """Facets that the scanner did not see of a bore, looked at from one end of it (1 or -1)."""
    middle = v[f].mean(axis=1)
    s, off = _along(middle, bore)
    depth = s - bore.low if end > 0 else bore.high - s
    length = bore.high - bore.low
    reach = min(bore.radius * rng.uniform(0.7, 1.4), 0.6 * length)
    margin = rng.uniform(0.4, 1.0)
    if way == "unseen":
        return (off < bore.radius + margin) & (depth > -margin) & (depth < length + margin)
    if way == "mouth":
        return (off < bore.radius + margin) & (depth > -margin) & (depth < reach)
    wall = (np.abs(off - bore.radius) < 0.3 * edge) & (depth > 0.0) & (depth < reach)
    if way == "side":
        turn = rng.normal(size=3)
        wall &= (middle - bore.point) @ np.cross(turn, bore.direction) > 0.0
    return wall


@dataclass(frozen=True)
class Judged:
    """sealed  mm2 put in where there is air; `closed` and `marks`: marks closed of how many, by kind
    large  ids of closings above `limit` mm2 that nothing explains"""

    sealed: float
    closed: dict[str, int]
    marks: dict[str, int]
    large: tuple[str, ...]


EXPLAINED = ("metal lies behind", "exclusion zone", "stands there", "runs on round it")


def judged(scan: HoledScan, result: FillResult, limit: float = 100.0) -> Judged:
    """What was put where there is air, `scan.clear` mm or more from the metal, and which marks were closed."""
    surface = result.surface
    new = surface.origin == FILLED
    middle = surface.vertices[surface.faces[new]].mean(axis=1)
    area = facet_areas(surface.vertices, surface.faces[new])
    sealed = float(area[scan.in_air(middle) > scan.clear].sum()) if len(middle) else 0.0
    closed, marks = {}, {}
    for mark in scan.marks:
        mine = [g for g in result.gaps if np.linalg.norm(g.centre - mark.centre) < mark.half]
        marks[mark.kind] = marks.get(mark.kind, 0) + 1
        done = bool(mine) and max(mine, key=lambda g: g.area).done == "closed"
        closed[mark.kind] = closed.get(mark.kind, 0) + int(done)
    done = [g for g in result.gaps if g.done in ("closed", "capped") and g.kind != "pepper" and g.area > limit]
    large = tuple(g.id for g in done if not any(text in g.note for text in EXPLAINED))
    return Judged(sealed, closed, marks, large)
