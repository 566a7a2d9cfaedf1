"""What a layout's [[make]] tables say: parts that are to be made to what was recovered, one settings class a kind.

Words of features are written "PART: WORDS", as where a part is placed; lengths are mm, or "0.5 in".
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import Field, field_validator, model_validator

from pipeline.places import Extent, Finite, Length, Size
from pipeline.settings_file import Settings

_LATIN = 0xFF  # the last sign of ISO 8859-1
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]*")


class Locator(Settings):
    """Something of a casting that a template takes its place from; one of the first four.

    pin       words for a hole or bore that takes a round pin, bought or turned, which stands in a hole of the template
    spigot    words for a bore that takes a turned spigot of the template itself
    over      words for an outside diameter that the template goes over
    screw     words for a hole whose screw, ISO 273 medium, only holds the template down
    diameter  of the pin or spigot, of the bore that goes over, or of the screw's thread; the feature's own, less or
              more `play`, unless told. A screw needs it
    play      of the diameters
    flat      the pin is flattened: it holds across the line to the other one only
    depth     mm that a spigot goes into its bore, or a bore over its boss
    """

    pin: str | None = None
    spigot: str | None = None
    over: str | None = None
    screw: str | None = None
    diameter: Length | None = None
    play: Length | None = None
    flat: bool = False
    depth: Length = Length(mm=6.0)

    @model_validator(mode="after")
    def _one(self) -> Locator:
        if sum(words is not None for words in (self.pin, self.spigot, self.over, self.screw)) != 1:
            raise ValueError("a template is located by one of pin, spigot, over and screw each time")
        if self.flat and self.pin is None:
            raise ValueError("only a pin can be flattened")
        if self.screw is not None and self.diameter is None:
            raise ValueError("a screw needs its thread's diameter: diameter = 8")
        return self

    @property
    def what(self) -> str:
        """Which of "pin", "spigot", "over" and "screw" it is."""
        return next(what for what in ("pin", "spigot", "over", "screw") if getattr(self, what) is not None)

    @property
    def words(self) -> str:
        """The words of its feature."""
        return self.pin or self.spigot or self.over or self.screw or ""


class Guide(Settings):
    """An axis that a template guides a drill or punch along.

    axis       words for it
    face       words for the face where the drill starts
    drill      its diameter; so the guide's
    bush       a headless drill bush, DIN 179 (ISO 4247), is pressed in; else the drill runs in the template itself
    play       of the drill in its guide, of the diameters; of a bush's, ISO 286 F7 over the drill, unless told
    depth      mm that is drilled, for the error at its end
    stand_off  mm from the face to the guide; as large as the drill unless told
    lean       mm by which the drill's tip may be off by its lean in the guide: that makes the guide's length
    """

    axis: str
    face: str
    drill: Length
    bush: bool = False
    play: Length | None = None
    depth: Length | None = None
    stand_off: Length | None = None
    lean: Length = Length(mm=0.1)


class TemplateWish(Settings):
    """A drill template: it sits on a face, is located by pins, spigots or over bosses, and guides drills.

    seat       words for the face that its pads stand on
    thickness  of its plate
    made_to    mm, either way, that a place of it is made to: a printed one, unless told
    mirror     the mirrored twin, for the part's other hand, is made as well
    text       what is raised on it, besides its name and its error; none where "". Latin letters: the font has those
    """

    seat: str
    locate: Annotated[tuple[Locator, ...], Field(min_length=1)]
    guide: Annotated[tuple[Guide, ...], Field(min_length=1)]
    thickness: Length = Length(mm=8.0)
    made_to: Length = Length(mm=0.1)
    mirror: bool = False
    text: str = ""

    @field_validator("text")
    @classmethod
    def _can_be_raised(cls, text: str) -> str:
        lacking = "".join(dict.fromkeys(c for c in text if not c.isprintable() or ord(c) > _LATIN))
        if lacking:
            raise ValueError(f"{lacking!r} can't be raised as letters, which are Latin ones; write it with these")
        return text


class Printing(Settings):
    """What is done to the files for a printer, 3MF and STL; the exact solid stays as it is drawn.

    bed     mm, length and width; a part that is larger is refused
    shrink  per cent that the material shrinks by
    hole    mm by which holes print too small, of the diameter
    """

    bed: tuple[Size, Size] | None = None
    shrink: Annotated[float, Field(ge=0, lt=10)] = 0.0
    hole: Annotated[float, Field(ge=0, le=1)] = 0.0

    @property
    def grow(self) -> float:
        """What lengths are multiplied by, so that they are right when the material has shrunk."""
        return 1.0 / (1.0 - 0.01 * self.shrink)


class PressWish(Settings):
    """What is pressed into what, for the force and the stresses of a press fit.

    made_of, into  materials of the table: of the made part, and of the part there is
    wall           least metal round the bore, or inside the outside diameter, that it is pressed into (onto), mm; what
                   the part has there, after the layout's cuts, unless told
    """

    made_of: str = "steel"
    into: str = "grey iron"
    wall: Length | None = None


class RegisterWish(Settings):
    """A cylinder that locates a made part in a bore of a part, or round an outside diameter of one.

    on      words, "PART: WORDS"
    fit     of ISO 286, hole and shaft; it is given for the size as measured
    length  mm along the axis
    ring    an O-ring in a groove of the made part: "auto", or the beginning of a ring's name; without one: none
    press   for the force and stresses of an interference
    """

    on: str
    fit: str
    length: Length
    ring: str | None = None
    press: PressWish | None = None


class HeadWish(Settings):
    """The head of a spigot or holder that rests on the face: a disc, with bolts on a pitch circle if any.

    bolts         a bolt and its row of ISO 273, "M6 medium"
    count, pitch_circle, start  how many, on which diameter, and the first one's degrees from the part's x (y where the
                  face looks along x)
    """

    diameter: Length
    thickness: Length
    bolts: str | None = None
    count: Annotated[int, Field(ge=2, le=60)] | None = None
    pitch_circle: Length | None = None
    start: Finite = 0.0

    @model_validator(mode="after")
    def _all(self) -> HeadWish:
        given = [self.bolts is not None, self.count is not None, self.pitch_circle is not None]
        if any(given) and not all(given):
            raise ValueError("the bolts of a head need all of bolts, count and pitch_circle")
        return self


class SpigotWish(RegisterWish):
    """A spigot in a bore (or a cap round an outside diameter), turned, that starts at a face and goes into the part.

    face   words for the face that its head rests on, or that it starts level with
    bore   diameter of a hole through it
    head   without one it ends level with the face; a cap has one that is closed unless it has a bore
    around outside diameter of a cap
    """

    face: str
    bore: Length | None = None
    head: HeadWish | None = None
    around: Length | None = None


class HolderWish(SpigotWish):
    """A holder or sleeve for a rolling bearing: outside as a spigot, inside the bearing's seat.

    With fit = "none" nothing of it goes into the part: its head is bolted to the face, `length` is from there, and
    `around` the outside diameter of what stands out of the head.

    bearing  of the table, "6205"
    seat     zone of the seat: H7 unless told
    open     the seat is as long as the holder, without a shoulder
    shoulder diameter of the hole beyond the seat; left of the bearing's ring what is usual unless told
    """

    bearing: str
    seat: str = "H7"
    open: bool = False
    shoulder: Length | None = None


class PlateWish(Settings):
    """A flat part with the outline of a recovered flange.

    on         words for the flange's face
    thickness  mm
    offset     mm that its edge stands out of the flange's; negative: in
    holes      "as found", to 0.1 mm, a bolt and its row of ISO 273 ("M10 medium"), or "none"
    above      mm between the face and it, of a gasket in between
    web        least metal that is to be left between holes, openings and edges
    """

    on: str
    thickness: Length
    offset: Finite = 0.0
    holes: str = "as found"
    above: Extent = 0.0
    web: Length | None = None


class CoverWish(PlateWish):
    """A cover or blank: closed where the flange is open.

    spigot  a cylinder that locates it in a bore of the flange
    """

    spigot: RegisterWish | None = None


class OpenPlateWish(PlateWish):
    """A gasket or spacer: open where the flange is.

    opening  mm by which its openings are wider than the flange's
    """

    opening: Finite = 0.0


class MakeQuestion(Settings):
    """A part that is to be made.

    name         its own; its files are called after it
    gap          mm that it keeps from all that it isn't meant to touch
    uncertainty  standard, mm, of every place of it, as it will be made
    wall         mm that it is nowhere thinner than; asked only where it is given
    chord        mm that its facets may be off its faces in 3MF and STL
    """

    name: str
    template: TemplateWish | None = None
    spigot: SpigotWish | None = None
    holder: HolderWish | None = None
    cover: CoverWish | None = None
    gasket: OpenPlateWish | None = None
    spacer: OpenPlateWish | None = None
    gap: Length = Length(mm=1.0)
    uncertainty: Extent = 0.05
    wall: Length | None = None
    chord: Length = Length(mm=0.02)
    printing: Printing | None = None

    @field_validator("name")
    @classmethod
    def _for_files(cls, name: str) -> str:
        if _NAME.fullmatch(name) is None:
            raise ValueError(
                "files are called after it: write letters a to z, digits, blanks, - and _, no others first"
            )
        return name

    @field_validator("chord")
    @classmethod
    def _of_a_facet(cls, chord: Length) -> Length:
        if not CHORDS[0] <= chord.mm <= CHORDS[1]:
            raise ValueError(f"facets may be {CHORDS[0]:g} to {CHORDS[1]:g} mm off their faces")
        return chord

    @model_validator(mode="after")
    def _one(self) -> MakeQuestion:
        found = [kind for kind in MADE if getattr(self, kind) is not None]
        if len(found) != 1:
            these = f"; {' and '.join(found)} are asked for, leave one" if found else "; add its table"
            raise ValueError(f"a made part is one of {', '.join(MADE)}{these}")
        return self

    @property
    def what(self) -> str:
        """Which of MADE it is."""
        return next(kind for kind in MADE if getattr(self, kind) is not None)

    @property
    def stem(self) -> str:
        """What its files are called, without their ending."""
        return self.name.replace(" ", "-")

    @property
    def stems(self) -> tuple[str, ...]:
        """What files of it may be called, those of its twin and of the pieces that it may be printed in among them."""
        twin = self.template is not None and self.template.mirror
        whole = [self.stem, *([f"{self.stem}-mirrored"] if twin else [])]
        parted = self.template is not None and self.printing is not None and self.printing.bed is not None
        pieces = [f"{stem}-{k}" for stem in whole for k in range(1, MOST_PIECES + 1)] if parted else []
        return (*whole, *pieces)


MOST_PIECES = 4  # that a template is printed in
CHORDS = 0.001, 1.0  # mm, least and most
MADE = ("template", "spigot", "holder", "cover", "gasket", "spacer")
