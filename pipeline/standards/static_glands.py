"""A groove for an O-ring that seals a spigot in a bore, or a sleeve on an outside diameter, at rest.

Squeeze, stretch and fill by plain geometry, all tolerances at their worst at once, the spigot pushed to one side. A
stretched ring keeps its volume, so that its section is less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.errors import SettingsError
from pipeline.standards.glands import o_rings
from pipeline.standards.tables import grade, table

# Squeeze of a static seal: advice of a seal maker (applerubber.com), 10 to 40 %. Stretch up to 5 %, the same and
# ISO 3601-2:2016 from memory. Fill up to 85 % as designed (notes.edchamberlain.com), 90 % at worst (common practice, no
# source).
SQUEEZE, STRETCH, FILL = (0.10, 0.40), (0.0, 0.05), (0.85, 0.90)
# Which section is usual up to which diameter, mm: common practice, no source.
_USUAL = ((20.0, 1.78), (45.0, 2.62), (120.0, 3.53), (250.0, 5.33), (math.inf, 6.99))
_EASY = 0.1  # mm that a lead-in is deeper than the ring stands proud: common practice, no source
_LIKE = 0.05  # mm by which a ring's section may be off that of the groove's row
_AIM = 0.02  # of stretch, on the bottom of a groove in a spigot
_ON_ROD, _AIM_ON_ROD = (0.96, 1.0), 0.99  # inside of a ring in a sleeve, of the diameter that it sits on
WIDER = 0.25  # mm, tolerance of a groove's width: ISO 3601-2:2016, from memory
LEAD_IN = 20.0  # degrees of the lead-in to the axis: ISO 3601-2:2016 says 15 to 20, from memory


@dataclass(frozen=True)
class StaticGland:
    """A groove and its ring, mm.

    ring, source  its name, and the standard of its sizes; inside, section: free
    where         "shaft": cut into a spigot; "bore": into a sleeve
    groove        smallest and largest diameter of the groove's bottom
    width         smallest; WIDER more is allowed; depth: from the counterpart's surface; radius: of its corners
    squeeze       least, as designed, most: share of the section
    stretch       of the inside, as designed; fill: as designed, and most, share of the groove's
                  section
    lead_in       mm radially and along the axis of the counterpart's chamfer
    """

    ring: str
    source: str
    inside: float
    section: float
    where: str
    groove: tuple[float, float]
    width: float
    depth: float
    radius: float
    squeeze: tuple[float, float, float]
    stretch: float
    fill: tuple[float, float]
    lead_in: tuple[float, float]

    @property
    def wider(self) -> float:
        """mm by which the groove may be wider."""
        return WIDER

    @property
    def land(self) -> float:
        """mm of metal that is to be left on either side of the groove: common practice, no source."""
        return max(1.5, 0.5 * self.section)


def static_gland(
    diameter: float,
    doubt: float,
    clearance: tuple[float, float],
    where: str,
    ring: str = "auto",
    width: float = math.inf,
    depth: float = math.inf,
) -> StaticGland:
    """The groove for a ring that seals on a diameter.

    diameter   mm of the bore ("shaft": the groove is cut into the spigot in it) or of the outside that the sleeve sits
               on ("bore"); doubt: mm by which it may be off
    clearance  least and largest of the fit, mm of the diameters
    ring       "auto", or the beginning of a ring's name, "AS568-235" or "77.5 x 3.55"
    width, depth  mm that there is room for: groove and both lands, and bottom to what is behind it

    Raises SettingsError where no ring can be had.

    >>> gland = static_gland(85.0, 0.02, (0.036, 0.106), "shaft", "AS568-235")
    >>> gland.ring, round(gland.groove[1], 2), gland.width, [round(100 * s) for s in gland.squeeze]
    ('AS568-235 (78.97 x 3.53)', 79.6, 4.8, [18, 23, 27])
    """
    usual = next(section for most, section in _USUAL if diameter <= most)
    rows = sorted((r for r in table("o_ring_static").rows), key=lambda r: (r["section"] > usual, -r["section"]))
    rows = rows if ring != "auto" else [r for r in rows if r["section"] <= usual]
    tried: list[StaticGland] = []
    for row in rows:
        found = [
            made
            for name, inside, section, source in o_rings()
            if abs(section - row["section"]) <= _LIKE and (ring == "auto" or _is_named(name, ring))
            for made in [_made(diameter, doubt, clearance, where, row, (name, inside, section, source))]
        ]
        aim = _AIM if where == "shaft" else 1.0 / _AIM_ON_ROD - 1.0
        found.sort(key=lambda g: abs(g.stretch - aim))
        tried += found
        for gland in found:
            if _is_good(gland) and _has_room(gland, width, depth):
                return gland
    if not tried:
        raise SettingsError(f'there is no O-ring {ring!r} in the tables; write its dash number, "AS568-235".')
    near = next((g for g in tried if _is_good(g)), None)
    if near is None:
        near = min(tried, key=lambda g: abs(g.stretch - _AIM))
        if ring != "auto" and where == "shaft" and not STRETCH[0] <= near.stretch <= STRETCH[1]:
            raise SettingsError(
                f"the O-ring {near.ring} would be stretched by {100 * near.stretch:.1f} % on {diameter:.2f} mm, where "
                f"{100 * STRETCH[0]:.0f} to {100 * STRETCH[1]:.0f} % is good; another ring, or let it be chosen: auto."
            )
        raise SettingsError(
            f"no groove for the O-ring {near.ring if ring != 'auto' else 'can be had'} on {diameter:.2f} mm: the "
            f"nearest is stretched by {100 * near.stretch:.1f} % and squeezed by {100 * near.squeeze[0]:.0f} to "
            f"{100 * near.squeeze[2]:.0f} %, its groove filled to {100 * near.fill[0]:.0f} %; another ring, or "
            "a closer fit."
        )
    if near.width + WIDER + 2.0 * near.land > width:
        raise SettingsError(
            f"the groove for {near.ring} is {near.width:g} mm wide and needs {near.land:.1f} mm on either side, which "
            f"{width:.1f} mm of length have no room for; make it longer."
        )
    raise SettingsError(
        f"the groove for {near.ring} is {near.depth:g} mm deep, where the wall has room for {max(0.0, depth):.1f} mm; "
        "a smaller bore, or a thinner ring."
    )


def _made(
    diameter: float,
    doubt: float,
    clearance: tuple[float, float],
    where: str,
    row: dict[str, float],
    ring: tuple[str, float, float, str],
) -> StaticGland:
    name, inside, section, source = ring
    sign = -1.0 if where == "shaft" else 1.0
    at = diameter + sign * 2.0 * row["depth"]
    # The bottom of a groove is turned to h9 in a spigot, bored to H9 in a sleeve: ISO 3601-2:2016, from memory.
    width_of = grade("IT9", at) or 0.0
    groove = (at - width_of, at) if where == "shaft" else (at, at + width_of)
    on = groove[1] if where == "shaft" else diameter
    stretch = on / inside - 1.0
    gap = 0.5 * abs(diameter - at)
    loose = 0.5 * width_of + 0.5 * doubt + 0.5 * clearance[1]
    tight = 0.5 * doubt + 0.5 * max(clearance[1], 0.0)
    tolerance = row["tolerance"]
    least = 1.0 - (gap + loose) / _stretched(section - tolerance, inside, on)
    most = 1.0 - (gap - tight) / _stretched(section + tolerance, inside, on)
    squeeze = (least, 1.0 - gap / _stretched(section, inside, on), most)
    smallest = gap - 0.5 * doubt
    filled = [0.25 * math.pi * _stretched(s, inside, on) ** 2 / row["width"] for s in (section, section + tolerance)]
    fill = (filled[0] / gap, filled[1] / smallest)
    proud = squeeze[2] * (section + tolerance) + _EASY
    lead = (proud, proud / math.tan(math.radians(LEAD_IN)))
    return StaticGland(
        name, source, inside, section, where, groove, row["width"], gap, row["radius"], squeeze, stretch, fill, lead
    )


def _stretched(section: float, inside: float, on: float) -> float:
    """The section of a ring whose inside is brought to a diameter, its volume kept, mm."""
    out = section
    for _ in range(6):
        out = section * math.sqrt((inside + section) / (on + out))
    return out


def _is_named(name: str, words: str) -> bool:
    return name.startswith(f"{words.strip()} ") or name == words.strip()


def _is_good(gland: StaticGland) -> bool:
    if gland.where == "shaft":
        fits = STRETCH[0] <= gland.stretch <= STRETCH[1]
    else:
        fits = _ON_ROD[0] <= 1.0 / (1.0 + gland.stretch) <= _ON_ROD[1]
    return (
        fits
        and SQUEEZE[0] <= gland.squeeze[0]
        and gland.squeeze[2] <= SQUEEZE[1]
        and gland.fill[0] <= FILL[0]
        and gland.fill[1] <= FILL[1]
    )


def _has_room(gland: StaticGland, width: float, depth: float) -> bool:
    return gland.width + WIDER + 2.0 * gland.land <= width and gland.depth <= depth
