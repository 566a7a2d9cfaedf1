"""Edge collapse by quadrics, with vertices bound to analytic surfaces and points that must stay near.

Two phases share the rules of `collapse_rules`. `sweep_down` goes through memory in order and collapses
every edge cheaper than a threshold, each vertex once: fast while millions of facets have to go.
`finish_collapse` takes the cheapest edge first (`reversible_collapse`), and makes sure that facets do not cross.

Working memory: about 95 bytes a facet above the mesh itself.
"""

from __future__ import annotations

import numpy as np

from pipeline.geometry import Bytes, Floats, Ints, Mask, Shorts
from pipeline.jit import njit
from pipeline.mesh.repair import unfold
from pipeline.mesh.simplify.collapse_mesh import CollapseMesh
from pipeline.mesh.simplify.collapse_rules import facets_on_carriers
from pipeline.mesh.simplify.reversible_collapse import ReversibleCollapse
from pipeline.mesh.simplify.sweeps import Sweeps
from pipeline.mesh.topology import vertex_facets

# Of the vertices, those whose best edge is cheap enough to go in one sweep.
_SHARE = 0.6
# The same as long as there are so many times the facets wanted: what goes then would go anyway.
_FAR, FAR_SHARE = 4.0, 0.9
_MENDINGS = 12


def start_collapse(
    vertices: Floats, faces: Ints, label: Ints, origin: Bytes, carriers: Shorts, table: Floats,
    *, remember: bool = False, still: Mask | None = None, outward: Floats | None = None,
) -> CollapseMesh:  # fmt: skip
    """Make the working copy with the quadrics of all facets.

    vertices  (n, 3) mm; `faces` (m, 3), `label` (m,) the carrier that each facet lies on, -1 none; `origin` (m,)
    carriers  (n, 3) int16 rows of `table` that each vertex is bound to, -1 none; `table` one row a carrier
    remember  keep track of who went where
    still     (n,) vertices that sweeps leave alone
    outward   (k,) as `facing_out` says, where these facets are only some of a mesh

    Quadrics: Garland and Heckbert (1997), a facet's weighted by a third of its area at each corner, and at a border
    those of planes square to the facet. Below, three sides of a tetrahedron meet in the origin: each adds 1/6 mm2.

    >>> v = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    >>> f = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32)
    >>> free, none = np.full((4, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(4, -1, np.int32), np.zeros(4, np.uint8), free, none)
    >>> work.quadrics[0].round(4).tolist()
    [0.1667, 0.0, 0.0, 0.1667, 0.0, 0.1667, 0.0, 0.0, 0.0, 0.0]
    """
    points = np.array(vertices, dtype=np.float64)
    work_faces = np.array(faces, dtype=np.int32)
    quadrics = np.zeros((len(points), 10))
    border = np.zeros(len(points), dtype=np.uint8)
    first, round_vertex = vertex_facets(work_faces, len(points))
    _quadrics(points, work_faces, quadrics, border, first, round_vertex)
    del first, round_vertex
    parent = np.arange(len(points) if remember else 0, dtype=np.int32)
    label = np.array(label, dtype=np.int32)
    if outward is None:
        outward = facing_out(points, work_faces, label, table)
    return CollapseMesh(
        points, work_faces, quadrics, np.array(carriers, dtype=np.int16), border,
        np.zeros(len(points), dtype=np.uint8) if still is None else np.array(still, dtype=np.uint8),
        label, np.array(origin, dtype=np.uint8), table, outward, parent,
    )  # fmt: skip


def facing_out(points: Floats, faces: Ints, label: Ints, table: Floats) -> Floats:
    """(k,) 1 where the facets that lie on a carrier face along its gradient, all in all, -1 where against it.

    >>> square = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0]])
    >>> facing_out(square, np.array([[0, 1, 2]], np.int32), np.array([-1], np.int32), np.zeros((1, 0))).tolist()
    [1.0]
    """
    along = facets_on_carriers(points, faces, label, table)
    carried = label >= 0
    facing = np.bincount(label[carried], along[carried], len(table))
    return np.where(facing < 0.0, -1.0, 1.0)


def sweep_down(work: CollapseMesh, facets: int, *, most: float = np.inf, sag: float = np.inf) -> None:
    """Sweep until `facets` are left or hardly anything goes any more.

    most  mm4: largest sum, over the facets that a vertex stands for, of the squared distance to their
          planes times a third of their area; (d^2 area / 3) bounds each of those distances by d
    sag   mm: how far a facet on a curved carrier may lie from it

    The work is changed in place. Quadric edge collapse (Garland and Heckbert 1997) in the order of memory, not of
    price: each vertex goes once a sweep, along its cheapest edge, if that is among the cheaper ones.

    >>> v = np.array([*np.ndindex(9, 9, 1)], float)
    >>> a = np.array([*np.ndindex(8, 8)]) @ [[9], [1]]
    >>> f = np.vstack([a + [0, 9, 10], a + [0, 10, 1]]).astype(np.int32)
    >>> free, none = np.full((81, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(128, -1, np.int32), np.zeros(128, np.uint8), free, none)
    >>> sweep_down(work, 64)
    >>> len(work.faces)
    64
    """
    sweeps = Sweeps(work, most, sag)
    while sweeps.facets > facets:
        before = sweeps.facets
        known = sweeps.prices()
        if not len(known):
            break
        # Under a bound of its own every edge may go at once: then what happens in one place does not
        # depend on the others.
        share = FAR_SHARE if before > _FAR * facets else _SHARE
        limit = float(np.quantile(known, share)) if most == np.inf else np.inf
        if sweeps.go(limit, before - facets) < 0.01 * before:
            break
    sweeps.done()
    free = (work.label < 0) & ~work.still.astype(np.bool_)[work.faces].any(axis=1)
    unfold(work.points, work.faces, np.where(free, work.origin.astype(np.int16), -1))


def finish_collapse(work: CollapseMesh, facets: int) -> tuple[Floats, Floats]:
    """Collapse the cheapest edge first until `facets` are left or no edge may go.

    Facets that a step turned over or made pass through others are mended. The work is changed in place; returned are
    the corners (k, 3, 3), mm, of those left that cross, and of those that lie turned over on their carriers: they did
    at the start.

    Method: quadric edge collapse (Garland and Heckbert 1997) with the rules of `collapse_rules`.

    >>> v = np.array([*np.ndindex(5, 5, 1)], float)
    >>> a = np.array([*np.ndindex(4, 4)]) @ [[5], [1]]
    >>> f = np.vstack([a + [0, 5, 6], a + [0, 6, 1]]).astype(np.int32)
    >>> free, none = np.full((25, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(32, -1, np.int32), np.zeros(32, np.uint8), free, none)
    >>> crossing, turned = finish_collapse(work, 2)
    >>> len(crossing), len(turned), len(work.faces), len(work.points)
    (0, 0, 2, 4)
    """
    reversible = ReversibleCollapse(work)
    exhaust(reversible, facets)
    crossing = reversible.crossing(reversible.changed())
    for _ in range(_MENDINGS):
        bad = np.union1d(crossing, reversible.folded())
        _, stuck = reversible.take_back(bad, np.ones(len(bad), dtype=np.bool_))
        if len(stuck) == len(bad):
            break
        exhaust(reversible, facets)
        crossing = reversible.crossing(reversible.changed())
    left = work.points[work.faces[crossing]], work.points[work.faces[reversible.turned()]]
    reversible.done()
    return left


def exhaust(reversible: ReversibleCollapse, facets: int) -> None:
    """Collapse until `facets` are left or hardly anything goes any more.

    The collapse is run again, four times at most, since edges that were refused may have become possible.

    >>> v = np.array([*np.ndindex(5, 5, 1)], float)
    >>> a = np.array([*np.ndindex(4, 4)]) @ [[5], [1]]
    >>> f = np.vstack([a + [0, 5, 6], a + [0, 6, 1]]).astype(np.int32)
    >>> free, none = np.full((25, 3), -1, np.int16), np.empty((0, 0))
    >>> work = start_collapse(v, f, np.full(32, -1, np.int32), np.zeros(32, np.uint8), free, none)
    >>> reversible = ReversibleCollapse(work)
    >>> exhaust(reversible, 8)
    >>> reversible.facets
    8
    """
    for _ in range(4):
        before = reversible.facets
        reversible.collapse(facets)
        # Edges that were refused may have become possible since: all of them are asked again.
        if reversible.facets <= facets or reversible.facets > 0.98 * before:
            break


@njit(cache=True)
def _add_plane(q: Floats, a: float, b: float, c: float, w: float) -> None:
    q[0] += w * a * a
    q[1] += w * a * b
    q[2] += w * a * c
    q[3] += w * b * b
    q[4] += w * b * c
    q[5] += w * c * c


@njit(cache=True)
def _quadrics(points: Floats, faces: Ints, q: Floats, border: Bytes, first: Ints, facets: Ints) -> None:
    """Sum the quadrics (n, 10) of all facets, and of planes square to the border, and mark the border (n,)."""
    for f in range(len(faces)):
        i, j, k = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = points[j, 0] - points[i, 0], points[j, 1] - points[i, 1], points[j, 2] - points[i, 2]
        vx, vy, vz = points[k, 0] - points[i, 0], points[k, 1] - points[i, 1], points[k, 2] - points[i, 2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        double = np.sqrt(nx * nx + ny * ny + nz * nz)
        if double == 0.0:
            continue
        nx, ny, nz = nx / double, ny / double, nz / double
        w = double / 6.0
        # All three corners lie in the facet's plane: about themselves only the square term is there.
        _add_plane(q[i], nx, ny, nz, w)
        _add_plane(q[j], nx, ny, nz, w)
        _add_plane(q[k], nx, ny, nz, w)
        for e in range(3):
            a, b = faces[f, e], faces[f, (e + 1) % 3]
            twin = False
            for s in range(first[b], first[b + 1]):
                g = facets[s]
                if g != f and (faces[g, 0] == a or faces[g, 1] == a or faces[g, 2] == a):
                    twin = True
                    break
            if twin:
                continue
            border[a] = 1
            border[b] = 1
            ex, ey, ez = points[b, 0] - points[a, 0], points[b, 1] - points[a, 1], points[b, 2] - points[a, 2]
            wx, wy, wz = ey * nz - ez * ny, ez * nx - ex * nz, ex * ny - ey * nx
            length2 = ex * ex + ey * ey + ez * ez
            if length2 > 0.0:
                length = np.sqrt(length2)
                _add_plane(q[a], wx / length, wy / length, wz / length, length2)
                _add_plane(q[b], wx / length, wy / length, wz / length, length2)
