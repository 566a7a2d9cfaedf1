"""Made parts as what they are built of: turned profiles, prisms of outlines with arcs, raised letters, in their order.

No kernel is needed to say what a part is; `pipeline.formats.made_parts` builds it. Lengths are mm, in the part's own
coordinates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from pipeline.geometry import Floats, basis_of, cross, rigid, unit


def _own() -> Floats:
    return np.eye(4)


@dataclass(frozen=True)
class Outline:
    """A closed outline of lines and arcs, counter-clockwise.

    corners  (x, y) mm
    bulges   of the run from each corner to the next, as DXF has them: the tangent of a quarter of the arc's angle,
             above nought where it turns left; () where all runs are straight

    >>> square = Outline(((0, 0), (2, 0), (2, 2), (0, 2)))
    >>> square.area, round(circle(0, 0, 5).area, 6)
    (4.0, 78.539816)
    """

    corners: tuple[tuple[float, float], ...]
    bulges: tuple[float, ...] = ()

    @property
    def area(self) -> float:
        """mm2: of its polygon, and of the segments between its arcs and their chords."""
        p = np.array(self.corners, float)
        q = np.roll(p, -1, axis=0)
        area = 0.5 * float(np.sum(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]))
        for (a, b), bulge in zip(zip(p, q, strict=True), self.bulges, strict=False):
            if bulge:
                angle = 4.0 * np.arctan(abs(bulge))
                radius = float(np.linalg.norm(b - a)) / (2.0 * np.sin(0.5 * angle))
                area += float(np.sign(bulge)) * 0.5 * radius**2 * float(angle - np.sin(angle))
        return float(area)

    def points(self, chord: float) -> Floats:
        """(n, 2) a polygon whose sides are within `chord` mm of it, corners on it.

        >>> len(circle(0, 0, 5).points(0.01))
        50
        """
        p = np.array(self.corners, float)
        out = []
        for k, (a, b) in enumerate(zip(p, np.roll(p, -1, axis=0), strict=True)):
            bulge = self.bulges[k] if self.bulges else 0.0
            out.append(a[None] if not bulge else _arc(a, b, bulge, chord))
        return np.vstack(out)

    def mirrored(self) -> Outline:
        """Seen from behind: x turned over, still counter-clockwise.

        >>> Outline(((0, 0), (3, 0), (0, 1))).mirrored().corners
        ((0, 1), (-3, 0), (0, 0))
        """
        corners = tuple((-x if x else x, y) for x, y in reversed(self.corners))
        # Run k goes from corner k to k + 1; backwards the runs begin at the last corner but one.
        n = len(self.bulges)
        return Outline(corners, tuple(self.bulges[(n - 2 - k) % n] for k in range(n)))


def _arc(a: Floats, b: Floats, bulge: float, chord: float) -> Floats:
    angle = 4.0 * float(np.arctan(bulge))
    half = 0.5 * (b - a)
    left = np.array([-half[1], half[0]])
    centre = 0.5 * (a + b) + left / np.tan(0.5 * angle)
    radius = float(np.linalg.norm(a - centre))
    step = 2.0 * float(np.arccos(max(1.0 - chord / radius, 0.5)))
    turns = np.linspace(0.0, angle, int(np.ceil(abs(angle) / step)) + 1)[:-1]
    off = a - centre
    c, s = np.cos(turns), np.sin(turns)
    return np.asarray(centre + np.column_stack([c * off[0] - s * off[1], s * off[0] + c * off[1]]))


def circle(x: float, y: float, radius: float) -> Outline:
    """A circle as an outline of two half arcs."""
    return Outline(((x - radius, y), (x + radius, y)), (1.0, 1.0))


def around_discs(discs: Sequence[tuple[float, float, float]]) -> Outline:
    """The smallest convex outline round discs (x, y, radius), of arcs of these and the lines that touch them.

    The disc that is farthest in each direction makes the outline there: where that changes, a line touches both.

    >>> capsule = around_discs([(0, 0, 5), (20, 0, 5)])
    >>> len(capsule.corners), round(capsule.area, 3)
    (4, 278.54)
    """
    at = np.array(discs, float)
    ways = np.linspace(0.0, 2.0 * np.pi, 7200, endpoint=False)
    far = at[:, 2] + np.column_stack([np.cos(ways), np.sin(ways)]) @ at[:, :2].T
    # Of equal ones the first, so that one disc within another can't flicker.
    order = np.argmax(far > far.max(axis=1, keepdims=True) - 1e-9, axis=1)
    runs = [int(order[k]) for k in range(len(order)) if order[k] != order[k - 1]]
    if len(runs) < 2:
        return circle(*at[order[0]].tolist())
    corners: list[tuple[float, float]] = []
    bulges: list[float] = []
    normals = []
    for one, other in zip(runs, [*runs[1:], runs[0]], strict=True):
        gap = at[other, :2] - at[one, :2]
        length = float(np.linalg.norm(gap))
        along = gap / length
        lean = (at[one, 2] - at[other, 2]) / length
        # Unit normal of the line that touches both on their right as one goes round.
        right = np.array([along[1], -along[0]])
        normals.append(lean * along + np.sqrt(1.0 - lean * lean) * right)
    for k, disc in enumerate(runs):
        before, after = normals[k - 1], normals[k]
        x, y, r = at[disc]
        angle = float(np.arctan2(before[0] * after[1] - before[1] * after[0], before @ after)) % (2.0 * np.pi)
        corners += [
            (float(x + r * before[0]), float(y + r * before[1])),
            (float(x + r * after[0]), float(y + r * after[1])),
        ]
        bulges += [float(np.tan(0.25 * angle)), 0.0]
    return Outline(tuple(corners), tuple(bulges))


@dataclass(frozen=True)
class Prism:
    """An outline, less holes in it, from `low` to `high` along z of `place` (4, 4).

    >>> round(volume_of(Prism(circle(0, 0, 5), 0, 10, (circle(0, 0, 2),))) / np.pi, 9)
    210.0
    """

    outline: Outline
    low: float
    high: float
    holes: tuple[Outline, ...] = ()
    place: Floats = field(default_factory=_own)


@dataclass(frozen=True)
class Turned:
    """What a closed polygon of (station, radius) sweeps about z of `place` (4, 4); stations along z, radii from nought.

    names  of the faces, one for the run from each corner to the next; () for none of their own
    """

    profile: tuple[tuple[float, float], ...]
    place: Floats = field(default_factory=_own)
    names: tuple[str, ...] = ()


@dataclass(frozen=True)
class Lettering:
    """A line of raised text in the middle of z = 0 of `place` (4, 4), read along x, that rises `height` mm; letters are
    `size` mm high.
    """

    text: str
    size: float
    height: float
    place: Floats = field(default_factory=_own)


Solid = Prism | Turned | Lettering


@dataclass(frozen=True)
class Step:
    """A solid that is added to what is there, or taken from it. Faces are called by its name: of a prism "NAME top",
    "NAME bottom" and "NAME side", of a turned one by its names, all the same without."""

    how: Literal["add", "take"]
    solid: Solid
    name: str


def frame(point: Floats, direction: Floats, across: Floats | None = None) -> Floats:
    """(4, 4) whose origin is a point (3,) and whose z a direction (3,); x as near to `across` (3,) as may be.

    >>> frame(np.zeros(3), np.array([0.0, 0, 2]), np.array([1.0, 0, 1]))[:3, 0].tolist()
    [1.0, 0.0, 0.0]
    """
    z = unit(np.asarray(direction, float))
    x = basis_of(z)[0] if across is None else unit(across - (across @ z) * z)
    return rigid(np.column_stack([x, cross(z, x), z]), np.asarray(point, float))


def cylinder(point: Floats, direction: Floats, radius: float, length: float, name: str = "") -> Turned:
    """A cylinder from a point (3,) along a direction (3,); its faces are "NAME bottom", "NAME side" and "NAME top".

    >>> round(volume_of(cylinder(np.zeros(3), np.array([0.0, 0, 1]), 5.0, 20.0)), 6)
    1570.796327
    """
    profile = ((0.0, 0.0), (length, 0.0), (length, radius), (0.0, radius))
    names = ("", f"{name} top", f"{name} side", f"{name} bottom") if name else ()
    return Turned(profile, frame(point, direction), names)


def volume_of(solid: Prism | Turned) -> float:
    """mm3 in closed form: an area times its height, or by the theorem of Pappus.

    >>> cone = Turned(((0.0, 0.0), (12.0, 0.0), (0.0, 5.0)))
    >>> round(volume_of(cone) / np.pi, 9)
    100.0
    """
    if isinstance(solid, Prism):
        return (solid.outline.area - sum(hole.area for hole in solid.holes)) * (solid.high - solid.low)
    total = 0.0
    for (z, r), (w, s) in pairwise((*solid.profile, solid.profile[0])):
        # Of the cone that each run sweeps, signed: frustums add up to what is between them.
        total += (z - w) * (r * r + r * s + s * s) * np.pi / 3.0
    return abs(float(total))


_OVER = np.diag([-1.0, 1.0, 1.0, 1.0])


def mirrored(steps: Sequence[Step]) -> tuple[Step, ...]:
    """The steps of the part's mirror image, x turned over; letters stay readable.

    >>> step = Step("add", cylinder(np.array([7.0, 0, 0]), np.array([0.0, 0, 1]), 2.0, 5.0), "boss")
    >>> mirrored([step])[0].solid.place[:3, 3].tolist()
    [-7.0, 0.0, 0.0]
    """
    out = []
    for step in steps:
        solid = step.solid
        # Turned over on both sides the frame stays right-handed; its own x goes the other way.
        place = _OVER @ solid.place @ _OVER
        if isinstance(solid, Prism):
            turned_over = tuple(hole.mirrored() for hole in solid.holes)
            out.append(
                replace(step, solid=replace(solid, outline=solid.outline.mirrored(), holes=turned_over, place=place))
            )
        else:
            out.append(replace(step, solid=replace(solid, place=place)))
    return tuple(out)
