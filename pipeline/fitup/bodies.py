"""Parts as fit-up sees them: a surface, the features on it, and how well each place of it is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.features.uncertainty import without_scale
from pipeline.fitup.items import Key, Move, moves_of
from pipeline.fitup.placing import Pose
from pipeline.geometry import Floats, Ints, Longs, Mask, cross, transformed, turned, undone
from pipeline.mesh.query import FacetTree, Scene, facet_tree
from pipeline.mesh.topology import facet_neighbours
from pipeline.surfaces import Shape, kind_of, shape_of
from pipeline.values import MEASURED, SNAPPED, Feature, Flange, Surface

# Of a facet: a cut leaves it, as planned.
PLANNED = 4
BY_HAND = "measured by hand"  # begins what is said of a size that no scan told


@dataclass(frozen=True)
class Body:
    """A part in its own coordinates, mm.

    name      the layout's
    surface   its facets; origins beyond those of a scan: never seen
    labels    (m,) which of `features` each facet belongs to, -1 none
    features  in part coordinates; those of a part that is made from figures are exact
    names     the user's names, as a job has them
    skin      standard uncertainty of a place on no feature, mm; None: told from how its facets scatter there
    noise     of a scan's points, mm, standard, and their spacing, mm; nought of what was not scanned
    bound     mm by which its facets may be off what was measured, at most
    closed    whether the surface bounds a solid
    sharp     whether its edges between features are as sharp as they will be
    edges     the part before any cut, its edges as facets have them and sharp; None: they are known
    scale     relative standard uncertainty of its scan's scale, 0 where its job gives none; None: it was never scanned
    solid     a STEP file of its exact solid; exact: that solid as cuts have left it, None: as in the file
    flanges   faces with their outlines and holes, as a run has recovered them; matrix part coordinates -> sketch
    planned   by number, the moves of features that cuts make: those of what they were laid out from
    datums    by letter, the words for what a run took for that datum
    uncut     what its last cut is called, and the part before that; None: no cut was made
    """

    name: str
    surface: Surface
    labels: Ints
    features: tuple[Feature, ...]
    names: Mapping[str, str] = field(default_factory=dict)
    skin: float | None = None
    noise: float = 0.0
    spacing: float = 0.0
    bound: float = 0.0
    closed: bool = True
    sharp: bool = True
    edges: tuple[Surface, Surface] | None = None
    scale: float | None = None
    solid: Path | None = None
    exact: Any = None
    flanges: tuple[Flange, ...] = ()
    planned: Mapping[str, Mapping[Key, Move]] = field(default_factory=dict)
    datums: Mapping[str, str] = field(default_factory=dict)
    uncut: tuple[str, Body] | None = None

    @cached_property
    def seen(self) -> Mask:
        """(m,) which facets were measured, or will be as planned."""
        return np.isin(self.surface.origin, (MEASURED, SNAPPED, PLANNED))

    @cached_property
    def neighbours(self) -> Ints:
        """(m, 3) the facet across each edge; below nought where there is none."""
        return facet_neighbours(self.surface.faces, len(self.surface.vertices))

    @cached_property
    def scene(self) -> Scene:
        """To send rays through it, in its own coordinates."""
        return Scene(self.surface)

    @property
    def next_planned(self) -> int:
        """What the next face that a cut leaves is counted as."""
        return 1 + sum(feature.id.startswith("P") for feature in self.features)

    def index_of(self, ident: str) -> int:
        """Which of `features` goes by a number."""
        return next(k for k, feature in enumerate(self.features) if feature.id == ident)

    def moves_of(self, k: int) -> dict[Key, Move]:
        """The moves of feature k, by keys of their own; {} of one that nothing can be said of, see `unsure_of`."""
        feature = self.features[k]
        known = feature.uncertainty
        if self.unsure_of(k):
            return {}
        if feature.id in self.planned:
            return dict(self.planned[feature.id])
        position, direction = known.position or 0.0, known.direction
        # Of the radius too the scale moves all of a part alike.
        radius = without_scale(known.radius, feature.radius or 0.0, self.scale or 0.0)
        flat = kind_of(feature).flat
        moves = moves_of(feature.point, feature.direction, flat, (position, direction, radius))
        return {(self.name, feature.id, name): move for name, move in moves.items()}

    def unsure_of(self, k: int) -> str:
        """Why nothing can be said of how well feature k is known; "" where something can."""
        feature = self.features[k]
        if feature.confidence != "good":
            return f"{self.name}: {feature.id} is of low confidence"
        if feature.uncertainty.position is None:
            return f"{self.name}: the uncertainty of {feature.id} can't be vouched for"
        return ""


@dataclass(frozen=True)
class Placed:
    """A part where it stands."""

    body: Body
    pose: Pose

    @cached_property
    def vertices(self) -> Floats:
        """(n, 3) mm."""
        return transformed(self.pose.matrix, self.body.surface.vertices)

    @cached_property
    def piece_corners(self) -> Floats:
        """(k, 3) mm, one corner of each connected piece."""
        faces, n = self.body.surface.faces, len(self.vertices)
        ends = faces[:, [0, 1]].ravel(), faces[:, [1, 2]].ravel()
        _, piece = connected_components(coo_array((np.ones(len(ends[0]), bool), ends), shape=(n, n)), directed=False)
        used = np.unique(faces)
        return self.vertices[used[np.unique(piece[used], return_index=True)[1]]]

    @cached_property
    def tree(self) -> FacetTree:
        """Of all facets."""
        return facet_tree(self.vertices, self.body.surface.faces)

    @cached_property
    def scene(self) -> Scene:
        """To ask which points lie inside, and how deep."""
        return Scene(Surface(self.vertices, self.body.surface.faces, self.body.surface.origin))

    def part(self, chosen: Mask) -> tuple[FacetTree, Longs] | None:
        """The tree of chosen facets, (m,) bool, and which facets these are; None where there are none."""
        at = np.flatnonzero(chosen)
        return (facet_tree(self.vertices, self.body.surface.faces[at]), at) if len(at) else None

    def shape(self, k: int) -> Shape:
        """The surface of feature k where it stands."""
        own = shape_of(self.body.features[k])
        return Shape(
            own.kind,
            transformed(self.pose.matrix, own.point),
            None if own.direction is None else turned(self.pose.matrix, own.direction),
            own.radius,
            own.half_angle,
            own.major_radius,
            None if own.orientation is None else turned(self.pose.matrix, own.orientation),
        )

    def gains(self, place: Floats, along: Floats) -> dict[Key, float]:
        """By key, mm by which a place (3,) goes along a unit direction with one standard uncertainty of the placing,
        or of its scan's scale."""
        gains = {key: float(along @ (m[:3] + cross(m[3:], place))) for key, m in self.pose.moves.items()}
        if self.body.scale:
            own = transformed(undone(self.pose.matrix), place)
            key = scale_key(self.body)
            gains[key] = gains.get(key, 0.0) + self.body.scale * float(along @ turned(self.pose.matrix, own))
        return gains

    def gains_on(self, k: int, place: Floats, along: Floats) -> dict[Key, float]:
        """The same of feature k itself, the part held where it stands."""
        own = transformed(undone(self.pose.matrix), place)
        out_of = _outwards(self.shape(k), place)
        moves = self.body.moves_of(k).items()
        return {
            key: float(along @ (turned(self.pose.matrix, move.at(own)) + move.grow * out_of)) for key, move in moves
        }


def lacking(parts: Mapping[str, Placed]) -> str:
    """A sentence that says what the uncertainties of placed parts don't hold.

    >>> lacking({})
    'Not in it: temperature (sizes hold at 20 C, ISO 1), what clamping and screws bend.'
    """
    unknown = [name for name, part in parts.items() if part.body.scale == 0.0]
    scale = f"the scale of the scan of {', '.join(unknown)} (its job gives no [read] scale_uncertainty), "
    return (
        f"Not in it: {scale if unknown else ''}temperature (sizes hold at 20 C, ISO 1), what clamping and screws bend."
    )


def scale_key(body: Body) -> Key:
    """Of the scale of a part's scan, by which all of the part grows from its origin on."""
    return (body.name, "scale of its scan")


def _outwards(shape: Shape, place: Floats) -> Floats:
    """(3,) unit, away from the axis or centre of a surface at a place; nought of a plane."""
    if kind_of(shape).flat:
        return np.zeros(3)
    off = place - shape.point
    if shape.direction is not None:
        off = off - (off @ shape.direction) * shape.direction
    length = float(np.linalg.norm(off))
    return off / length if length > 1e-9 else np.zeros(3)
