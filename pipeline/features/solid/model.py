"""From a light mesh with labels to the outline of a solid: the way through this room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import GeometryError
from pipeline.features.simplification import (
    Target,
    best_placed,
    brought_out,
    cut_off,
    lightened_within,
    noise_reach,
    stands_out,
)
from pipeline.features.solid.borders import fitted_borders, set_on_feet
from pipeline.features.solid.caps import Capped, capped
from pipeline.features.solid.outline import Outline, outline_of
from pipeline.features.solid.pinches import without_pinched_rims, without_pinches
from pipeline.features.solid.regions import faces_of
from pipeline.features.solid.sharpening import (
    DEPTH,
    LOOSE,
    Bound,
    Floats,
    Ints,
    bound,
    left_to_skin,
    outward_of,
    sharpened,
    with_sharp_rims,
)
from pipeline.mesh.query import Scene, spread_points
from pipeline.mesh.repair import denoised, folded_facets
from pipeline.mesh.topology import NONMANIFOLD, compact, components, facet_neighbours, facet_normals
from pipeline.progress import Progress
from pipeline.surfaces import ROW, Shape, row_of, signed_distance
from pipeline.values import MEASURED, SNAPPED, Surface

# Share of the skin's tolerance by which vertices may be put onto their features beyond their noise.
_SNAP_SHARE = 0.1
# Share of it that lightening may use; the rest is room for putting vertices where the volume is that of the mesh, and
# for edges of the skin, where the scan's own facets are off because they bridge them.
_CLOSE = 0.9
# And the least share that it has at edges within the skin, however much the scan's facets may cut off there.
_LEAST = 0.1
# Of the length of the scan's edges: what its facets cut off a right angle. Where that is more than the skin's
# tolerance, no share of it is left to be held.
CUT_OFF_RIGHT = 0.5
# Of that length: how far from a vertex chords along edges are brought out; farther than any facet that bridges one.
_WIDE = 2.0
# mm: nor is any where the scan's edges are longer: cast radii of 3 to 5 mm (common practice, no source) turn as much
# within their length as edges do.
_COARSE = 1.0
# Of the length of the scan's edges: the most that the longer of its facets cut off of a right angle.
_CUT_OFF = 0.75
# So often the skin is lightened: done anew, what crosses at sharp edges does so again.
_STARTS = 1
_TRIES = 24
# So often steeper facets are put at borders of a feature that have no curve.
_PATIENCE = 3


@dataclass(frozen=True)
class Model:
    """What a solid is made from.

    outline    edges and faces
    capped     the light mesh with its openings closed
    deviation  mm, two-sided, of the finished skin from the light mesh's noise-free surface
    at_edges   mm that the scan may have cut off edges within the skin, at most, and how far the skin lies within the
               light mesh there; nothing where such edges were not held closer
    fallen     feature number -> why (part of) it was left as facets
    left_out   pieces of the mesh that are not the part: how many, and their facets
    bound      the mesh that the outline was made from
    aim        the light mesh, noise-free and with sharp edges, which of its facets (m,) are skin, and what the scan
               may have cut off at each vertex (n,), mm
    skin       mm: the tolerance that was asked for
    depth      mm: how far edges may have been moved to be sharp
    closed     whether it is the outline of a closed solid; mesh: that of the outline, its labels numbers of faces

    `model_of` makes it.
    """

    outline: Outline
    capped: Capped
    deviation: float
    at_edges: tuple[float, float] | None
    fallen: dict[int, str]
    left_out: tuple[int, int]
    bound: Bound
    aim: tuple[Surface, NDArray[np.bool_], Floats]
    skin: float
    depth: float

    @property
    def closed(self) -> bool:
        """Whether no opening is left."""
        return not self.capped.left

    @property
    def mesh(self) -> Bound:
        """The mesh of the outline, its labels numbers of faces."""
        return self.outline.faces.mesh


def model_of(
    surface: Surface,
    labels: Ints,
    shapes: Sequence[Shape],
    skin: float,
    sigma: float,
    progress: Progress,
    spacing: float = 0.0,
) -> Model:
    """The outline of the solid of a light mesh.

    surface, labels  the light mesh in part coordinates and the shape of each facet, -1 none
    skin             mm: how far the solid's skin may be from it
    sigma, spacing   mm: noise of the scan, and how long its edges are: facets cut corners off by as much

    Raises GeometryError where the mesh has an edge of more than two facets, or no facet.

    Method: the borders of the light mesh drawn on the surfaces' own intersections. Below, a cube whose top is
    a feature.

    >>> from pipeline.progress import silent
    >>> corners = 10.0 * np.array([*np.ndindex(2, 2, 2)])
    >>> sides = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [1, 5, 7, 3], [0, 2, 6, 4]]
    >>> cube = Surface.measured(corners, [[s[0], s[k], s[k + 1]] for s in sides for k in (1, 2)])
    >>> labels = np.repeat(np.array([-1, -1, -1, -1, 0, -1], np.int32), 2)
    >>> top = Shape("plane", np.array([0.0, 0.0, 10.0]), np.array([0.0, 0.0, 1.0]))
    >>> model = model_of(cube, labels, (top,), 0.5, 0.01, silent)
    >>> model.closed, len(model.outline.edges), sorted(model.outline.faces.feature.tolist())
    (True, 12, [-1, -1, -1, -1, -1, 0])
    """
    surface, labels, left_out = _main_piece(surface, labels)
    progress(0.02, "closing openings")
    whole = capped(surface, labels, shapes)
    progress(0.1, "making edges sharp")
    reach = noise_reach(sigma, _SNAP_SHARE * skin)
    start = bound(
        whole.surface.vertices, whole.surface.faces, whole.labels, whole.surface.origin, whole.shapes, reach
    )  # fmt: skip
    depth = max(DEPTH, _CUT_OFF * spacing)
    sharp = sharpened(start, whole.shapes, noise_reach(sigma, 0.0), depth)
    smooth = denoised(sharp.points, sharp.faces, sigma, sharp.carriers[:, 0] >= 0)
    sharp = with_sharp_rims(replace(sharp, points=smooth), whole.shapes, depth, _CUT_OFF * spacing)
    progress(0.2, "as few facets as the tolerance allows")
    table = np.array([row_of(shape) for shape in whole.shapes]).reshape(-1, ROW)
    target = Target(sharp.points, sharp.labels, sharp.carriers, table)
    close = _CLOSE * skin
    dense, told = Surface(sharp.points, sharp.faces, sharp.origin), _part(progress, 0.2, 0.8)
    lost, wide = np.zeros(len(sharp.points)), np.zeros(len(sharp.points))
    if CUT_OFF_RIGHT * spacing <= skin and spacing <= _COARSE:
        seen = (sharp.labels < 0) & np.isin(sharp.origin, (MEASURED, SNAPPED))
        folded = folded_facets(sharp.points, sharp.faces)
        # Beside a fold facets are turned as well; they hide how far the surface turns, or are all that shows it.
        beside = np.asarray(np.isin(sharp.faces, sharp.faces[folded]).any(axis=1))
        lost = _moved_inwards(sharp, whole.surface)
        for hidden in (folded, beside):
            np.maximum(lost, cut_off(sharp.points, sharp.faces, seen, spacing, hidden), out=lost)
            np.maximum(wide, cut_off(sharp.points, sharp.faces, seen, spacing, hidden, _WIDE), out=wide)
        np.maximum(wide, lost, out=wide)
    shares = (1.0 - lost / skin).clip(_LEAST, 1.0)
    kept = lightened_within(
        dense, target, close, 4, told, starts=_STARTS, enough=skin, shares=shares, check_sweeps=True
    )
    work = kept.work
    placed = best_placed(work, dense, target, skin, shares)
    outward = outward_of(sharp.points, sharp.faces, sharp.labels, whole.shapes)
    mesh = Bound(placed, work.faces, work.label, work.origin, work.carriers, outward)
    progress(0.8, "borders on exact curves")
    fallen: dict[int, str] = {}
    mesh, outline = _outlined(mesh, whole.shapes, fallen, skin)
    # Borders are made fit by other facets, so chords are looked at after that.
    out = brought_out((mesh.points, mesh.faces), mesh.labels < 0, mesh.carriers[:, 0] < 0, dense, wide, spacing, skin)
    if (out != mesh.points).any():
        more = dict(fallen)
        trial = _outlined(replace(mesh, points=out), whole.shapes, more, skin)
        if more == fallen:
            mesh, outline = trial
    aim = dense, sharp.labels < 0, lost
    progress(0.98, "measuring the skin")
    return Model(outline, whole, *_skin_off(outline, *aim), fallen, left_out, mesh, aim, skin, depth)


def with_sharp_edges(
    surface: Surface, labels: Ints, shapes: Sequence[Shape], sigma: float, spacing: float = 0.0
) -> tuple[Surface, Ints]:
    """A mesh whose edges between features, which a scanner rounds and facets bridge, are where the features meet.

    surface, labels  a mesh and the shape of each facet, -1 none
    sigma, spacing   mm: noise of the scan, and how far apart its points were: facets cut corners off by as much

    Its features' vertices lie on them then. Below, a pierced block, whose edges are sharp.

    >>> from tests.pierced_block import SHAPES, pierced_block
    >>> block, labels = pierced_block()
    >>> sharp, _ = with_sharp_edges(block, labels, SHAPES, 0.01)
    >>> round(volume_of(sharp.vertices, sharp.faces) - volume_of(block.vertices, block.faces), 6)
    0.0
    """
    reach = noise_reach(sigma, DEPTH * _SNAP_SHARE)
    start = bound(surface.vertices, surface.faces, labels, surface.origin, shapes, reach)
    made = sharpened(start, shapes, noise_reach(sigma, 0.0), max(DEPTH, spacing))
    return Surface(made.points, made.faces, made.origin), made.labels


def without_faces(model: Model, faces: Sequence[int], thorough: bool = False) -> Model:
    """The model with some of its faces, which the CAD kernel does not take, made otherwise: exact ones left as facets,
    skin at the border of a feature set up more steeply.

    thorough  the features beside such skin are left as facets too, as far as they touch it

    Below, the cube of `model_of` without its feature.

    >>> from pipeline.progress import silent
    >>> corners = 10.0 * np.array([*np.ndindex(2, 2, 2)])
    >>> sides = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [1, 5, 7, 3], [0, 2, 6, 4]]
    >>> cube = Surface.measured(corners, [[s[0], s[k], s[k + 1]] for s in sides for k in (1, 2)])
    >>> labels = np.repeat(np.array([-1, -1, -1, -1, 0, -1], np.int32), 2)
    >>> top = Shape("plane", np.array([0.0, 0.0, 10.0]), np.array([0.0, 0.0, 1.0]))
    >>> model = model_of(cube, labels, (top,), 0.5, 0.01, silent)
    >>> face = model.outline.faces.feature.tolist().index(0)
    >>> left = without_faces(model, [face])
    >>> int(left.outline.faces.feature.max()), left.fallen
    (-1, {0: 'the CAD kernel does not take its face, about (5.0, 5.0, 10.0) mm'})
    """
    outline, mesh, fallen = model.outline, model.bound, dict(model.fallen)
    flat = [f for f in faces if outline.faces.feature[f] < 0]
    edges = [outline.edges[e] for f in flat for walk in outline.walks[f] for e, _ in walk]
    loosened = False
    for face in faces:
        feature, facets = int(outline.faces.feature[face]), outline.faces.facets_of(face)
        if feature >= 0:
            fallen[feature] = f"the CAD kernel does not take its face{_about(mesh, facets)}"
            mesh = left_to_skin(mesh, feature, facets)
        if facets.sum() > 1:
            # In one plane, its facets would make the same face again.
            mesh = replace(mesh, labels=np.where(facets & (mesh.labels < 0), LOOSE, mesh.labels).astype(np.int32))
            loosened = True
    if thorough:
        for edge in edges:
            beside = np.asarray(np.isin(mesh.faces, (edge.start, edge.end)).any(axis=1))
            for feature in np.unique(mesh.labels[beside & (mesh.labels >= 0)]).tolist():
                fallen[feature] = f"the CAD kernel does not take the skin along its border{_about(mesh, beside)}"
                mesh = left_to_skin(mesh, feature, beside)
    elif len(flat) == len(faces) and not loosened:
        mesh, _ = set_on_feet(mesh, [(edge.start, edge.end) for edge in edges], model.capped.shapes, model.skin)
    mesh, outline = _outlined(mesh, model.capped.shapes, fallen, model.skin)
    deviation, at_edges = _skin_off(outline, *model.aim)
    return replace(model, outline=outline, deviation=deviation, at_edges=at_edges, fallen=fallen, bound=mesh)


def _skin_off(
    outline: Outline, aim: Surface, skin: NDArray[np.bool_], lost: Floats
) -> tuple[float, tuple[float, float] | None]:
    """mm: the most that the outline's plane skin faces are off the surface aimed at, or its skin off the outline; and
    `Model.at_edges`."""
    faces, mesh = outline.faces, outline.faces.mesh
    which = np.unique(aim.faces[skin])
    asked = aim.vertices[which]
    made = faces.feature[mesh.labels] < 0
    if not len(asked) or not made.any():
        return 0.0, None
    off, facet, near = Scene(Surface(mesh.points, mesh.faces, mesh.origin)).closest(asked)
    label = mesh.labels[facet]
    for face in np.unique(label[faces.feature[label] >= 0]):
        # There the solid has the surface itself, not the facet's chord.
        mine = label == face
        off[mine] = np.minimum(off[mine], np.abs(signed_distance(faces.shapes[face], asked[mine])))
    spread, _ = spread_points(mesh.points, mesh.faces[made], len(asked))
    back = Scene(aim).distance(np.concatenate([spread, mesh.points[np.unique(mesh.faces[made])]]))
    deviation = float(max(off.max(), back.max()))
    # What turns less than a right angle by far is none of the edges that are meant.
    edge = lost[which] > 0.5 * lost.max()
    if not edge.any():
        return deviation, None
    out = stands_out(asked, near, facet_normals(mesh.points, mesh.faces[facet]))
    return deviation, (float(lost.max()), float(np.where(out, off, 0.0)[edge].max()))


def _moved_inwards(sharp: Bound, surface: Surface) -> Floats:
    """(n,) mm that corners of skin lie within a surface, the mesh as it was before its hollow edges were made sharp."""
    out = np.zeros(len(sharp.points))
    which = np.unique(sharp.faces[sharp.labels < 0])
    off, facet, near = Scene(surface).closest(sharp.points[which])
    normals = facet_normals(surface.vertices, surface.faces[facet])
    out[which] = np.where(stands_out(sharp.points[which], near, normals), 0.0, off)
    return out


def _part(progress: Progress, low: float, high: float) -> Progress:
    def told(fraction: float, text: str = "") -> None:
        progress(low + (high - low) * fraction, text)

    return told


def _main_piece(surface: Surface, labels: Ints) -> tuple[Surface, Ints, tuple[int, int]]:
    """The piece with most facets, and the closed pieces inside out that are voids in it; how many others there are."""
    if not surface.facets:
        raise GeometryError("The light mesh has no facets, so there is no solid to be made of it.")
    neighbours = facet_neighbours(surface.faces, len(surface.vertices))
    if (neighbours == NONMANIFOLD).any():
        raise GeometryError(
            "The light mesh has an edge with more than two facets, so it bounds no solid; "
            "run the scan again with another number of facets."
        )
    piece = components(neighbours)
    count = np.bincount(piece)
    if len(count) == 1:
        return surface, labels, (0, 0)
    corners = surface.vertices[surface.faces]
    volume = np.bincount(piece, np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6)
    rims = np.zeros(len(count), np.bool_)
    rims[piece[(neighbours < 0).any(axis=1)]] = True
    kept = (volume < 0) & ~rims
    kept[0] = True
    mine = kept[piece]
    vertices, faces, _ = compact(surface.vertices, surface.faces[mine])
    return Surface(vertices, faces, surface.origin[mine]), labels[mine], (int((~kept).sum()), int((~mine).sum()))


def _outlined(mesh: Bound, shapes: Sequence[Shape], fallen: dict[int, str], skin: float) -> tuple[Bound, Outline]:
    """Borders, faces and edges; what can't be drawn exactly falls back to facets, is noted, and all is done again.

    From the middle of its tries on it gives up more at once, so that it comes to an end.
    """
    patience: dict[int, int] = {}
    rings: dict[int, int] = {}
    for attempt in range(_TRIES):
        late = attempt >= _TRIES // 2
        mesh, left = fitted_borders(mesh, shapes, skin)
        if left:
            for k in left if late else [max(left, key=lambda k: len(left[k]))]:
                mesh = _given_up(mesh, k, left[k], patience, fallen)
            continue
        pinches = 0
        if late:
            mesh, pinches = without_pinched_rims(mesh, rings)
        else:
            mesh, pinches = without_pinches(mesh, shapes)
        if pinches:
            continue
        faces, failures = faces_of(mesh, shapes)
        if not failures:
            outline, failures = outline_of(faces)
        if not failures:
            return mesh, outline
        # A border on skin is helped once or twice by a steeper facet before its feature is given up.
        helped = [f.edge for f in failures if f.edge is not None and patience.get(f.feature, 0) < _PATIENCE]
        mesh, feet = set_on_feet(mesh, helped, shapes, skin)
        for feature in {f.feature for f in failures}:
            patience[feature] = patience.get(feature, 0) + 1
        if feet:
            continue
        for failure in failures:
            fallen[failure.feature] = failure.why + _about(mesh, failure.facets)
            mesh = left_to_skin(mesh, failure.feature, failure.facets)
    raise GeometryError(
        "The borders of the recovered faces could not be drawn as exact curves; try another --skin, "
        "or run the scan with more facets."
    )


def _given_up(mesh: Bound, feature: int, ends: Ints, patience: dict[int, int], fallen: dict[int, str]) -> Bound:
    """The rim of a feature at some of its borders left to the skin, a ring of facets more each time, since borders made
    fit afterwards may give it back; after a few times all of it, which is noted."""
    mine = mesh.labels == feature
    patience[feature] = patience.get(feature, 0) + 1
    rim = mine & np.isin(mesh.faces, ends).any(axis=1)
    for _ in range(patience[feature] - 1):
        rim = mine & np.isin(mesh.faces, mesh.faces[rim]).any(axis=1)
    if patience[feature] > _PATIENCE or not (mine & ~rim).any():
        x, y, z = mesh.points[ends].reshape(-1, 3).mean(axis=0)
        fallen[feature] = f"{len(ends)} of its borders on skin run along it, about ({x:.1f}, {y:.1f}, {z:.1f}) mm"
        return left_to_skin(mesh, feature, mine)
    return left_to_skin(mesh, feature, rim)


def _about(mesh: Bound, facets: NDArray[np.bool_]) -> str:
    """Where some facets are, as the end of a sentence."""
    x, y, z = mesh.points[mesh.faces[facets]].reshape(-1, 3).mean(axis=0)
    return f", about ({x:.1f}, {y:.1f}, {z:.1f}) mm"


def volume_of(points: Floats, faces: Ints) -> float:
    """mm3 inside a closed mesh: points (n, 3) mm and faces (m, 3), counter-clockwise from outside.

    Method: the divergence theorem.

    >>> corner = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 2.0, 0.0], [0.0, 0.0, 1.0]])
    >>> volume_of(corner, np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], np.int32))
    1.0
    """
    a, b, c = (points[faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)
