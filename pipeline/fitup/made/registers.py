"""Cylinders of made parts that locate them in a bore or on an outside diameter: fit, O-ring groove, press."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.coverage import SINGLE
from pipeline.errors import SettingsError
from pipeline.fitup import BY_HAND, Item, Key, Placed, walls
from pipeline.fitup.made.part import Figure, Gauge, Seat, Size
from pipeline.fitup.made.solids import frame
from pipeline.fitup.made.words import meant_by
from pipeline.geometry import Floats, cross
from pipeline.lengths import mm
from pipeline.making import PressWish, RegisterWish
from pipeline.standards import (
    FRICTION,
    MeasuredFit,
    StaticGland,
    clearance_words,
    material,
    measured_fit,
    press_fit,
    share_words,
    static_gland,
)
from pipeline.surfaces import kind_of
from pipeline.values import Feature

CHAMFER = 1.0  # mm at 45 degrees where a spigot enters: common practice, no source
LEAST_WALL = 2.0  # mm behind a groove or round a bore, unless a wall is asked for: common practice, no source
_SQUARE = np.sin(np.radians(0.5))  # of a face to an axis
_LOOKED = 60.0  # mm, up to which a wall is looked for
_SHORT = 2.5  # mm that a fit may be longer than its bore was seen: a chamfer, an edge that the scan rounds
_WORK = 0.5  # of the strength: a hoop stress above it is told

Profile = list[tuple[float, float]]


@dataclass(frozen=True)
class Found:
    """A part's feature that a wish names.

    part     its name
    item     where it stands
    feature  in the part's own coordinates, and `words` that name it in sentences
    """

    part: str
    item: Item
    feature: Feature
    words: str


def found_by(parts: Mapping[str, Placed], text: str, wanted: str, where: str) -> Found:
    """The recovered feature that "PART: WORDS" means, as an "axis" or "face" where it stands.

    Raises SettingsError where it is none, or is made of several.
    """
    meant = meant_by(parts, text, wanted, where)
    words = text.partition(":")[2].strip()
    body = parts[meant.part].body
    # Coaxial features of a turned part have one axis: which of them is meant only their own words tell.
    named = next((f for f in body.features if f.goes_by(words) or body.names.get(f.id) == words), meant.feature)
    if named is None:
        raise SettingsError(f"{where}: {text!r} is no single recovered feature; name one by its number.")
    return Found(meant.part, meant.item, named, f"{named.id} of {meant.part}")


@dataclass(frozen=True)
class Register:
    """A located cylinder, sized.

    at        what it locates on
    side      "bore": it goes into one; "boss": over an outside diameter
    fit, gland, length   mm
    figures, facts, cautions, doubts, gauges  for the maker
    """

    at: Found
    side: str
    fit: MeasuredFit
    gland: StaticGland | None
    length: float
    figures: tuple[Figure, ...]
    facts: tuple[str, ...]
    cautions: tuple[str, ...]
    doubts: tuple[str, ...]
    gauges: tuple[Gauge, ...]

    @property
    def radius(self) -> float:
        """mm, as it is drawn: the middle of its limits."""
        return 0.25 * (self.fit.limits[0] + self.fit.limits[1])

    @property
    def groove(self) -> tuple[float, float, float]:
        """From where to where along it the groove is, from its start, and the radius of its bottom, mm."""
        assert self.gland is not None
        # Half way between the face and the chamfer: as much land on either side.
        middle = 0.5 * (self.length - CHAMFER)
        wide = self.gland.width + 0.5 * self.gland.wider
        start = round(middle - 0.5 * wide, 1)
        return start, start + wide, 0.25 * (self.gland.groove[0] + self.gland.groove[1])

    @property
    def lands(self) -> tuple[str, ...]:
        """The names of its faces that sit on what it locates on."""
        return ("fit",) if self.gland is None else ("fit", "fit beyond the groove")

    @property
    def seats(self) -> tuple[Seat, ...]:
        """What of it is meant to touch; at its mouth all of it is near what it goes into, and only mustn't be in it."""
        near = dict.fromkeys((*self.lands, *self.run(1.0)[1]))
        touching = tuple(Seat(name, self.at.part, self.at.feature.id) for name in self.lands)
        return (*touching, *(Seat(name, self.at.part, "") for name in near))

    def run(self, way: float) -> tuple[Profile, list[str]]:
        """The profile (station, radius) along it from station 0 on, `way` 1 or -1, and the names of its runs: chamfered
        where it enters, with its groove."""
        r, end = self.radius, self.length
        inwards = -1.0 if self.side == "bore" else 1.0
        corners: Profile = [(0.0, r)]
        names: list[str] = []
        if self.gland is not None:
            low, high, bottom = self.groove
            corners += [(low, r), (low, bottom), (high, bottom), (high, r)]
            names += ["fit", "groove wall", "groove bottom", "groove wall"]
        corners += [(end - CHAMFER, r), (end, r + inwards * CHAMFER)]
        names += [self.lands[-1], "chamfer"]
        return [(way * z, q) for z, q in corners], names

    def sizes(self, way: float) -> tuple[Size, ...]:
        """What the drawing says of it; stations from 0 on, `way` 1 or -1."""

        def span(a: float, b: float) -> tuple[float, float]:
            return (a, b) if way > 0 else (-b, -a)

        low, high = self.fit.limits
        whole = span(0.0, self.length)
        out = [
            Size("diameter", whole, 0.5 * (low + high), (low, high), "fit"),
            Size("length", whole, self.length),
        ]
        if self.gland is not None:
            (a, b, _), g = self.groove, self.gland
            # To hundredths, as a drawing has them, inwards.
            least, most = math.ceil(100.0 * g.groove[0] - 1e-6) / 100.0, math.floor(100.0 * g.groove[1] + 1e-6) / 100.0
            out += [
                Size("diameter", span(a, b), most if g.where == "shaft" else least, (least, most), "groove"),
                Size("length", span(a, b), g.width, (g.width, g.width + g.wider), "groove"),
                Size("length", span(0.0, a), a, None, "land"),
            ]
        return tuple(out)


def register_of(
    wish: RegisterWish, parts: Mapping[str, Placed], where: str, inside: float, outside: float, wall: float
) -> Register:
    """A located cylinder for a wish.

    inside   mm, diameter of the hole through it, 0 without one; outside: of the metal round it, where it goes over an
             outside diameter
    wall     mm that is to be left behind its groove

    Raises SettingsError for what can't be had.
    """
    at = found_by(parts, wish.on, "axis", where)
    feature = at.feature
    if not kind_of(feature).cylindrical or feature.radius is None or feature.side not in ("bore", "boss"):
        raise SettingsError(f"{where}: {at.words} is no bore and no outside diameter, and gives no fit.")
    unsure = parts[at.part].body.unsure_of(parts[at.part].body.index_of(feature.id))
    sigma = None if unsure or feature.uncertainty.radius is None else 2.0 * feature.uncertainty.radius
    diameter, side = 2.0 * feature.radius, feature.side
    if wish.length.mm <= 2.0 * CHAMFER:
        raise SettingsError(f"{where}: {wish.length.mm:g} mm are too short for a fit and its chamfer; make it longer.")
    try:
        fit = measured_fit(wish.fit, diameter, sigma, side, at.words)
        gland = None
        if wish.ring is not None:
            middle = 0.5 * (fit.limits[0] + fit.limits[1])
            behind = 0.5 * (middle - inside if side == "bore" else outside - middle) - wall
            room = wish.length.mm - CHAMFER
            gland = static_gland(
                diameter, SINGLE * (sigma or 0.0), fit.clearance, "shaft" if side == "bore" else "bore", wish.ring,
                room, behind + 0.5 * fit.clearance[0],
            )  # fmt: skip
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    figures, facts = _said(fit, sigma or 0.0, side, at)
    method = feature.uncertainty.method
    by_hand = [f"the diameter of {at.words} is as {method}"] if method.startswith(BY_HAND) else []
    cautions = [
        f"The fit's figures are of the mean diameter of {at.words}: how far it is from round, or tapers, isn't in "
        "them; gauge it at three heights and three ways round."
    ]
    doubts = [text for text in by_hand if "agree" in text]
    facts += [text for text in by_hand if text not in doubts]
    if gland is not None:
        more, told = _of_gland(gland, at)
        figures, facts = [*figures, *more], [*facts, *told]
    if wish.press is not None:
        left, how = _wall_left(wish.press, parts, at, where)
        more, told, alarms = _of_press(wish.press, fit, (inside, outside, left), wish.length.mm, where)
        facts = [*facts, *how]
        figures, facts, doubts = [*figures, *more], [*facts, *told], [*doubts, *alarms]
        cautions.append(
            "Press force and stresses: Lamé's rings, elastic, of the least wall all round; corners, ribs, casting "
            "flaws and roughness are not in them."
        )
    elif fit.presses:
        cautions.append("Nothing is said of the stress of this press fit: give press, with the wall round it.")
    why = f"fit {wish.fit} of {where}"
    gauges = (Gauge(at.part, "diameter", (feature.id,), diameter, why),)
    return Register(
        at, side, fit, gland, wish.length.mm, tuple(figures), tuple(facts), tuple(cautions), tuple(doubts), gauges
    )


def _said(fit: MeasuredFit, sigma: float, side: str, at: Found) -> tuple[list[Figure], list[str]]:
    what = "bore" if side == "bore" else "outside diameter"
    made = "spigot" if side == "bore" else "bore of the made part"
    own = fit.fit.partition("/")[2 if side == "bore" else 0]
    figures = [
        Figure(f"{what} as measured", fit.measured[0], "mm", SINGLE * sigma, at.words),
        Figure(f"{made}, least", fit.limits[0]),
        Figure(f"{made}, most", fit.limits[1]),
        Figure("clearance, least (95 %)", fit.clearance[0]),
        Figure("clearance, most (95 %)", fit.clearance[1]),
        Figure("share within the fit", 100.0 * fit.within, "%", None, fit.fit),
    ]
    facts = [
        f"{fit.words}: {made} {fit.limits[0]:.3f} to {fit.limits[1]:.3f} mm on {at.words}, "
        f"{fit.measured[0]:.3f} +-{SINGLE * sigma:.3f} mm (95 %)",
        f"chamfered {CHAMFER:g} x 45 degrees where it enters",
        f"the fit asks for {clearance_words(*fit.wanted)}; made to {fit.nominal:g} {own} instead of to the size as "
        f"measured it would be held in {share_words(fit.on_zone)} of cases",
    ]
    return figures, facts


def _of_gland(gland: StaticGland, at: Found) -> tuple[list[Figure], list[str]]:
    low, middle, high = gland.squeeze
    figures = [
        Figure("groove bottom, least", gland.groove[0]),
        Figure("groove bottom, most", gland.groove[1]),
        Figure("groove width", gland.width, "mm", None, f"+{gland.wider:g}, corners R{gland.radius:g} at most"),
        Figure("squeeze", 100.0 * middle, "%", None, f"{100 * low:.0f} to {100 * high:.0f} at worst"),
        Figure("stretch", 100.0 * gland.stretch, "%"),
        Figure("fill", 100.0 * gland.fill[0], "%", None, f"{100 * gland.fill[1]:.0f} at worst"),
        Figure("lead-in, radially", gland.lead_in[0], "mm", None, f"of {at.words}"),
        Figure("lead-in, along", gland.lead_in[1], "mm", None, f"of {at.words}"),
    ]
    facts = [
        f"O-ring {gland.ring}, {gland.source}: groove Ø{gland.groove[0]:.2f} to {gland.groove[1]:.2f}, {gland.width:g} "
        f"to {gland.width + gland.wider:g} mm wide, corners R{gland.radius:g} at most; squeeze {100 * low:.0f} to "
        f"{100 * high:.0f} %, stretch {100 * gland.stretch:.1f} %, fill {100 * gland.fill[0]:.0f} %, up to "
        f"{100 * gland.fill[1]:.0f} %",
        f"break the edge of {at.words} that the ring passes to {gland.lead_in[0]:.1f} mm radially, 15 to 20 degrees to "
        f"the axis, {gland.lead_in[1]:.1f} mm along it",
    ]
    return figures, facts


def _wall_left(wish: PressWish, parts: Mapping[str, Placed], at: Found, where: str) -> tuple[float, list[str]]:
    """mm of metal behind what something is pressed into, and a sentence on it: as told, or the least that the part has
    there where it stands, after the cuts of the layout, less what that isn't known by."""
    if wish.wall is not None:
        return wish.wall.mm, []
    part = parts[at.part]
    found = walls(part, _LOOKED, [part.body.index_of(at.feature.id)])
    spot = found.spots[0] if found.spots else None
    if spot is None or not spot.seen:
        why = "no wall was found" if spot is None else "what is beyond was never seen"
        raise SettingsError(f"{where}: behind {at.words} {why}; sound it, and write press = {{ wall = ... }}.")
    thin = min(found.spots, key=lambda s: s.spot.distance - s.spot.expanded).spot
    left = thin.distance - thin.expanded
    if left <= 0.0 or thin.unsure:
        raise SettingsError(
            f"{where}: the wall behind {at.words} can't be vouched for; sound it, and write press = {{ wall = ... }}."
        )
    told = f"wall behind {at.words}: {mm(thin.distance)}, +-{mm(thin.expanded)} (95 %); {mm(left)} are reckoned with"
    return left, [told]


def _of_press(
    wish: PressWish, fit: MeasuredFit, rounds: tuple[float, float, float], length: float, where: str
) -> tuple[list[Figure], list[str], list[str]]:
    """rounds: mm, diameters of the hole through it and of the metal round it, and the wall that it is pressed into."""
    inside, outside, wall = rounds
    try:
        made, into = material(wish.made_of), material(wish.into)
    except SettingsError as error:
        raise SettingsError(f"{where}: {error}") from None
    most = -fit.clearance[0]
    if most <= 0.0:
        raise SettingsError(f"{where}: the fit {fit.fit} has no interference, so nothing is pressed; leave press out.")
    d = fit.measured[0]
    if outside > d:  # it goes over an outside diameter, whose own metal is the shaft
        rings, hub, shaft = (max(0.0, d - 2.0 * wall), d, outside), made, into
    else:
        rings, hub, shaft = (inside, d, d + 2.0 * wall), into, made
    hard = press_fit(rings, most, length, hub, shaft)
    soft = press_fit(rings, max(0.0, -fit.clearance[1]), length, hub, shaft, FRICTION[0])
    squeezed = hard.shaft_inside if rings[0] > 0.0 else hard.shaft_outside
    figures = [
        Figure("press force, least", soft.force / 1e3, "kN", None, f"friction {FRICTION[0]:g}"),
        Figure("press force, most", hard.force / 1e3, "kN", None, f"friction {FRICTION[1]:g}"),
        Figure("contact pressure, most", hard.pressure, "MPa"),
        Figure("hoop stress at the bore, most", hard.hub_bore, "MPa", None, f"{hub.name}, strength {hub.strength:g}"),
        Figure("hoop stress of what is inside", squeezed, "MPa", None, f"{shaft.name}, strength {shaft.strength:g}"),
    ]
    facts = [
        f"press it with {soft.force / 1e3:.0f} to {hard.force / 1e3:.0f} kN; hoop stress up to {hard.hub_bore:.0f} MPa "
        f"in the {hub.name} outside (strength {hub.strength:g}), {squeezed:.0f} MPa in the {shaft.name} inside"
    ]
    doubts = []
    for stress, what, one in ((hard.hub_bore, "outside", hub), (-squeezed, "inside", shaft)):
        if stress > _WORK * one.strength:
            how = "more than its strength" if stress > one.strength else "more than half its strength"
            doubts.append(
                f"hoop stress in the {one.name} {what} comes to {stress:.0f} MPa, {how} of {one.strength:g} MPa"
            )
    return figures, facts, doubts


def engaged(register: Register, part: Placed, face: Item, where: str) -> tuple[str, ...]:
    """A caution where less of a register than its length is in what it locates on, as far as that was seen, where it
    starts at a face.

    Raises SettingsError where nothing of it is.
    """
    at = register.at
    shape, extent = part.shape(part.body.index_of(at.feature.id)), at.feature.extent
    if extent.along is None or shape.direction is None or face.direction is None:
        return ()
    # Below the face, along its normal.
    start = float((face.point - shape.point) @ face.direction)
    top, foot = sorted(start - t * float(shape.direction @ face.direction) for t in extent.along)
    deep = min(register.length, foot) - max(0.0, top)
    if deep <= 0.0:
        raise SettingsError(
            f"{where}: {at.words} was seen from {top:.1f} to {foot:.1f} mm below its face, and "
            f"{register.length:g} mm don't reach into it; name the face that it opens in, or make it longer."
        )
    if deep > register.length - _SHORT:
        return ()
    return (
        f"{at.words} was seen over {deep:.1f} of the {register.length:g} mm of the fit: beyond, its size is not known.",
    )


def standing(axis: Item, face: Item, where: str) -> tuple[Floats, dict[Key, Floats]]:
    """Where a part stands on an axis from a face on, (4, 4) own -> where the parts are put together, and the (6,) moves
    of that place by key: z out of the face, the origin where the axis meets it, x as near to the parts' x as may be (y
    where the face looks along x).

    Raises SettingsError where the axis isn't square to the face.
    """
    assert axis.direction is not None
    assert face.direction is not None
    normal = face.direction
    if np.linalg.norm(cross(axis.direction, normal)) > _SQUARE:
        lean = np.degrees(np.arcsin(min(1.0, float(np.linalg.norm(cross(axis.direction, normal))))))
        raise SettingsError(f"{where}: the axis leans by {lean:.2f} degrees to the face; name one square to it.")
    z = axis.direction if axis.direction @ normal > 0.0 else -axis.direction
    origin = axis.point + z * float((face.point - axis.point) @ normal) / float(z @ normal)
    across = np.eye(3)[1] if abs(z[0]) > 0.9 else np.eye(3)[0]
    moves: dict[Key, Floats] = {}
    sense = 1.0 if axis.direction @ normal > 0.0 else -1.0
    for key, (shift, tilt) in axis.moves.items():
        turn = cross(z, sense * tilt)
        side = shift + sense * tilt * float((origin - axis.point) @ axis.direction) * sense
        moves[key] = np.concatenate([side - (side @ z) * z, turn])
    for key, (shift, tilt) in face.moves.items():
        up = float(shift @ normal) - float(tilt @ (origin - face.point))
        moves[key] = moves.get(key, np.zeros(6)) + np.concatenate([up * z, np.zeros(3)])
    return frame(origin, z, across), moves


def closed_off(
    corners: Sequence[tuple[float, float]], names: Sequence[str]
) -> tuple[tuple[tuple[float, float], ...], tuple[str, ...]]:
    """A closed profile and the names of its runs, without runs that have no length."""
    out, called = [], []
    for k, corner in enumerate(corners):
        following = corners[(k + 1) % len(corners)]
        if max(abs(corner[0] - following[0]), abs(corner[1] - following[1])) > 1e-9:
            out.append(corner)
            called.append(names[k])
    return tuple(out), tuple(called)
