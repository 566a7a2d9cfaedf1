"""A cut into a part: what goes, what is left, and what it opens.

The tool is taken from the closed light mesh, facet by facet, with its edges between features made sharp; what a facet
carried, and whether it was ever measured, stays with its pieces. Facets lie inside the rounds that they stand for: the
volume that goes is put right by what lies between the facets that go and their features, and by the corners that facets
cut off where a plane ends in skin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.errors import GeometryError, SettingsError
from pipeline.features.solid import NEVER_SEEN, with_sharp_edges
from pipeline.fitup.bodies import PLANNED, Body, Placed
from pipeline.fitup.clearance import EXPANDED, Term
from pipeline.fitup.cut_tools import Items, Stroke, Tool, tool_of
from pipeline.fitup.items import Key, Move
from pipeline.fitup.walls import Walls, walls
from pipeline.geometry import Floats, Ints, Longs, Mask, cross
from pipeline.layout import CutQuestion
from pipeline.lengths import mm2, place_in_mm
from pipeline.mesh.booleans import Cutting, MeshSolid, mesh_solid, split, united
from pipeline.mesh.topology import compact, components, facet_areas, facet_neighbours, facet_normals
from pipeline.progress import Progress, silent
from pipeline.surfaces import Shape, kind_of, shape_of, signed_distance, surface_normal
from pipeline.values import Extent, Feature, Form, Surface, Uncertainty

CRUMB = 1.0  # mm3: pieces smaller than this are of the mesh, not of the part
_AHEAD = 0.3  # cosine to the way a tool works, from which on a face is met from behind
_FEW = 0.05  # share of a patch that may look ahead where the tool goes in
_SIDE = 1.0  # mm2 that look away from the tool, from which on it runs out of a side
_CHANGED = 0.005  # share of a feature's area by which it is told as smaller
_MARGIN = 5.0  # mm that a facing cutter runs out beyond its face
_PROUD = 0.5  # mm that facets of a face may stand off it
_LEVEL = 0.98  # cosine between a facet of a face and the face
_SHARP, _FLAT = np.cos(np.radians(30.0)), 0.1  # cosines of faces that meet in an edge, of a facet that bridges it
_DEEP = 1.5  # mm: no corner that a facet bridges is deeper
_INSIDE = np.array([[i, j, 18 - i - j] for i in range(1, 18) for j in range(1, 18 - i) if i % 3 == j % 3 != 0]) / 18.0
Opens = Literal["goes in", "opens into", "comes out", "runs out", "into a hollow"]


@dataclass(frozen=True)
class Opening:
    """A patch of the part's surface that a cut takes away.

    opens   what the tool does there: "goes in", "opens into" another feature, "comes out" of the far side, "runs out"
            of a side, "into a hollow" that was closed all round
    place   (3,) mm, on it; area mm2
    unseen  share of it that was filled or never scanned
    on      numbers of its features
    """

    opens: Opens
    place: Floats
    area: float
    unseen: float
    on: tuple[str, ...]


@dataclass(frozen=True)
class Changed:
    """A feature of which a cut takes some.

    number   of the feature; how: "gone" | "shorter" | "smaller"
    area     mm2 before and after
    length   mm along its axis, before and after; None of one that has none
    """

    number: str
    how: Literal["gone", "shorter", "smaller"]
    area: tuple[float, float]
    length: tuple[float, float] | None


@dataclass(frozen=True)
class Cut:
    """What a cut does. Places are in the part's own coordinates, mm.

    name      what it is called
    volume    mm3 that go; facets: of the facets themselves, without what they are put right by
    expanded  mm3, 95 %; terms: what it hangs on, in mm3; unsure: why that isn't all of it, "" where it is
    mass      g, None where the density wasn't said
    planned   the faces that it leaves
    openings  patches of the surface that go
    changed   features that go, or of which some goes
    pieces, tunnels, hollows  of the part, before and after; tunnels: ways through it, its genus
    notes     sentences for people
    sound     whether it does only what was asked: one piece, and nothing opened that wasn't meant to be
    before    the part before, its edges sharp; after: the part that is left
    strokes   what the tool sweeps
    wall      what is left behind the faces; None where no wall was asked for
    """

    name: str
    volume: float
    facets: float
    expanded: float
    terms: tuple[Term, ...]
    unsure: str
    mass: float | None
    planned: tuple[Feature, ...]
    openings: tuple[Opening, ...]
    changed: tuple[Changed, ...]
    pieces: tuple[int, int]
    tunnels: tuple[int, int]
    hollows: tuple[int, int]
    notes: tuple[str, ...]
    sound: bool
    before: Placed
    after: Placed
    strokes: tuple[Stroke, ...]
    wall: Walls | None = None


def cut_part(
    part: Placed, question: CutQuestion, item: Items, words: str, progress: Progress = silent
) -> Cut:  # fmt: skip
    """Make a cut.

    item   the items that the question's words mean, in the part's coordinates
    words  the cut as an error names it, "cut 2 of housing"

    Raises SettingsError where the tool can't be laid out or misses the part, GeometryError where the part bounds no
    volume.

    >>> from pipeline.fitup.placing import placed
    >>> from pipeline.fitup.figures import turned_body
    >>> from pipeline.fitup.words import item_in_words
    >>> bar = Placed(turned_body("bar", [(0, 40), (50, 40)], 0.01), placed([]))
    >>> drill = CutQuestion(part="bar", bore={"axis": "axis", "diameter": 10, "through": True})
    >>> cut = cut_part(bar, drill, lambda *w: item_in_words(bar.body, *w), "cut 1")
    >>> round(cut.volume / (np.pi * 25 * 50), 6), cut.tunnels, [f.id for f in cut.planned]
    (1.0, (0, 1), ['P1'])
    """
    sharp = sharpened_body(part.body)
    progress(0.3, "cutting")
    try:
        solid = mesh_solid(sharp.surface.vertices, sharp.surface.faces, f"{words}: the part {sharp.name}")
    except GeometryError as error:
        raise SettingsError(str(error)) from None
    tool = _kept_off(sharp, solid, tool_of(sharp, question, item, words), words)
    strokes, of_stroke, of_face, swept = _swept(sharp, tool)
    taken, left = split(solid, swept)
    if taken.volume < 1e-3:
        raise SettingsError(f"{words} takes nothing of {sharp.name}; check its axis or face, its size and its depth.")
    if left.volume < CRUMB:
        raise SettingsError(f"{words} takes all of {sharp.name}; check its face and its size.")
    progress(0.7, "what it opens")
    name = question.name or words.partition(" of ")[0]
    made = _Made(sharp, tool, strokes, of_stroke, of_face, taken, left, name, _edges_within(sharp, swept))
    cut = made.cut(part, question)
    if question.wall is None:
        return cut
    behind = [cut.after.body.index_of(feature.id) for feature in cut.planned]
    return replace(cut, wall=walls(cut.after, question.wall.mm, behind, cut.before))


def sharpened_body(body: Body) -> Body:
    """The part with its edges between features made sharp, where a scanner rounded them."""
    if body.sharp:
        return body
    shapes = [shape_of(f) for f in body.features]
    surface, labels = with_sharp_edges(body.surface, body.labels, shapes, body.noise, body.spacing)
    labels = np.where(surface.origin == NEVER_SEEN, -1, labels).astype(np.int32)
    return replace(body, surface=surface, labels=labels, sharp=True, edges=(body.surface, surface))


def _edges_within(body: Body, swept: MeshSolid) -> float:
    """mm3 that sharp edges have more than facets, within what the tool sweeps: whether they are that sharp no facet of
    that size tells."""
    if body.edges is None:
        return 0.0
    solids = [mesh_solid(each.vertices, each.faces, f"the part {body.name}") for each in body.edges]
    facets, sharp = (split(solid, swept)[0].volume for solid in solids)
    return abs(sharp - facets)


def _swept(body: Body, tool: Tool) -> tuple[tuple[Stroke, ...], Ints, Ints, MeshSolid]:
    """The strokes as they are taken, of each facet of theirs the stroke and its face, and the solid."""
    strokes = tuple(_led(body, stroke) for stroke in tool.strokes)
    meshes = [stroke.mesh() for stroke in strokes]
    solids = [mesh_solid(vertices, faces, "the tool") for vertices, faces, _ in meshes]
    counts = [len(faces) for _, faces, _ in meshes]
    swept = solids[0] if len(solids) == 1 else united(solids, counts)
    of_stroke = np.repeat(np.arange(len(strokes)), counts).astype(np.int32)
    return strokes, of_stroke, np.concatenate([each for _, _, each in meshes]), swept


def _led(body: Body, stroke: Stroke) -> Stroke:
    """A stroke that begins before the facets of the face that it starts at, which may stand a little proud of it."""
    off = body.surface.vertices - stroke.start
    height = -(off @ stroke.feed)[body.surface.faces]
    across = np.linalg.norm(off + (-off @ stroke.feed)[:, None] * stroke.feed, axis=1)[body.surface.faces].min(axis=1)
    near = (np.abs(height) < _PROUD).all(axis=1) & (across < max(stroke.radius, stroke.wide, sum(stroke.half)))
    near &= facet_normals(body.surface.vertices, body.surface.faces) @ stroke.feed < -_LEVEL
    lead = 0.01 + max(0.0, float(height[near].max(initial=0.0)))
    return replace(stroke, start=stroke.start - lead * stroke.feed, length=stroke.length + lead)


def _kept_off(body: Body, solid: MeshSolid, tool: Tool, words: str) -> Tool:
    """A facing that takes only what stands on its face: its block as wide as that. Others stay as they are."""
    if tool.onto is None:
        return tool
    (stroke,) = tool.strokes
    vertices, faces, _ = stroke.mesh()
    taken, _ = split(solid, mesh_solid(vertices, faces, "the tool"))
    if not len(taken.faces):
        return tool
    piece = components(facet_neighbours(taken.faces, len(taken.vertices)))
    on_face = ~taken.of_tool & (body.labels[np.where(taken.of_tool, 0, taken.facet)] == tool.onto)
    chosen = np.unique(piece[on_face])
    if not len(chosen) or len(chosen) == len(np.unique(piece)):
        return tool
    u, v = stroke.across, cross(stroke.feed, stroke.across)
    flat = (taken.vertices - stroke.start) @ np.column_stack([u, v])
    of_vertex = np.zeros(len(flat), np.intp)
    of_vertex[taken.faces.ravel()] = np.repeat(piece, 3)
    mine = np.isin(of_vertex, chosen)
    low, high = flat[mine].min(axis=0), flat[mine].max(axis=0)
    off = np.maximum(np.maximum(low - flat[~mine], flat[~mine] - high).max(axis=1), 0.0)
    gap = float(off.min())
    if gap <= 0.0:
        x, y, z = taken.vertices[~mine][int(np.argmin(off))]
        raise SettingsError(
            f"{words}: other metal stands beyond that plane within the cutter's way, at [{x:.1f}, {y:.1f}, {z:.1f}]; "
            "say all = true to face it off too, or cut a pocket."
        )
    margin = min(_MARGIN, 0.5 * gap)
    middle, half = 0.5 * (low + high), 0.5 * (high - low) + margin
    start = stroke.start + middle[0] * u + middle[1] * v
    return replace(tool, strokes=(replace(stroke, start=start, half=(float(half[0]), float(half[1]))),))


@dataclass(frozen=True)
class _Made:
    """A cut that was made, to be told of."""

    body: Body
    tool: Tool
    strokes: tuple[Stroke, ...]
    of_stroke: Ints
    of_face: Ints
    taken: Cutting
    left: Cutting
    name: str
    edges: float

    def cut(self, part: Placed, question: CutQuestion) -> Cut:
        planned, after = self.after
        volume = self.taken.volume + self.between_facets_and_features + self.corners[0]
        terms, unsure = self.terms
        expanded = EXPANDED * float(np.sqrt(sum(t.size**2 for t in terms if t.kind == "random")))
        expanded += sum(t.size for t in terms if t.kind == "bound")
        first = _shells(self.body.surface.faces, self.whole[1])
        then = _shells(after.surface.faces, _pieces(after.surface.vertices, after.surface.faces)[1])
        openings = self.openings
        notes, sound = self.told(openings, first, then)
        return Cut(
            self.name, volume, self.taken.volume, expanded, terms, unsure,
            None if question.density is None else volume * question.density * 1e-3,
            planned, openings, self.changed, (first[0], then[0]), (first[1], then[1]), (first[2], then[2]), notes,
            sound, Placed(self.body, part.pose), Placed(after, part.pose), self.strokes,
        )  # fmt: skip

    @cached_property
    def kept(self) -> tuple[Floats, Ints, Mask]:
        """What is left without crumbs: vertices, faces, and which of its facets they are."""
        piece, volume = _pieces(self.left.vertices, self.left.faces)
        kept = ~((volume >= 0.0) & (volume < CRUMB))[piece]
        vertices, faces, _ = compact(self.left.vertices, self.left.faces[kept])
        return vertices, faces, kept

    @cached_property
    def whose(self) -> Ints:
        """(m,) the part's feature that each facet of what is left belongs to, -1 none or a face that the cut leaves."""
        of_tool, facet = (x[self.kept[2]] for x in (self.left.of_tool, self.left.facet))
        return np.where(of_tool, -1, self.body.labels[np.where(of_tool, 0, facet)]).astype(np.int32)

    @cached_property
    def whole(self) -> tuple[Ints, Floats]:
        """Pieces of the part before the cut."""
        return _pieces(self.body.surface.vertices, self.body.surface.faces)

    @cached_property
    def after(self) -> tuple[tuple[Feature, ...], Body]:
        """The faces that the cut leaves, and the part with them among its features."""
        vertices, faces, kept = self.kept
        of_tool, facet = self.left.of_tool[kept], self.left.facet[kept]
        labels = self.whose.copy()
        origin = np.where(of_tool, PLANNED, self.body.surface.origin[np.where(of_tool, 0, facet)]).astype(np.uint8)
        features, planned, moves = [*self._old_features(vertices, faces, labels)], [], dict(self.body.planned)
        number = self.body.next_planned
        for s, stroke in enumerate(self.strokes):
            for n, (called, shape) in enumerate(stroke.faces()):
                mine = np.flatnonzero(of_tool)
                mine = mine[(self.of_stroke[facet[mine]] == s) & (self.of_face[facet[mine]] == n)]
                if not len(mine):
                    continue
                ident, name = f"P{number}", self._called(called, s)
                number += 1
                feature = _planned(ident, name, shape, vertices[faces[mine]], self._known(s, n, shape))
                labels[mine] = len(features)
                features.append(feature)
                planned.append(feature)
                if not self.tool.unsure:
                    moves[ident] = self.tool.moves[s][n]
        surface = Surface(vertices, faces, origin)
        names = {**self.body.names, **{f.id: f.name for f in planned if f.name}}
        body = replace(
            self.body, surface=surface, labels=labels, features=tuple(features), names=names, planned=moves,
            uncut=(self.name, self.body),
        )  # fmt: skip
        return tuple(planned), body

    def _called(self, face: str, stroke: int) -> str:
        which = f" {stroke + 1}" if len(self.strokes) > 1 else ""
        main = self.strokes[stroke].faces()[0][0] if self.strokes[stroke].kind != "block" else "floor"
        return f"{self.name}{which}" if face == main else f"{self.name}{which} {face}"

    def _known(self, stroke: int, face: int, shape: Shape) -> Uncertainty:
        """What a planned face is known within, by what it is laid out from; what the machine adds is not in it."""
        if self.tool.unsure:
            return Uncertainty(None, None, None, self.tool.unsure)
        moves = self.tool.moves[stroke][face].values()
        shift = float(np.sqrt(sum(float(m.shift @ m.shift) for m in moves)))
        turn = float(np.sqrt(sum(float(m.turn @ m.turn) for m in moves)))
        return Uncertainty(shift, turn, None if shape.radius is None else 0.0, "of the datums that it is laid out from")

    def _old_features(self, vertices: Floats, faces: Ints, labels: Ints) -> list[Feature]:
        """The features as they are left."""
        out = []
        changed = {change.number: change for change in self.changed}
        for k, feature in enumerate(self.body.features):
            change = changed.get(feature.id)
            if change is None:
                out.append(feature)
                continue
            along = None
            if change.length is not None:
                along = (0.0, 0.0) if change.how == "gone" else _along(feature, vertices[faces[labels == k]])
            seen = replace(feature.extent, area=change.area[1], length=change.length and change.length[1], along=along)
            out.append(replace(feature, extent=seen))
        return out

    @cached_property
    def changed(self) -> tuple[Changed, ...]:
        """Features of which something goes."""
        out = []
        vertices, faces, _ = self.kept
        whose = self.whose
        n = len(self.body.features)
        surface = self.body.surface
        before = np.bincount(self.body.labels + 1, facet_areas(surface.vertices, surface.faces), n + 1)[1:]
        after = np.bincount(whose + 1, facet_areas(vertices, faces), n + 1)[1:]
        for k, feature in enumerate(self.body.features):
            if before[k] <= 0.0 or after[k] >= (1.0 - _CHANGED) * before[k]:
                continue
            gone = after[k] <= _CHANGED * before[k]
            length = None
            if feature.direction is not None and not kind_of(feature).flat:
                first = _along(feature, surface.vertices[surface.faces[self.body.labels == k]])
                then = (0.0, 0.0) if gone else _along(feature, vertices[faces[whose == k]])
                length = (first[1] - first[0], then[1] - then[0])
            shorter = length is not None and length[1] < (1.0 - _CHANGED) * length[0]
            how: Literal["gone", "shorter", "smaller"] = "gone" if gone else "shorter" if shorter else "smaller"
            out.append(Changed(feature.id, how, (float(before[k]), float(after[k])), length))
        return tuple(out)

    @cached_property
    def _removed(self) -> tuple[Longs, Floats, Floats, Floats]:
        """Of the part's facets that go: which of `taken`, their corners (k, 3, 3), normals and areas."""
        at = np.flatnonzero(~self.taken.of_tool)
        faces = self.taken.faces[at]
        vertices = self.taken.vertices
        return at, vertices[faces], facet_normals(vertices, faces), facet_areas(vertices, faces)

    @property
    def between_facets_and_features(self) -> float:
        """mm3 between the facets that go and the features that they stand for."""
        at, corners, normals, areas = self._removed
        label = self.body.labels[self.taken.facet[at]]
        # Of second order in a facet's size, as a chord's depth is (three edges' middles; Strang and Fix 1973).
        middles = 0.5 * (corners + np.roll(corners, -1, axis=1))
        total = 0.0
        for k in np.unique(label[label >= 0]):
            mine = label == k
            shape = shape_of(self.body.features[k])
            points = middles[mine].reshape(-1, 3)
            height = signed_distance(shape, points).reshape(-1, 3).mean(axis=1)
            facing = np.einsum("ij,ij->i", surface_normal(shape, corners[mine].mean(axis=1)), normals[mine])
            total -= float(np.sum(height * np.sign(facing) * areas[mine]))
        return total

    @cached_property
    def corners(self) -> tuple[float, float]:
        """mm3 between the facets that go and the sharp edges of planes, where facets of skin still bridge these: of
        edges with skin, and of all.

        Above such a facet lies the corner of the plane and of what comes up to it, level as that is farther down.
        Whether an edge is that sharp no facet of its size can tell, so that the volume is as unsure as all of this; of
        edges with round features, which were to be sharp before, it is not added.
        """
        at, corners, normals, areas = self._removed
        body, facet = self.body, self.taken.facet[at]
        faces, vertices = body.surface.faces, body.surface.vertices
        rim = np.full(len(vertices), -1)
        for k, feature in enumerate(body.features):
            if kind_of(feature).flat:
                rim[faces[body.labels == k].ravel()] = k
        on, skin = rim[faces], (body.labels < 0) & (body.surface.origin != PLANNED)
        away = (on < 0).all(axis=1)
        push = facet_normals(vertices, faces[away]) * facet_areas(vertices, faces[away])[:, None]
        level = np.zeros((len(vertices), 3))
        np.add.at(level, faces[away].ravel(), np.repeat(push, 3, axis=0))
        rows = np.flatnonzero((skin & (on >= 0).any(axis=1) & (on < 0).any(axis=1))[facet])
        if not len(rows):
            return 0.0, 0.0
        f = facet[rows]
        free = on[f] < 0
        side, foot = (np.einsum("ij,ijk->ik", free, x[faces[f]]) for x in (level, vertices))
        foot, size = foot / free.sum(axis=1)[:, None], np.linalg.norm(side, axis=1)
        side = side / np.maximum(size, 1e-12)[:, None]
        plane = [body.features[k] for k in on[f].max(axis=1)]
        up, top = np.array([p.direction for p in plane]), np.array([p.point for p in plane])
        steep = [np.einsum("ij,ij->i", normals[rows], way) for way in (up, side)]
        sharp = (np.einsum("ij,ij->i", up, side) < _SHARP) & (size > 0.0) & (np.minimum(*steep) > _FLAT)
        points = np.einsum("qc,rcd->rqd", _INSIDE, corners[rows])
        heights = [
            np.einsum("rqd,rd->rq", there[:, None] - points, way) / np.maximum(fall, _FLAT)[:, None]
            for there, way, fall in ((top, up, steep[0]), (foot, side, steep[1]))
        ]
        size = np.clip(np.minimum(*heights), 0.0, _DEEP).mean(axis=1) * sharp * areas[rows]
        round_ones = np.zeros(len(vertices), bool)
        for k, feature in enumerate(body.features):
            if not kind_of(feature).flat:
                round_ones[faces[body.labels == k].ravel()] = True
        return float(size[~(free & round_ones[faces[f]]).any(axis=1)].sum()), float(size.sum())

    @property
    def terms(self) -> tuple[tuple[Term, ...], str]:
        """What the volume hangs on, mm3, and why that isn't all."""
        at, corners, normals, areas = self._removed
        label, origin = (x[self.taken.facet[at]] for x in (self.body.labels, self.body.surface.origin))
        middles, unsure = corners.mean(axis=1), self.tool.unsure
        gains: dict[Key, float] = {}
        for k in np.unique(label[label >= 0]):
            mine, feature = label == k, self.body.features[k]
            unsure = unsure or self.body.unsure_of(int(k))
            shape = shape_of(feature)
            out_of = surface_normal(shape, middles[mine]) if shape.radius is not None else np.zeros_like(middles[mine])
            _add(gains, self.body.moves_of(int(k)), middles[mine], areas[mine, None] * normals[mine], out_of)
        tools = np.flatnonzero(self.taken.of_tool)
        faces = self.taken.faces[tools]
        vertices, which = self.taken.vertices, self.taken.facet[tools]
        push = facet_normals(vertices, faces) * facet_areas(vertices, faces)[:, None]
        places = vertices[faces].mean(axis=1)
        for s, moves in enumerate(self.tool.moves):
            for n, of_face in enumerate(moves):
                mine = (self.of_stroke[which] == s) & (self.of_face[which] == n)
                if mine.any():
                    _add(gains, of_face, places[mine], push[mine], np.zeros_like(places[mine]))
        by_part: dict[str, float] = {}
        for key, gain in gains.items():
            by_part[" ".join(key[:2])] = by_part.get(" ".join(key[:2]), 0.0) + gain**2
        terms = [Term(name, "random", float(np.sqrt(square))) for name, square in by_part.items() if square > 1e-6]
        skin = float(areas[(label < 0) & (origin != PLANNED)].sum())
        if self.body.skin:
            terms.append(Term(f"surface of {self.body.name}", "random", self.body.skin * skin))
        if self.body.bound:
            terms.append(Term(f"lightening of {self.body.name}", "bound", self.body.bound * skin))
        if self.edges > 0.0:
            terms.append(Term("edges between features, made sharp", "bound", self.edges))
        if self.corners[1] > 0.0:
            terms.append(Term("corners that facets cut off", "bound", self.corners[1]))
        hidden = float(areas[~self.body.seen[self.taken.facet[at]]].sum())
        if hidden > 0.01 * areas.sum():
            unsure = unsure or f"{mm2(hidden, '.0f')} of the surface that goes was filled or never scanned"
        return tuple(terms), unsure

    @cached_property
    def openings(self) -> tuple[Opening, ...]:
        """Patches of the surface that go, the largest first."""
        at, corners, normals, areas = self._removed
        if not len(at):
            return ()
        patch = _patches(self.taken.faces[at])
        facet = self.taken.facet[at]
        piece, volume = self.whole
        hollow = (volume < 0.0)[piece][facet]
        middles = corners.mean(axis=1)
        feed, side = self._ways(middles)
        along, across = np.einsum("ij,ij->i", normals, feed), np.einsum("ij,ij->i", normals, side)
        steep = np.abs(along) >= np.abs(across)
        back, ahead = steep & (along < -_AHEAD), steep & (along > _AHEAD)
        within, aside = ~steep & (across < -_AHEAD), ~steep & (across > _AHEAD)
        total = np.bincount(patch, areas)
        station = np.full(len(total), np.inf)
        np.minimum.at(station, patch, np.einsum("ij,ij->i", middles - self.strokes[0].start, feed))
        out = []
        for p in np.argsort(-total):
            mine = patch == p
            area = float(total[p])
            far, beside = (float(areas[mine & way].sum()) for way in (ahead, aside))
            near = float(areas[mine & (back | within)].sum())
            labels = self.body.labels[facet[mine]]
            on = tuple(self.body.features[k].id for k in np.unique(labels[labels >= 0]))
            of, opens = mine, self._opens(far, beside, near, area, bool(station[p] <= station.min()))
            if hollow[mine].any():
                opens = "into a hollow"
            elif opens == "runs out":
                of = mine & aside
            weight = areas * of
            hidden = float(areas[mine & ~self.body.seen[facet]].sum()) / area if area > 0 else 0.0
            middle = (weight @ middles) / weight.sum()
            nearest = middles[of]
            place = nearest[int(np.argmin(np.linalg.norm(nearest - middle, axis=1)))]
            out.append(Opening(opens, place, area, hidden, on))
        return tuple(out)

    @staticmethod
    def _opens(far: float, beside: float, near: float, area: float, first: bool) -> Opens:
        """What a tool does at a patch of which so many mm2 are met from behind, from beside within, and from before;
        first: the patch is where it goes in."""
        if near <= _FEW * area and far + beside > 0.5 * area:
            return "comes out"
        if beside > _SIDE:
            return "runs out"
        return "goes in" if first or far <= _FEW * area else "opens into"

    def _ways(self, points: Floats) -> tuple[Floats, Floats]:
        """(k, 3) unit each: the feed of the stroke that works at a point, and the way to the side that it works."""
        feed, side = np.zeros_like(points), np.zeros_like(points)
        best = np.full(len(points), np.inf)
        for stroke in self.strokes:
            off = points - stroke.start
            off = off - (off @ stroke.feed)[:, None] * stroke.feed
            far = np.linalg.norm(off, axis=1)
            nearer = far < best
            best[nearer] = far[nearer]
            feed[nearer] = 0.0 if stroke.kind == "ring" else stroke.feed
            way = off / np.maximum(far, 1e-12)[:, None] * (far > 1e-9)[:, None]
            side[nearer] = 0.0 if stroke.kind == "block" else (-way if stroke.kind == "ring" else way)[nearer]
        return feed, side

    def told(
        self, openings: Sequence[Opening], first: tuple[int, int, int], then: tuple[int, int, int]
    ) -> tuple[tuple[str, ...], bool]:
        """Sentences for people, and whether the cut does only what was asked."""
        notes, sound = [], True
        for opening in openings:
            at = f"at {place_in_mm(opening.place, '.1f')}"
            of = f" ({', '.join(opening.on)})" if opening.on else ""
            meant = self.tool.through and opening.opens in ("comes out", "opens into")
            if opening.opens == "comes out":
                notes.append(f"it comes out of the far side {at}{of}, an opening of {mm2(opening.area, '.1f')}")
            elif opening.opens == "runs out":
                notes.append(f"it runs out of a side {at}{of}")
            elif opening.opens == "opens into":
                notes.append(f"it opens into another space {at}{of}, {mm2(opening.area, '.1f')} of its surface")
            elif opening.opens == "into a hollow":
                notes.append(f"it breaks into a hollow that was closed all round, {at}{of}")
            sound &= opening.opens == "goes in" or meant
            if opening.unseen > 0.01:
                notes.append(
                    f"{opening.unseen:.0%} of what it takes {at} was filled or never scanned: what is there isn't known"
                )
        if then[0] > first[0]:
            notes.append(f"it leaves the part in {then[0]} pieces, where there were {first[0]}")
            sound = False
        return tuple(notes), sound


def _add(gains: dict[Key, float], moves: Mapping[Key, Move], places: Floats, push: Floats, out_of: Floats) -> None:
    """Add what each move does to a volume whose facets, at `places` (k, 3), count `push`, areas times normals, mm2."""
    force, moment = push.sum(axis=0), np.cross(places, push).sum(axis=0)
    swell = float(np.sum(push * out_of))
    for key, move in moves.items():
        turned = moment - cross(move.about, force)
        gains[key] = gains.get(key, 0.0) + float(move.shift @ force + move.turn @ turned) + move.grow * swell


def _patches(faces: Ints) -> Ints:
    """(k,) which connected patch each of some facets (k, 3) belongs to."""
    _, corners = np.unique(faces, return_inverse=True)
    corners = corners.reshape(-1, 3)
    k, n = len(faces), int(corners.max()) + 1
    rows = np.repeat(np.arange(k), 3)
    graph = coo_array((np.ones(3 * k), (rows, k + corners.ravel())), shape=(k + n, k + n))
    _, label = connected_components(graph, directed=False)
    return np.unique(label[:k], return_inverse=True)[1].astype(np.int32)


def _pieces(vertices: Floats, faces: Ints) -> tuple[Ints, Floats]:
    """Which closed piece each facet belongs to, and each piece's volume, mm3; that of a hollow is negative."""
    piece = components(facet_neighbours(faces, len(vertices)))
    a, b, c = np.moveaxis(vertices[faces], 1, 0)
    return piece, np.bincount(piece, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0).astype(np.float64)


def _shells(faces: Ints, volume: Floats) -> tuple[int, int, int]:
    """Pieces, tunnels (genus of all) and hollows of a closed mesh, of the volumes of its shells.

    Method: Euler's formula for each of them.
    """
    euler = len(np.unique(faces)) - len(faces) // 2
    pieces, hollows = int(np.sum(volume >= 0.0)), int(np.sum(volume < 0.0))
    return pieces, len(volume) - euler // 2, hollows


def _along(feature: Feature, corners: Floats) -> tuple[float, float]:
    """Where facets (k, 3, 3) of a feature begin and end along its axis, mm from its point."""
    assert feature.direction is not None
    along = (corners.reshape(-1, 3) - feature.point) @ feature.direction
    return float(along.min()), float(along.max())


def _planned(ident: str, name: str, shape: Shape, corners: Floats, known: Uncertainty) -> Feature:
    """A face that a cut leaves, as a feature; corners (k, 3, 3) of its facets."""
    points = corners.reshape(-1, 3)
    faces = np.arange(len(points), dtype=np.int32).reshape(-1, 3)
    areas, normals = facet_areas(points, faces), facet_normals(points, faces)
    area, form = float(areas.sum()), Form(0.0, 0.0, 1.0, "none")
    assert shape.direction is not None
    if kind_of(shape).flat:
        middle = areas @ corners.mean(axis=1) / area
        point = shape.point + (middle - shape.point) - ((middle - shape.point) @ shape.direction) * shape.direction
        return Feature(ident, shape.kind, None, point, shape.direction, None, known, form, Extent(area, 0), name=name)
    along = (points - shape.point) @ shape.direction
    low, high = float(along.min()), float(along.max())
    half = 0.5 * (high - low)
    outwards = np.einsum("ij,ij->i", normals, surface_normal(shape, corners.mean(axis=1))) @ areas
    radius = shape.radius or 0.0
    arc = min(area / (2 * half * radius), 2 * np.pi) if half * radius > 0 else None
    return Feature(
        ident, shape.kind, "boss" if outwards > 0 else "bore", shape.point + 0.5 * (low + high) * shape.direction,
        shape.direction, shape.radius, known, form, Extent(area, 0, 2 * half, arc, (-half, half)), name=name,
    )  # fmt: skip
