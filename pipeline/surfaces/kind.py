"""What a kind of surface has to offer: one `Kind` a file."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry import Floats
from pipeline.surfaces.shape import PlaneCurve, Shape

SLOTS = {"u": 0, "v": 1, "w": 2, "a": 3, "b": 4, "r": 5, "h": 6, "R": 7, "t": 8}

SIZES = ("r", "h", "R")
"""The local parameters that move nothing."""

Invariance = Literal["planar", "cylindrical", "spherical", "revolute", "prismatic"]


class SituationFeature(StrEnum):
    """What stands for a surface as a datum (ISO 5459).

    >>> SituationFeature("axis") is SituationFeature.AXIS, str(SituationFeature.AXIS_POINT)
    (True, 'axis+point')
    """

    PLANE = "plane"
    AXIS = "axis"
    POINT = "point"
    AXIS_POINT = "axis+point"
    AXIS_PLANE = "axis+plane"


class Look(NamedTuple):
    """How the report shows a kind: lightness, chroma and hue (degrees) in OKLCh, and a hatch of the report's.

    lightness  0..1, and chroma 0..about 0.3
    hue        degrees
    hatch      name of one of the report's hatches
    """

    lightness: float
    chroma: float
    hue: float
    hatch: str


@dataclass(frozen=True)
class Chart:
    """A map between a surface and a plane, so that work on the surface becomes work in the plane.

    flatten: points (n, 3) -> (n, 2); lift: (n, 2) -> points (n, 3) on the surface; mm. The plane is seen from
    outside the material: what runs counter-clockwise there runs so in the plane.

    period  of the first coordinate where the surface closes on itself round an axis, else None
    """

    flatten: Callable[[Floats], Floats]
    lift: Callable[[Floats], Floats]
    period: float | None = None


@dataclass(frozen=True)
class StepSurface:
    """A surface as ISO 10303-42 has it, in plain numbers (mm, rad): what a writer of STEP files needs to make it.

    entity     "PLANE", "CYLINDRICAL_SURFACE", "CONICAL_SURFACE", "SPHERICAL_SURFACE", "TOROIDAL_SURFACE", or
               "SURFACE_OF_LINEAR_EXTRUSION" of an ELLIPSE along its axis
    location   (3,) and axis (3,), reference (3,): its AXIS2_PLACEMENT_3D
    sizes      in the order of the entity's attributes: radius; radius, semi_angle; major_radius, minor_radius;
               semi_axis_1, semi_axis_2 of the ellipse
    """

    entity: str
    location: Floats
    axis: Floats
    reference: Floats
    sizes: tuple[float, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind of surface, and all that its kind needs anywhere.

    name         as in Feature.kind
    invariance   the class of motions that leave it as it is (ISO 17450-1): a plane is "planar", a circular cylinder
                 "cylindrical", a sphere "spherical", what is turned about an axis "revolute", what is drawn along a
                 line "prismatic"
    situation    its situation feature (ISO 5459)
    ruled        whether straight lines run along it, level or inclined to its axis
    parameters   its local parameters in order: "u", "v" shifts of the point along the basis, "w" along
                 the direction, "a", "b" turns of the direction towards the basis, "r" radius, "h" half
                 angle, "R" major radius, "t" turn of the orientation about the direction
    form         what its form error is called: "flatness" (ISO 12781), "cylindricity" (ISO 12180), else "form"

    Compiled, on a packed shape s (see `surfaces.shape`); x, y, z mm:

    evaluate     (s, x, y, z, row) -> signed orthogonal distance, filling row (k,) with its derivatives by the local
                 parameters
    gradient     (s, x, y, z) -> (the same distance, and the unit normal nx, ny, nz of the surface through the point);
                 an axis or a centre itself has no way out, there the normal is of no use but finite
    begin        (points (n, 3), normals (n, 3), s) -> bool: closed-form start; normals are used as lines, their sign
                 only orients a plane. The basis need not be filled in
    sane         (s, size) -> bool: whether it is not degenerate, and not so flat that over `size` mm it is a plane
    relatives    kinds that a stretch of it may have been taken for, and
    turned       (held, points (n, 3), s) -> bool: a start from the packed shape of such a kind, False where there is
                 none and the closed form has to do

    Plain functions and figures:

    chart        (shape, near (3,)) -> Chart laid out around a point of it, lengths kept there, as seen against the
                 geometric normal
    meetings     (shape, feet (n, 3), direction (3,)) -> where lines along a unit direction meet it, as a list of steps
                 (n,) mm from the feet, nan where they don't; None: found by sphere tracing on the distance
    canonical    shape -> the same surface as features have it, signs and order of its sizes settled; None: radii are
                 made positive
    step         (shape, near (n, 3) points of what was seen) -> its surface in a STEP file; None, or where it gives
                 None: it has no face of its own there, and whoever writes says so
    from_step    a surface of a STEP file -> its shape, None where that is of another kind; None: not read from STEP
    chord_steps  into how many steps the sides of a facet are parted to find its chord error, 0 where there is none;
                 2 where chords are farthest off in the middle
    linear_start whether `begin` solves linear equations in the points alone, so that points on such a surface give that
    supple       whether it bends to anything small: no small patch tells it, and it is only tried where no other kind
                 fits
    start_along  (points (n, 3), unit axis (3,)) -> a start with that axis, None where the points make none; only an
                 axial kind has it, and need not
    section      (shape in sketch coordinates) -> the lines and circles in which it cuts the sketch's plane z = 0; ()
                 where it misses the plane or cuts it in another curve
    size         (shape) -> its sizes in words, mm and degrees
    parallel     the parameter by which surfaces differ that run everywhere equally far from it: "w" or "r"; None where
                 those are of no such kind
    one_size     whether a diameter measured on the part is its size: 2 "r"
    refit_radius whether a fit can be held to a radius "r" that the user gives
    seat         whether something sits on such faces, so that they are proposed as datums
    by_side      whether it goes by "bore" and "boss" instead of its name
    letters      what its features' numbers begin with, capital letters that no other kind has: by "bore" and "boss"
                 where it goes by these, else by its name
    also         further words for it in job files
    terms        what a shop calls it: by "bore" and "boss", a flat one by ""; what has none goes by its own name
    looks        how the report shows it: by "bore" and "boss" where it goes by these, else by its name
    code         its number in the compiled kernels, given by its place in the registry

    >>> from pipeline.surfaces import KINDS
    >>> drill = KINDS["cylinder"]
    >>> drill.called("bore"), drill.parameters, drill.axial, drill.size(Shape("cylinder", np.zeros(3), radius=5.0))
    ('bore', ('u', 'v', 'a', 'b', 'r'), True, 'D10.000')
    """

    name: str
    invariance: Invariance
    situation: SituationFeature
    ruled: bool
    parameters: tuple[str, ...]
    form: str = "form"
    evaluate: Callable[..., Any]
    gradient: Callable[..., Any]
    begin: Callable[..., Any]
    sane: Callable[..., Any]
    relatives: tuple[str, ...] = ()
    turned: Callable[..., Any] | None = None
    chart: Callable[[Shape, Floats], Chart]
    meetings: Callable[[Shape, Floats, Floats], list[Floats]] | None = None
    canonical: Callable[[Shape], Shape] | None = None
    step: Callable[[Shape, Floats], StepSurface | None] | None = None
    from_step: Callable[[StepSurface], Shape | None] | None = None
    chord_steps: int = 4
    linear_start: bool = False
    supple: bool = False
    start_along: Callable[[Floats, Floats], Shape | None] | None = None
    section: Callable[[Shape], tuple[PlaneCurve, ...]]
    size: Callable[[Shape], str]
    parallel: Literal["w", "r"] | None
    one_size: bool
    refit_radius: bool
    seat: bool
    by_side: bool = False
    also: tuple[str, ...] = ()
    terms: Mapping[str, str] = field(default_factory=dict)
    letters: Mapping[str, str]
    looks: Mapping[str, Look]
    code: int = -1

    def __post_init__(self) -> None:
        """Raises ValueError where what is declared doesn't fit together."""
        needed = [name for name in (self.parallel, "r" if self.one_size or self.refit_radius else None) if name]
        lacking = [name for name in needed if name not in self.parameters]
        if lacking:
            raise ValueError(f"The kind {self.name!r} speaks of a parameter {lacking[0]!r} that it doesn't have.")
        unknown = [name for name in self.parameters if name not in SLOTS]
        if unknown:
            raise ValueError(f"The kind {self.name!r} has a parameter {unknown[0]!r}; there are {', '.join(SLOTS)}.")
        if self.situation == SituationFeature.AXIS_PLANE and "t" not in self.parameters:
            raise ValueError(f"A {self.name} needs an orientation 't' for the plane through its axis.")
        wanted = {"bore", "boss"} if self.by_side else {self.name}
        if set(self.looks) != wanted:
            raise ValueError(f"The kind {self.name!r} needs a look for {' and for '.join(sorted(wanted))}.")
        if set(self.letters) != wanted:
            raise ValueError(f"The kind {self.name!r} needs a letter for {' and for '.join(sorted(wanted))}.")
        for letter in self.letters.values():
            if not (letter.isascii() and letter.isalpha() and letter.isupper()):
                raise ValueError(f"The kind {self.name!r} is numbered with {letter!r}, which is no capital letter.")

    @property
    def flat(self) -> bool:
        """Whether it is a plane."""
        return self.invariance == "planar"

    @property
    def spherical(self) -> bool:
        """Whether it is the same in all directions about its centre."""
        return self.invariance == "spherical"

    @property
    def cylindrical(self) -> bool:
        """Whether it is circular about an axis and the same all along it, as what a drill or a boring bar makes."""
        return self.invariance == "cylindrical"

    @property
    def axial(self) -> bool:
        """Whether it has an axis."""
        return self.invariance in ("cylindrical", "revolute", "prismatic")

    @property
    def drawn(self) -> bool:
        """Whether it is the same all along a line."""
        return self.invariance in ("planar", "cylindrical", "prismatic")

    @property
    def revolved(self) -> bool:
        """Whether its sections across its axis are circles."""
        return self.invariance in ("cylindrical", "revolute")

    @property
    def tapered(self) -> bool:
        """Whether its radius grows along its axis, by the half angle "h"."""
        return "h" in self.parameters

    @property
    def sliced(self) -> bool:
        """Whether narrow slices of it pass for cylinders, each with an axis of its own."""
        return self.axial and self.invariance != "cylindrical"

    @property
    def shifts(self) -> tuple[str, ...]:
        """The local parameters that shift its point: those of its place that the surface itself fixes."""
        return tuple(name for name in self.parameters if name in ("u", "v", "w"))

    @property
    def centred(self) -> bool:
        """Whether its point is the surface's own; else it lies where the surface was seen, in the middle of that."""
        return len(self.shifts) == 3

    @property
    def tubular(self) -> bool:
        """Whether it is a tube round an axis, as grooves and fillets are."""
        return self.revolved and self.centred

    def called(self, side: str | None) -> str:
        """What a surface of it is called whose material lies on `side`."""
        return side if self.by_side and side else self.name

    def letter(self, side: str | None) -> str:
        """What the numbers of its features begin with, whose material lies on `side`: "H" of H1."""
        return self.letters[self.called(side)]

    @property
    def slots(self) -> NDArray[np.int64]:
        """(k,) int64: the numbers that the kernels know its local parameters by, in their order."""
        return np.array([SLOTS[name] for name in self.parameters])

    def unpack(self, packed: Floats) -> Shape:
        """The shape of a packed one of this kind; see `canonical`."""
        has = self.parameters
        shape = Shape(
            self.name,
            packed[0:3].copy(),
            packed[3:6].copy() if "a" in has else None,
            float(packed[12]) if "r" in has else None,
            float(np.arctan2(packed[13], packed[14])) if "h" in has else None,
            float(packed[15]) if "R" in has else None,
            packed[16:19].copy() if "t" in has else None,
        )
        return (self.canonical or _positive)(shape)


def _positive(shape: Shape) -> Shape:
    radius, major = (None if size is None else abs(size) for size in (shape.radius, shape.major_radius))
    return Shape(shape.kind, shape.point, shape.direction, radius, shape.half_angle, major, shape.orientation)
