"""Press fits by Lamé: two thick rings, elastic, both as long as their contact."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.errors import SettingsError
from pipeline.standards.tables import table

# Friction while parts are pressed together, dry to oiled, metal on metal: common practice, no source.
FRICTION = (0.08, 0.15)


@dataclass(frozen=True)
class Material:
    """Young's modulus and strength in MPa: of cast iron tensile, of others yield."""

    name: str
    modulus: float
    poisson: float
    strength: float


@dataclass(frozen=True)
class Press:
    """What an interference does: MPa at the contact, hoop stress at the hub's bore and outside, and at the shaft's
    outside and, where it is hollow, inside (negative: squeezed); N to press it together, with the friction given."""

    pressure: float
    hub_bore: float
    hub_outside: float
    shaft_outside: float
    shaft_inside: float
    force: float


def material(name: str) -> Material:
    """A material of the table by its name.

    Raises SettingsError where there is none.

    >>> material("grey iron").modulus
    105000.0
    """
    for row in table("materials").rows:
        if row["material"] == name.strip().lower():
            return Material(row["material"], 1e3 * row["modulus"], row["poisson"], row["strength"])
    known = ", ".join(row["material"] for row in table("materials").rows)
    raise SettingsError(f"the material {name!r} is not in the table; there are {known}.")


def press_fit(
    diameters: tuple[float, float, float],
    interference: float,
    length: float,
    hub: Material,
    shaft: Material,
    friction: float = FRICTION[1],
) -> Press:
    """Pressure, stresses and force of a press fit.

    diameters     mm: inside of the shaft (0 of a solid one), of the contact, outside of the hub
    interference  mm of the diameters; length: mm of contact

    Lamé's equations for rings in plane stress; roughness that is pressed flat left out.

    >>> steel = Material("steel", 200e3, 0.3, 235.0)
    >>> round(press_fit((0.0, 50.0, 80.0), 0.04, 40.0, steel, steel).pressure, 2)
    48.75
    """
    inside, d, outside = diameters
    outer = (outside**2 + d**2) / (outside**2 - d**2)
    inner = (d**2 + inside**2) / (d**2 - inside**2)
    soft = (outer + hub.poisson) / hub.modulus + (inner - shaft.poisson) / shaft.modulus
    p = interference / (d * soft)
    return Press(
        p,
        p * outer,
        2.0 * p * d**2 / (outside**2 - d**2),
        -p * inner,
        -2.0 * p * d**2 / (d**2 - inside**2),
        math.pi * d * length * p * friction,
    )
