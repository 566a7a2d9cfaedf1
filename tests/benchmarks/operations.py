"""What a CAD kernel does with a solid, drawn at random, and the same done to the exact part.

Cuts and fused bosses are told by their tool's own signed distance; the exact part's volume after one is that before
less, or plus, an integral over the tool's box.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.fitup import Stroke
from pipeline.formats.datum_file import FeatureRecord
from pipeline.geometry import basis_of
from tests.benchmarks.solids import Distance, Held, integral

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Tool:
    """A cylinder from `point` along `direction`, mm: what is cut away or fused on."""

    what: str
    point: Floats
    direction: Floats
    radius: float
    length: float

    @property
    def stroke(self) -> Stroke:
        return Stroke("round", self.point, self.direction, self.length, self.radius)

    def distance(self, points: Floats) -> Floats:
        away = points - self.point
        along = away @ self.direction
        around = np.sqrt(np.maximum(np.einsum("ij,ij->i", away, away) - along**2, 0.0))
        return np.asarray(np.maximum(around - self.radius, np.maximum(-along, along - self.length)))

    @property
    def volume(self) -> float:
        return float(np.pi * self.radius**2 * self.length)

    def common_with(self, exact: Distance) -> float:
        """mm3 of the exact part within the tool."""
        ends = np.stack([self.point, self.point + self.length * self.direction])
        reach = self.radius * np.sqrt(np.maximum(1.0 - self.direction**2, 0.0)) + 1.0
        low, high = ends.min(axis=0) - reach, ends.max(axis=0) + reach
        return integral(lambda p: np.maximum(exact(p), self.distance(p)), low, high)


def drawn_tools(held: Held, seed: int) -> Iterator[Tool]:
    """Facings, bores, counterbores and bosses on good features, without end; only what meets the part's metal."""
    return (tool for tool in _drawn(held, seed) if 1.0 < tool.common_with(held.exact) < 0.999 * tool.volume)


def _drawn(held: Held, seed: int) -> Iterator[Tool]:
    random = np.random.default_rng(seed)
    features = [f for f in held.data.features if f.confidence == "good" and f.machined]
    planes = [f for f in features if f.kind == "plane"]
    bores = [f for f in features if f.kind == "cylinder" and f.side == "bore" and f.extent.along is not None]
    while True:
        yield _facing(planes[random.integers(len(planes))], random)
        yield _bore(bores[random.integers(len(bores))], random)
        yield _counterbore(bores[random.integers(len(bores))], random, held)
        yield _boss(planes[random.integers(len(planes))], random)


def _place(feature: FeatureRecord) -> tuple[Floats, Floats]:
    return np.array(feature.in_part_frame.point), np.array(feature.in_part_frame.direction)


def _facing(plane: FeatureRecord, random: np.random.Generator) -> Tool:
    """A round facing cut, about as large as the face, 0.3 to 2 mm deep."""
    point, normal = _place(plane)
    deep, radius = random.uniform(0.3, 2.0), random.uniform(0.4, 1.5) * np.sqrt(plane.extent.area / np.pi)
    return Tool(f"facing {plane.id}", point - deep * normal, normal, float(radius), 12.0)


def _ends(bore: FeatureRecord) -> tuple[Floats, Floats, float, float]:
    point, axis = _place(bore)
    assert bore.extent.along is not None
    return point, axis, *bore.extent.along


def _bore(bore: FeatureRecord, random: np.random.Generator) -> Tool:
    """A rebore, 0.3 to 2 mm larger in radius, over the whole length that was seen."""
    point, axis, low, high = _ends(bore)
    assert bore.radius is not None
    radius = bore.radius + random.uniform(0.3, 2.0)
    return Tool(f"bore {bore.id}", point + low * axis, axis, float(radius), high - low)


def _counterbore(bore: FeatureRecord, random: np.random.Generator, held: Held) -> Tool:
    """From the end that is in the open, 2 to 4 mm larger in radius, 1 to 5 mm deep."""
    point, axis, low, high = _ends(bore)
    assert bore.radius is not None
    u, v = basis_of(axis)
    around = bore.radius + 1.0
    ring = [np.cos(t) * u + np.sin(t) * v for t in np.linspace(0, 2 * np.pi, 12, endpoint=False)]
    open_ = [
        float(held.exact(np.array([point + (end + sense * 1.0) * axis + around * r for r in ring])).mean())
        for end, sense in ((low, -1.0), (high, 1.0))
    ]
    at, inwards = (low, axis) if open_[0] > open_[1] else (high, -axis)
    deep = random.uniform(1.0, 5.0)
    start = point + at * axis - 6.0 * inwards
    return Tool(f"counterbore {bore.id}", start, inwards, float(bore.radius + random.uniform(2.0, 4.0)), 6.0 + deep)


def _boss(plane: FeatureRecord, random: np.random.Generator) -> Tool:
    """A boss fused on near the middle of a face, rooted 2 mm deep."""
    point, normal = _place(plane)
    u, v = basis_of(normal)
    reach = 0.3 * np.sqrt(plane.extent.area)
    start = point + random.uniform(-reach, reach) * u + random.uniform(-reach, reach) * v - 2.0 * normal
    return Tool(f"boss {plane.id}", start, normal, float(random.uniform(4.0, 15.0)), float(random.uniform(6.0, 20.0)))


@dataclass(frozen=True)
class Outcome:
    """What came of one operation; volumes mm3, that of the exact part after the same one beside the solid's."""

    what: str
    valid: bool
    volume: float
    exact: float

    @property
    def off(self) -> float:
        return self.volume / self.exact - 1.0


def volume(shape: Any) -> float:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    size = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, size)
    return float(size.Mass())


def sound(shape: Any) -> bool:
    """Valid by the kernel's checker, without a free edge, of positive volume."""
    from OCP.BRepCheck import BRepCheck_Analyzer

    from pipeline.formats.solid.checks import checked

    return bool(BRepCheck_Analyzer(shape).IsValid()) and checked(shape, {}).free_edges == 0 and volume(shape) > 0


def operated(held: Held, tool: Tool, ours: bool) -> Outcome:
    """A boss is fused on, everything else cut away: by the kernel as it is, or cuts as the product makes them, with its
    tool's seams in several places and the result held against what went."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse

    from pipeline.errors import GeometryError
    from pipeline.formats.solid import NamedBody, cut_away
    from pipeline.formats.solid.cuts import stroke_tool

    common = tool.common_with(held.exact)
    if tool.what.startswith("boss"):
        result = BRepAlgoAPI_Fuse(held.body, stroke_tool(tool.stroke)).Shape()
        return Outcome(tool.what, sound(result), volume(result), held.exact_volume + tool.volume - common)
    if not ours:
        result = BRepAlgoAPI_Cut(held.body, stroke_tool(tool.stroke)).Shape()
        return Outcome(tool.what, sound(result), volume(result), held.exact_volume - common)
    try:
        result = cut_away(NamedBody(held.body, ()), tool.stroke, "cut")[0].shape
    except GeometryError:
        return Outcome(tool.what, False, 0.0, held.exact_volume - common)
    return Outcome(tool.what, sound(result), volume(result), held.exact_volume - common)


def offset_of_a_face(held: Held, bore: FeatureRecord, by: float) -> Outcome:
    """The face of a bore offset into the metal by the kernel, made a ring with it, and the ring cut away; on the exact
    part a rebore of the same length."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut
    from OCP.BRepOffset import BRepOffset_MakeSimpleOffset
    from OCP.TopoDS import TopoDS

    from pipeline.formats.solid import read_solid
    from pipeline.formats.step import label_of

    body = read_solid(held.folder / "part.step")
    face = TopoDS.Face(next(named.face for named in body.faces if named.name == label_of(bore)))
    maker = BRepOffset_MakeSimpleOffset()
    # Its outward normal looks into the bore.
    maker.Initialize(face, -by)
    maker.SetBuildSolidFlag(True)
    maker.Perform()
    result = BRepAlgoAPI_Cut(body.shape, maker.GetResultShape()).Shape()
    point, axis, low, high = _ends(bore)
    assert bore.radius is not None
    tool = Tool(f"offset {bore.id}", point + low * axis, axis, bore.radius + by, high - low)
    return Outcome(tool.what, sound(result), volume(result), held.exact_volume - tool.common_with(held.exact))


def half_of_it(held: Held, feature: FeatureRecord) -> Outcome:
    """The shell's section by a plane through an axis: the half of the solid on one side, its cut face closed."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut

    from pipeline.formats.solid.cuts import stroke_tool

    point, axis = _place(feature)
    normal = basis_of(axis)[0]
    low, high = held.bounds
    reach = float(np.linalg.norm(high - low))
    half = Stroke("block", point, normal, reach, half=(reach, reach), across=axis)
    result = BRepAlgoAPI_Cut(held.body, stroke_tool(half)).Shape()
    exact = integral(lambda p: np.maximum(held.exact(p), (p - point) @ normal), low, high)
    return Outcome(f"section through {feature.id}", sound(result), volume(result), exact)
