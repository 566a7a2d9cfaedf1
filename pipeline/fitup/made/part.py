"""A made part: what it is built of, where it stands, what it touches, and the figures that its maker needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from pipeline.fitup import Key
from pipeline.fitup.made.solids import Step
from pipeline.geometry import Floats


@dataclass(frozen=True)
class Seat:
    """A face of a made part, by its name, and the feature of a part, by its number, that it is meant to touch; "": it
    may be as near to all of that part as it likes, but not in it."""

    face: str
    part: str
    feature: str


@dataclass(frozen=True)
class Figure:
    """A figure for the maker: `value` in `unit`, and what it is known within at 95 %; None where it is as drawn."""

    name: str
    value: float
    unit: str = "mm"
    expanded: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Size:
    """A size of a turned part or a plate.

    what    "diameter" or "length" along its axis
    span    (from, to) stations, mm along z, that it stands at or goes between
    value   mm; limits: least and most, None where general tolerances do
    note    what it is for

    >>> Size("diameter", (0.0, 20.0), 84.93, (84.91, 84.94), "fit").text
    'Ø84.93 +0.01/-0.02'
    """

    what: Literal["diameter", "length"]
    span: tuple[float, float]
    value: float
    limits: tuple[float, float] | None = None
    note: str = ""

    @property
    def text(self) -> str:
        """As it stands on a drawing."""
        sign = "Ø" if self.what == "diameter" else ""
        if self.limits is None:
            return f"{sign}{self.value:.3f}".rstrip("0").rstrip(".")
        low, high = self.limits
        places = next((n for n in (2, 3, 4) if all(abs(round(v, n) - v) < 1e-7 for v in (self.value, low, high))), 4)
        up, down = high - self.value, self.value - low
        size = f"{sign}{self.value:.{places}f}"
        if abs(up - down) < 1e-7:
            return f"{size} ±{up:.{places}f}"
        return f"{size} {up:+.{places}f}/{-down:+.{places}f}"


@dataclass(frozen=True)
class Share:
    """Something that an error is made of: mm, "random" (one standard uncertainty) or "bound" (the most that it can be).

    cure  what to do about it
    """

    name: str
    kind: Literal["random", "bound"]
    size: float
    cure: str = ""


@dataclass(frozen=True)
class Budget:
    """By how much a place that a made part gives may be off.

    name    of the place
    shares  what that is made of
    likely  mm, 95 %: bounds taken as anywhere within them
    worst   mm: all bounds at their ends, and twice what is random
    """

    name: str
    shares: tuple[Share, ...]
    likely: float
    worst: float
    note: str = ""


@dataclass(frozen=True)
class Gauge:
    """A size to measure before the part is made: `what` is "diameter", "distance" or "thickness", of features of a
    part by their numbers; mm as it seems to be now; and what for.

    >>> print(Gauge("housing", "diameter", ("H3",), 14.02, "play of its pin").lines)
    [[measured]]                # housing: play of its pin
    what = "diameter"
    features = ["H3"]
    value = 14.02               # as scanned: write what you measure
    uncertainty = 0.01          # of your measuring, standard
    """

    part: str
    what: Literal["diameter", "distance", "thickness"]
    features: tuple[str, ...]
    value: float
    why: str

    @property
    def lines(self) -> str:
        """As it may stand in the job of that part's run."""
        listed = ", ".join(f'"{ident}"' for ident in self.features)
        value = f"value = {self.value:.3f}".rstrip("0").rstrip(".")
        return (
            f"{'[[measured]]':<27} # {self.part}: {self.why}\n"
            f'what = "{self.what}"\n'
            f"features = [{listed}]\n"
            f"{value:<27} # as scanned: write what you measure\n"
            "uncertainty = 0.01          # of your measuring, standard"
        )


@dataclass(frozen=True)
class MadePart:
    """A part that is to be made.

    steps     what it is built of, in its own coordinates, mm
    matrix    (4, 4) own -> where the parts are put together
    moves     by key, (6,) shift mm of its origin and turn rad, by one standard uncertainty: as those of a pose
    unsure    why nothing can be said of how well its place is known; "" where `moves` say it
    seats     what it is meant to touch
    against   parts that it must clear
    volume    mm3 in closed form, letters left out; None where there is none
    figures, budgets, gauges, facts, cautions  for its maker
    doubts    what was asked of it but isn't held for certain
    twin      the steps of its mirror image; () where none is wanted
    flat      the face that it is printed on; "" where it has none
    sizes     what its drawing says
    pieces    what makes each of the pieces that it is printed in of the whole; () where it is made whole
    twin_pieces  the same of its mirror image
    """

    name: str
    kind: str
    steps: tuple[Step, ...]
    matrix: Floats
    seats: tuple[Seat, ...]
    against: tuple[str, ...]
    moves: Mapping[Key, Floats] = field(default_factory=dict)
    unsure: str = ""
    volume: float | None = None
    figures: tuple[Figure, ...] = ()
    budgets: tuple[Budget, ...] = ()
    gauges: tuple[Gauge, ...] = ()
    facts: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    twin: tuple[Step, ...] = ()
    flat: str = ""
    sizes: tuple[Size, ...] = ()
    pieces: tuple[tuple[Step, ...], ...] = ()
    twin_pieces: tuple[tuple[Step, ...], ...] = ()

    @property
    def stem(self) -> str:
        """What its files are called."""
        return self.name.replace(" ", "-")
