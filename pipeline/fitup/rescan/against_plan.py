"""What was cut, held against what was planned.

The rescan is laid on what no cut was to touch, by features, and by skin if the part was scanned before (`place`);
planned faces have no part in that.
Then each planned face is held against the feature that the rescan shows there: how far off, how inclined, how much
larger, each with what noise, fits, the pose and the datums of the plan may make of it. Whether it is off the plan is
told for all faces together (Holm 1979).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import erfc

from pipeline.coverage import SINGLE
from pipeline.features.joining import Joined, Misfit, misfit
from pipeline.features.uncertainty import LEVEL, holm
from pipeline.fitup import Body
from pipeline.fitup.rescan.place import place
from pipeline.geometry import Floats, Mask, transformed, turned
from pipeline.lengths import mm
from pipeline.mesh.query import Scene as Facets
from pipeline.mesh.query import spread_points
from pipeline.mesh.topology import facet_areas, facet_normals
from pipeline.surfaces import Shape, kind_of, shape_of, signed_distance, surface_normal
from pipeline.values import Feature, Surface

_NEAR = 2.0  # mm from its planned face, within which a face is taken for that
_SPOTS = 2000  # points that stand for a face
_LEAST = 0.2  # share of a planned face that must be seen
_ALIKE = np.cos(np.radians(10.0))  # between the directions of a planned face and of what is there
Verdict = Literal["as planned", "off the plan", "not found", "can't be said"]


@dataclass(frozen=True)
class HeldFace:
    """A planned face, and what is there.

    number    of the planned face, and its name
    found     number of the rescan's feature; None where it shows none
    seen      share of the planned face that this shows
    off       mm: of a plane along its normal, metal left standing positive; of an axis or centre across it
    tilt      rad
    size      mm by which the diameter is larger than planned; None of a plane
    expanded  95 % of off, tilt and size
    verdict   for all planned faces together; why: in words
    """

    number: str
    name: str
    found: str | None
    seen: float
    off: float
    tilt: float
    size: float | None
    expanded: tuple[float, float, float | None]
    verdict: Verdict
    why: str


@dataclass(frozen=True)
class MovedFeature:
    """A feature that no cut was to touch, and that doesn't lie where the others put it.

    number  in the plan, and in the rescan; off mm, tilt rad; expanded: 95 % of both
    """

    number: str
    found: str
    off: float
    tilt: float
    expanded: tuple[float, float]


@dataclass(frozen=True)
class AgainstPlan:
    """A rescan held against a plan.

    joined  how the rescan lies: its motion into the plan's coordinates, and what that was taken from
    by      numbers of the features that it was taken from, in the plan
    faces   the planned ones
    moved   of those that no cut was to touch
    """

    joined: Joined
    by: tuple[str, ...]
    faces: tuple[HeldFace, ...]
    moved: tuple[MovedFeature, ...]

    @property
    def held(self) -> bool:
        """Whether all is there, as planned, and nothing has moved."""
        return all(face.verdict == "as planned" for face in self.faces) and not self.moved


def against_plan(plan: Body, rescan: Body) -> AgainstPlan:
    """Hold a rescan, in coordinates of its own, against a part as cuts should have left it.

    Raises InputError where the rescan can't be laid on the plan, or in more than one way.

    >>> from pipeline.fitup import plate_body
    >>> from pipeline.layout import Plate
    >>> holes = [{"at": (20, 0), "diameter": 9}, {"at": (-15, 8), "diameter": 6}]
    >>> wall = plate_body("wall", Plate(size=(60, 40), thickness=8, holes=holes), 0.02)
    >>> found = against_plan(wall, wall)
    >>> found.held, len(found.by), found.joined.motion.round(6).diagonal().tolist()
    (True, 8, [1.0, 1.0, 1.0, 1.0])
    """
    joined = place(plan, rescan)
    held = list(_held(plan, rescan, joined))
    counted = iter(holm([chance for _, chances in held for chance in chances]))
    faces = tuple(_judged(face, [float(next(counted)) for _ in chances]) for face, chances in held)
    return AgainstPlan(
        joined,
        tuple(plan.features[one.pair[0]].id for one in joined.used),
        faces,
        tuple(_moved(plan, rescan, one) for one in joined.apart),
    )


def _held(plan: Body, rescan: Body, joined: Joined) -> Iterator[tuple[HeldFace, tuple[float, ...]]]:
    """Each planned face with what is there, and by what chance noise alone would make that of it."""
    features = [_Spread.over(rescan, rescan.labels == j, _SPOTS) for j in range(len(rescan.features))]
    skin = rescan.labels < 0
    area = float(facet_areas(rescan.surface.vertices, rescan.surface.faces[skin & rescan.seen]).sum())
    loose = _Spread.over(rescan, skin & rescan.seen, int(np.clip(4.0 * area, _SPOTS, 40 * _SPOTS)))
    for k, feature in enumerate(plan.features):
        mine = plan.labels == k
        if feature.id not in plan.planned or not mine.any():
            continue
        name = feature.name or ""
        patch = _Patch(plan, mine)
        j, seen = _there(feature, patch, rescan, features, joined.motion)
        if j is None:
            bare, about = _bare(shape_of(feature), patch, loose, joined.motion)
            words = f"less than {_LEAST:.0%} of it is there within {mm(_NEAR, 'g')}: not made, or not scanned"
            verdict: Verdict = "not found"
            if bare >= _LEAST:
                verdict, seen = "can't be said", bare
                words = (
                    f"too little or too rough to be a feature of the scan; its facets lie about {mm(about, '+.2f')} off"
                )
            yield HeldFace(feature.id, name, None, seen, 0.0, 0.0, None, (0.0, 0.0, None), verdict, words), ()
            continue
        there = rescan.features[j]
        off = misfit(feature, there, joined)
        size, within, chances = None, None, [off.chance]
        if feature.radius is not None and there.radius is not None and not kind_of(feature).tapered:
            size = 2.0 * (there.radius - feature.radius)
            sure = np.hypot(there.uncertainty.radius or 0.0, feature.uncertainty.radius or 0.0)
            within = float(2.0 * SINGLE * sure)
            chances.append(float(erfc(abs(size) / max(2.0 * sure, 1e-12) / np.sqrt(2.0))))
        unsure = plan.unsure_of(k) or rescan.unsure_of(j)
        face = HeldFace(
            feature.id, name, there.id, seen, off.off, off.tilt, size, (*off.expanded, within),
            "can't be said" if unsure else "as planned", unsure,
        )  # fmt: skip
        yield face, () if unsure else tuple(chances)


@dataclass(frozen=True)
class _Spread:
    """Points (n, 3) mm evenly over some facets of a rescan that were measured, the facets' normals (n, 3) there, and
    the area of all of those facets, mm2."""

    points: Floats
    normals: Floats
    area: float

    @classmethod
    def over(cls, body: Body, chosen: Mask, count: int) -> _Spread:
        vertices, faces = body.surface.vertices, body.surface.faces
        seen = faces[chosen & body.seen]
        points, facet = spread_points(vertices, seen, count)
        area = float(facet_areas(vertices, faces[chosen]).sum())
        return cls(points, facet_normals(vertices, seen)[facet], area)


class _Patch:
    """A planned face: how far it is, its area in mm2, and its outward normals."""

    def __init__(self, plan: Body, mine: Mask) -> None:
        surface = plan.surface
        self._scene = Facets(Surface(surface.vertices, surface.faces[mine], surface.origin[mine]))
        self._normals = facet_normals(surface.vertices, surface.faces[mine])
        self.area = float(facet_areas(surface.vertices, surface.faces[mine]).sum())

    def near(self, points: Floats) -> Mask:
        """(n,) which points (n, 3) are."""
        return self._scene.distance(points) < _NEAR

    def normals(self, points: Floats) -> Floats:
        """(n, 3) where points (n, 3) are nearest to it."""
        return self._normals[self._scene.closest(points)[1]]


def _bare(shape: Shape, patch: _Patch, loose: _Spread, motion: Floats) -> tuple[float, float]:
    """What share of a planned face the rescan shows as skin, and how far this lies off it, mm, the middle one."""
    points, normals = transformed(motion, loose.points), turned(motion, loose.normals)
    near = patch.near(points) if len(points) else np.zeros(0, bool)
    if not near.any():
        return 0.0, 0.0
    points, outwards = points[near], patch.normals(points[near])
    alike = np.einsum("ij,ij->i", outwards, normals[near]) > _ALIKE
    if not alike.any():
        return 0.0, 0.0
    at, outwards = points[alike], outwards[alike]
    off = signed_distance(shape, at) * np.sign(np.einsum("ij,ij->i", surface_normal(shape, at), outwards))
    return min(1.0, loose.area / len(near) * len(at) / patch.area), float(np.median(off))


def _there(
    planned: Feature, patch: _Patch, rescan: Body, features: list[_Spread], motion: Floats
) -> tuple[int | None, float]:
    """Which feature of the rescan lies where a planned face was to be, and what share of that it shows."""
    best, most = None, 0.0
    for j, (other, spread) in enumerate(zip(rescan.features, features, strict=True)):
        if not _may_be(planned, other, motion) or not len(spread.points):
            continue
        seen = float(np.mean(patch.near(transformed(motion, spread.points)))) * spread.area / patch.area
        if seen > most:
            best, most = j, seen
    return (best if most >= _LEAST else None), min(most, 1.0)


def _may_be(planned: Feature, other: Feature, motion: Floats) -> bool:
    if (planned.kind, planned.side) != (other.kind, other.side):
        return False
    if planned.direction is None or other.direction is None:
        return True
    cosine = float(planned.direction @ turned(motion, other.direction))
    return (cosine if kind_of(planned).flat else abs(cosine)) > _ALIKE


def _judged(face: HeldFace, chances: list[float]) -> HeldFace:
    """The face with what counts of it among all of them in words."""
    if face.verdict != "as planned" or not chances:
        return face
    told = []
    if chances[0] <= LEVEL:
        told.append(_off_in_words(face))
    if len(chances) > 1 and chances[1] <= LEVEL and face.size is not None:
        told.append(
            f"its diameter {mm(abs(face.size), '.3f')} too {'large' if face.size > 0 else 'small'}, "
            f"+-{mm(face.expanded[2] or 0.0, '.3f')} (95 %)"
        )
    return replace(face, verdict="off the plan", why="; ".join(told)) if told else face


def _off_in_words(face: HeldFace) -> str:
    """Where and how it lies, of which at least one stands out."""
    shift, tilt, _ = face.expanded
    words = []
    if abs(face.off) > shift:
        words.append(f"{mm(abs(face.off), '.3f')} off, +-{mm(shift, '.3f')} (95 %)")
    if face.tilt > tilt or not words:
        words.append(f"inclined by {np.degrees(face.tilt):.3f} degrees, +-{np.degrees(tilt):.3f} (95 %)")
    return "; ".join(words)


def _moved(plan: Body, rescan: Body, one: Misfit) -> MovedFeature:
    i, j = one.pair
    return MovedFeature(plan.features[i].id, rescan.features[j].id, one.off, one.tilt, one.expanded)
