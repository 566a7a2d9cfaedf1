"""The layout file of fit-up: which parts there are, what of each lies on what of another, and what is asked of them.

TOML as the job file is; lengths in mm. "PART: WORDS" means what the words of a datum mean on that part.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from pipeline.job import FilePath, Positive, Row, is_rigid
from pipeline.making import MakeQuestion
from pipeline.places import Extent, Finite, Length, Place, Size
from pipeline.settings_file import Settings, checked, plain_toml

_SECTION = re.compile(r"section-\d+")  # what drawings of sections are called
_FAR = 1e6  # mm, of a matrix


class PlaceLine(Settings):
    """One line of a placing: what of the part (axis, face or point) comes to what of another part.

    way              "same" or "opposed": how both directions look; of faces opposed, of axes the same, unless told
    gap              mm between the two faces, or along the target's axis; gap_uncertainty: standard, mm
    turn             degrees from the target's direction to the part's, about the axis that the lines before leave; it
                     holds no place then; turn_uncertainty: standard, degrees
    """

    axis: str | None = None
    face: str | None = None
    point: str | None = None
    on: str
    way: Literal["same", "opposed"] | None = None
    gap: Finite = 0.0
    gap_uncertainty: Extent = 0.0
    turn: Finite | None = None
    turn_uncertainty: Extent = 0.0

    @model_validator(mode="after")
    def _one(self) -> PlaceLine:
        if sum(words is not None for words in (self.axis, self.face, self.point)) != 1:
            raise ValueError('a line needs one of axis = "...", face = "..." and point = "..."')
        if self.axis is not None and self.gap:
            raise ValueError("a gap is between faces; say it in a line with face")
        if self.turn is not None and (self.point is not None or self.gap or self.gap_uncertainty):
            raise ValueError(
                "a line with a turn only turns an axis or a face; say the gap, or the point, in another line"
            )
        if self.turn is None and self.turn_uncertainty:
            raise ValueError("turn_uncertainty is that of a turn; give the turn as well, 0 if it is none")
        return self

    @property
    def own(self) -> str:
        """The words for what of the part it is."""
        return self.axis or self.face or self.point or ""

    @property
    def is_opposed(self) -> bool:
        """Whether both directions come to look at each other."""
        return self.way == "opposed" if self.way is not None else self.face is not None

    @property
    def what(self) -> str:
        """Which of "axis", "face" and "point" it is."""
        return "axis" if self.axis is not None else "face" if self.face is not None else "point"

    @property
    def words(self) -> str:
        """The line as an error names it."""
        return f"{self.what} {self.own!r} on {self.on!r}"


class PlateHole(Settings):
    """A round hole through a plate, or `count` of them on a pitch circle about its origin, from `start` degrees on from
    x, counter-clockwise as one looks at its top."""

    at: tuple[Finite, Finite] | None = None
    diameter: Size
    pitch_circle: Size | None = None
    count: Annotated[int, Field(ge=1, le=360)] | None = None
    start: Finite = 0.0

    @model_validator(mode="after")
    def _where(self) -> PlateHole:
        if (self.at is None) == (self.pitch_circle is None) or (self.pitch_circle is None) != (self.count is None):
            raise ValueError("a hole of a plate stands at = [x, y], or has pitch_circle and count")
        return self

    @property
    def places(self) -> list[tuple[float, float]]:
        """mm, of each hole."""
        if self.at is not None:
            return [self.at]
        assert self.pitch_circle is not None
        turns = [math.radians(self.start) + math.tau * k / (self.count or 1) for k in range(self.count or 1)]
        return [(self.pitch_circle / 2 * math.cos(turn), self.pitch_circle / 2 * math.sin(turn)) for turn in turns]


class Plate(Settings):
    """A flat plate of a thickness along z from its origin on.

    size      along x and y, mm, its origin in the middle; diameter: of a disc
    outline   [x, y] mm of its corners, in their order
    """

    size: tuple[Size, Size] | None = None
    diameter: Size | None = None
    outline: tuple[tuple[Finite, Finite], ...] | None = None
    thickness: Size
    holes: tuple[PlateHole, ...] = ()

    @model_validator(mode="after")
    def _one(self) -> Plate:
        if sum(each is not None for each in (self.size, self.diameter, self.outline)) != 1:
            raise ValueError("a plate has one of size = [x, y], diameter = ... and outline = [[x, y], ...]")
        if self.outline is not None and len(self.outline) < 3:
            raise ValueError("the outline of a plate has three corners at least")
        return self


class Part(Settings):
    """A part: the folder of a run, a mesh or STEP file, or one that is turned from figures, or a flat plate.

    turned       [station, diameter] mm along its axis, from the start on: two of one station make a shoulder
    uncertainty  standard, mm, of every place of a part that no run tells it of
    units        of a mesh file
    at           4x4, row by row: where it stands before its lines; rigid
    place        its lines in their order; the first part stands as it is
    """

    run: FilePath | None = None
    file: FilePath | None = None
    turned: tuple[tuple[Finite, Size], ...] | None = None
    plate: Plate | None = None
    uncertainty: Extent | None = None
    units: Literal["auto", "mm", "cm", "m", "in"] = "auto"
    at: tuple[Row, Row, Row, Row] | None = None
    place: tuple[PlaceLine, ...] = ()

    @model_validator(mode="after")
    def _one(self) -> Part:
        if sum(source is not None for source in (self.run, self.file, self.turned, self.plate)) != 1:
            raise ValueError(
                'a part needs one of run = "FOLDER", file = "FILE", turned = [[station, diameter], ...] and '
                "plate = { size = [x, y], thickness = ... }"
            )
        if self.run is not None and self.uncertainty is not None:
            raise ValueError("a run tells its own uncertainty; leave it out")
        if self.run is None and self.uncertainty is None:
            raise ValueError("a part that no run tells of needs its uncertainty, standard, in mm")
        if self.at is not None and not all(abs(value) <= _FAR for row in self.at for value in row):
            raise ValueError(f"the matrix at has figures that are none, or beyond {_FAR:,.0f}; write all sixteen")
        if self.at is not None and not is_rigid(self.at):
            raise ValueError("the matrix at is no rigid motion, four rows whose last is [0, 0, 0, 1]")
        if self.turned is not None:
            stations = [station for station, _ in self.turned]
            if len(stations) < 2 or stations != sorted(stations) or stations[0] == stations[-1]:
                raise ValueError("a turned part needs stations that rise, two at least")
        return self


class ClearanceQuestion(Settings):
    """Whether two parts keep `least` mm between them."""

    between: tuple[str, str]
    least: Extent = 0.0


class Facing(Settings):
    """Metal faced off down to a plane parallel to a face.

    face   words for a face of the part, or "PART: WORDS" for one of another part where that stands
    take   mm, or "0.1 in", below it; leave: that are left standing above it; down to the face itself without both
    all    everything that stands beyond that plane, not only what stands on the face
    """

    face: str
    take: Length | None = None
    leave: Length | None = None
    all: bool = False

    @model_validator(mode="after")
    def _one(self) -> Facing:
        if self.take is not None and self.leave is not None:
            raise ValueError("a facing goes below its face (take) or stops above it (leave), not both")
        return self

    @property
    def level(self) -> float:
        """mm above the face."""
        return (0.0 if self.leave is None else self.leave.mm) - (0.0 if self.take is None else self.take.mm)


class Reach(Settings):
    """How far a cut goes: from a face on, `depth` mm deep, `to` another face, or `through` the whole part."""

    face: str | None = None
    depth: Length | None = None
    to: str | None = None
    through: bool = False

    @model_validator(mode="after")
    def _ends(self) -> Reach:
        if sum((self.depth is not None, self.to is not None, self.through)) != 1:
            raise ValueError("a cut ends in one way: depth = ..., to = ... (a face), or through = true")
        if self.face is None and not self.through:
            raise ValueError("a cut that isn't through needs the face that it starts at: face = ...")
        return self


class Bore(Reach):
    """A bore on an axis, of a diameter in mm or "2.5 in"."""

    axis: str
    diameter: Length


class Holes(Reach):
    """Holes of one diameter, square to `face`: on the part's places `at`, or `count` of them on a pitch circle about an
    axis, `start` degrees from the part's x (from y where the face looks along x), counter-clockwise as one looks at the
    face."""

    diameter: Length
    at: tuple[Place, ...] = ()
    centre: str | None = None
    pitch_circle: Length | None = None
    count: Annotated[int, Field(ge=1, le=360)] | None = None
    start: Finite = 0.0

    @model_validator(mode="after")
    def _where(self) -> Holes:
        ring = [self.centre is not None, self.pitch_circle is not None, self.count is not None]
        if self.face is None:
            raise ValueError("holes need the face that they are square to: face = ...")
        if bool(self.at) == any(ring) or any(ring) != all(ring):
            raise ValueError("holes stand at places (at = [[x, y, z], ...]), or have centre, pitch_circle and count")
        return self


class Slot(Reach):
    """A slot with round ends, cut square to `face`: from the place `start` to the place `end` of a cutter's middle."""

    start: Place
    end: Place
    width: Length

    @model_validator(mode="after")
    def _on(self) -> Slot:
        if self.face is None:
            raise ValueError("a slot needs the face that it is cut into: face = ...")
        return self


class Pocket(Reach):
    """A pocket, cut square to `face`: its middle, its length along an axis of the part, its width, the radius of its
    corners."""

    at: Place
    along: str
    length: Length
    width: Length
    corner: Length | None = None

    @model_validator(mode="after")
    def _on(self) -> Pocket:
        if self.face is None:
            raise ValueError("a pocket needs the face that it is cut into: face = ...")
        if self.corner is not None and 2 * self.corner.mm > min(self.length.mm, self.width.mm):
            raise ValueError("the corners of a pocket are larger than the pocket; a smaller radius")
        return self


class CutQuestion(Settings):
    """A cut into a part, and what wall it must leave; cuts are made in their order.

    name         what its faces are called; "cut 1" and so on, unless told
    counterbore  as a bore
    turning      outside down to a diameter
    wall         mm that must be left behind its faces; asked only where it is given
    density      g/cm3 of the part, for the mass that goes
    """

    part: str
    name: str | None = None
    facing: Facing | None = None
    bore: Bore | None = None
    counterbore: Bore | None = None
    holes: Holes | None = None
    slot: Slot | None = None
    pocket: Pocket | None = None
    turning: Bore | None = None
    wall: Length | None = None
    density: Positive | None = None

    @model_validator(mode="after")
    def _one(self) -> CutQuestion:
        if sum(getattr(self, kind) is not None for kind in CUTS) != 1:
            raise ValueError(f"a cut is one of {', '.join(CUTS)}")
        return self

    @property
    def what(self) -> str:
        """Which of CUTS it is."""
        return next(kind for kind in CUTS if getattr(self, kind) is not None)


CUTS = ("facing", "bore", "counterbore", "holes", "slot", "pocket", "turning")


class WallQuestion(Settings):
    """Whether a part, as cut, is nowhere thinner than `least` mm, behind some of its features or everywhere."""

    part: str
    least: Length
    behind: tuple[str, ...] = ()


class SecondMotion(Settings):
    """A second way in which the moving part may stand otherwise: shifted along, or turned about, words or a direction.

    over   from where to where, mm or degrees, in `steps`
    """

    along: str | tuple[Finite, Finite, Finite] | None = None
    about: str | None = None
    over: tuple[Finite, Finite]
    steps: Annotated[int, Field(ge=2, le=101)] = 21

    @model_validator(mode="after")
    def _one(self) -> SecondMotion:
        if (self.along is None) == (self.about is None):
            raise ValueError("a motion is along something or about something, one of both")
        if self.over[0] >= self.over[1]:
            raise ValueError("over goes from the smaller figure to the larger one")
        return self


class TravelQuestion(Settings):
    """How far a part can be moved before it comes nearer than `least` mm to others.

    along      words for an axis or a face's normal, "PART: WORDS", or a direction where the parts are put together
    about      words for an axis; one of both
    up_to      mm, or degrees about an axis
    way        "forward", the way that the axis or normal looks, about it counter-clockwise; "back" or "both"
    against    other parts; all unless told
    at_least   mm or degrees that it must go
    second     for a map of the gap over both motions
    """

    move: str
    along: str | tuple[Finite, Finite, Finite] | None = None
    about: str | None = None
    up_to: Size
    way: Literal["forward", "back", "both"] = "forward"
    against: tuple[str, ...] = ()
    least: Extent = 0.0
    at_least: Size | None = None
    second: SecondMotion | None = None

    @model_validator(mode="after")
    def _one(self) -> TravelQuestion:
        if (self.along is None) == (self.about is None):
            raise ValueError("a motion is along something or about something, one of both")
        if self.about is not None and self.up_to > 360:
            raise ValueError("a turn goes up to 360 degrees")
        if self.at_least is not None and self.at_least > self.up_to:
            raise ValueError("at_least is more than up_to; a part is moved no farther than that")
        return self


class EnvelopeQuestion(Settings):
    """Whether what a part sweeps that turns about an axis, "PART: WORDS", keeps `least` mm from others.

    against  the other parts; all unless told
    """

    turn: str
    about: str
    against: tuple[str, ...] = ()
    least: Extent = 0.0


class ExportFit(Settings):
    """units: of what is said, on the page, on the terminal and in the drawings of sections; fit.json is in mm, and so
    are the layout's own lengths where they say no unit."""

    units: Literal["mm", "in"] = "mm"


class Layout(Settings):
    """Parts by name in their order, and the questions; see each class.

    >>> rod = {"turned": [[0, 20], [50, 20]], "uncertainty": 0.01}
    >>> layout = Layout(part={"rod": rod, "bar": rod}, clearance=[{"between": ["rod", "bar"], "least": 1}])
    >>> layout.clearance[0].least
    1.0
    """

    part: dict[str, Part]
    export: ExportFit = ExportFit()
    clearance: tuple[ClearanceQuestion, ...] = ()
    cut: tuple[CutQuestion, ...] = ()
    wall: tuple[WallQuestion, ...] = ()
    travel: tuple[TravelQuestion, ...] = ()
    envelope: tuple[EnvelopeQuestion, ...] = ()
    make: tuple[MakeQuestion, ...] = ()

    def asking(self, **questions: tuple[Settings, ...]) -> Layout:
        """The same parts, and of the questions only these, by their tables."""
        none = {table: () for table in type(self).model_fields if table not in ("part", "export")}
        return self.model_copy(update=none | questions)

    @model_validator(mode="after")
    def _known(self) -> Layout:
        if len(self.part) < 2 and not (self.part and (self.cut or self.wall or self.make)):
            raise ValueError("a layout needs two parts at least, or one and a cut, a wall or a part to make")
        names = [name.casefold() for name in self.part]
        for name in self.part:
            if ":" in name or not name.strip() or names.count(name.casefold()) > 1:
                raise ValueError(f"the part {name!r} needs a name of its own, without a colon, not told by case alone")
        for number, question in enumerate(self.clearance, 1):
            for name in question.between:
                if name not in self.part:
                    raise ValueError(f"clearance {number}: there is no part {name!r}; there are {', '.join(self.part)}")
            if question.between[0] == question.between[1]:
                raise ValueError(f"clearance {number}: a part is not asked for its distance from itself")
        # What is written for a part as cut, and for all parts in place, is called so.
        files = [name.replace(" ", "-") for name in names]
        taken = [*files, *(f"{name}-cut" for name in files), "placed"]
        taken += [stem.casefold() for one in self.make for stem in one.stems]
        for wish in self.make:
            if any(taken.count(stem.casefold()) > 1 or _SECTION.fullmatch(stem.casefold()) for stem in wish.stems):
                raise ValueError(f"make: {wish.name!r}, or a file of it, has a name that is taken; give it another one")
        asked = [(f"cut {n}", cut.part) for n, cut in enumerate(self.cut, 1)]
        asked += [(f"wall {n}", wall.part) for n, wall in enumerate(self.wall, 1)]
        for where, name in asked:
            if name not in self.part:
                raise ValueError(f"{where}: there is no part {name!r}; there are {', '.join(self.part)}")
        moved = [("travel", n, q.move, q.against) for n, q in enumerate(self.travel, 1)]
        moved += [("envelope", n, q.turn, q.against) for n, q in enumerate(self.envelope, 1)]
        for table, number, mover, against in moved:
            for name in (mover, *against):
                if name not in self.part:
                    raise ValueError(f"{table} {number}: there is no part {name!r}; there are {', '.join(self.part)}")
            if mover in against:
                raise ValueError(f"{table} {number}: a part is not asked for its distance from itself")
        return self


def load_layout(path: str | Path) -> Layout:
    """Read a layout file; relative paths in it are taken from its folder.

    Raises InputError when the file can't be read or isn't TOML, SettingsError when a key or value is wrong.
    """
    layout = make_layout(plain_toml(path, "layout file", "write one as the README shows."), str(path))
    base = Path(path).resolve().parent
    parts = {}
    for name, part in layout.part.items():
        update = {key: base / value for key in ("run", "file") if (value := getattr(part, key)) is not None}
        parts[name] = part.model_copy(update=update)
    return layout.model_copy(update={"part": parts})


def make_layout(data: dict[str, object], where: str = "the layout") -> Layout:
    """Check plain data against the layout's shape; SettingsError names the first thing that is wrong.

    >>> from pipeline.errors import SettingsError
    >>> try:
    ...     make_layout({"part": {"rod": {"truned": 1}}})
    ... except SettingsError as error:
    ...     print(error)
    the layout: there is no setting 'part.rod.truned'; did you mean 'turned'?
    """
    return checked(data, Layout, where)
