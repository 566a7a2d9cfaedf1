"""What a layout's [[make]] tables say: parts that are to be made to what was recovered, one settings class a kind.

Words of features are written "PART: WORDS", as where a part is placed; lengths are mm, or "0.5 in".
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from pipeline.job import NotNegative, Positive
from pipeline.places import Length
from pipeline.settings_file import Settings


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
    text       what is raised on it, besides its name and its error; none where ""
    """

    seat: str
    locate: Annotated[tuple[Locator, ...], Field(min_length=1)]
    guide: Annotated[tuple[Guide, ...], Field(min_length=1)]
    thickness: Length = Length(mm=8.0)
    made_to: Length = Length(mm=0.1)
    mirror: bool = False
    text: str = ""


class Printing(Settings):
    """What is done to the files for a printer, 3MF and STL; the exact solid stays as it is drawn.

    bed     mm, length and width; a part that is larger is refused
    shrink  per cent that the material shrinks by
    hole    mm by which holes print too small, of the diameter
    """

    bed: tuple[Positive, Positive] | None = None
    shrink: Annotated[float, Field(ge=0, lt=10)] = 0.0
    hole: NotNegative = 0.0

    @property
    def grow(self) -> float:
        """What lengths are multiplied by, so that they are right when the material has shrunk."""
        return 1.0 / (1.0 - 0.01 * self.shrink)


class MakeQuestion(Settings):
    """A part that is to be made.

    name         its own; its files are called after it
    gap          mm that it keeps from all that it isn't meant to touch
    uncertainty  standard, mm, of every place of it, as it will be made
    wall         mm that it is nowhere thinner than; asked only where it is given
    chord        mm that its facets may be off its faces in 3MF and STL
    """

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _-]*$")]
    template: TemplateWish | None = None
    gap: Length = Length(mm=1.0)
    uncertainty: NotNegative = 0.05
    wall: Length | None = None
    chord: Length = Length(mm=0.02)
    printing: Printing | None = None

    @model_validator(mode="after")
    def _one(self) -> MakeQuestion:
        if sum(getattr(self, kind) is not None for kind in MADE) != 1:
            raise ValueError(f"a made part is one of {', '.join(MADE)}")
        return self

    @property
    def what(self) -> str:
        """Which of MADE it is."""
        return next(kind for kind in MADE if getattr(self, kind) is not None)

    @property
    def stem(self) -> str:
        """What its files are called, without their ending."""
        return self.name.replace(" ", "-")


MADE = ("template",)
