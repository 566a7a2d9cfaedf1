"""Fits of ISO 286 for a size that was measured: what the counterpart is to be made to, and how sure the fit is then.

The wanted fit gives the least and the largest clearance of the standard's two zones. What there is already has one true
size, known as a normal distribution about the measured one. The counterpart gets the width of its own zone, about the
size at which the wanted clearance is met in the middle; made anywhere within that, evenly.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from pipeline.coverage import SINGLE
from pipeline.errors import SettingsError
from pipeline.standards.fits import WHOLE
from pipeline.standards.tables import zone, zones_of

SURE = 0.95  # the share of cases that a fit must hold in to be given
_FIT = re.compile(r"\s*([A-Za-z]+\d+)\s*/\s*([A-Za-z]+\d+)\s*")
_HAIR = 1e-6  # um
_STEPS = 60  # of a bisection


@dataclass(frozen=True)
class MeasuredFit:
    """A fit for a measured diameter; clearances in mm, negative where the parts interfere.

    fit        as it was asked for, "H7/f7"
    nominal    size by which the standard's bands go
    measured   diameter and its standard uncertainty, mm
    wanted     least and largest clearance of the fit
    limits     smallest and largest diameter of the counterpart, mm
    clearance  from where to where it lies in 95 % of cases
    within     share of cases in which it is that of the fit
    on_zone    the same share for a counterpart made to the standard's zone about the nominal size
    """

    fit: str
    nominal: float
    measured: tuple[float, float]
    wanted: tuple[float, float]
    limits: tuple[float, float]
    clearance: tuple[float, float]
    within: float
    on_zone: float

    @property
    def words(self) -> str:
        """What comes of it: "interference 12 to 48 um, 96 % within"."""
        return f"{clearance_words(*self.clearance)}, {share_words(self.within)} within {self.fit}"

    @property
    def presses(self) -> bool:
        """Whether the fit wants interference throughout."""
        return self.wanted[1] <= 0.0


def measured_fit(fit: str, diameter: float, sigma: float | None, side: str, where: str) -> MeasuredFit:
    """The counterpart of a bore (side "bore") or an outside diameter ("boss") for a fit such as "H7/p6".

    diameter, sigma  measured, and standard uncertainty, mm; None: it can't be vouched for
    where            what it is, for sentences

    Raises SettingsError for a fit that the tables don't have, and for one that this size can't give in 95 % of cases.

    >>> measured_fit("H7/f7", 84.996, 0.006, "bore", "the bore").words
    'clearance 50 to 92 um, 99 % within H7/f7'
    """
    hole, shaft, nominal = _zones(fit, diameter)
    wanted = (hole[0] - shaft[1], hole[1] - shaft[0])
    own = shaft if side == "bore" else hole
    sign = -1.0 if side == "bore" else 1.0
    if sigma is None:
        raise SettingsError(
            f"the fit {fit} can't be given: nothing vouches for the diameter of {where}; gauge it and put it into the "
            "job as [[measured]]."
        )
    middle = diameter + sign * 0.5 * (wanted[0] + wanted[1])
    width = 0.5 * (own[1] - own[0])
    # To whole micrometres, as a drawing has them, inwards.
    limits = (math.ceil(1e3 * (middle - width) - _HAIR) / 1e3, math.floor(1e3 * (middle + width) + _HAIR) / 1e3)
    half, made = 0.5 * (limits[1] - limits[0]), 0.5 * (limits[0] + limits[1])
    reach = 0.5 * (wanted[1] - wanted[0])
    within = _between(-reach, reach, made - middle, half, sigma)
    if within < SURE:
        allowed = _sigma_for(reach, half)
        others = [f for f in _looser(fit, side) if _gives(f, diameter, sigma, side, wanted)]
        instead = f", or ask for {' or '.join(others[:2])}" if others else ""
        raise SettingsError(
            f"the fit {fit} can't be given: {where} is known to {_um(SINGLE * sigma)} either way (95 %), so it would "
            f"hold in {share_words(within)} of cases; gauge it to {_um(SINGLE * allowed)} or better and put that "
            f"into the job as [[measured]]{instead}."
        )
    low, high = _quantiles(sign * (made - diameter), half, sigma)
    zone_middle = sign * (nominal + 0.5 * (own[0] + own[1]) - diameter)
    on_zone = _between(wanted[0], wanted[1], zone_middle, width, sigma)
    return MeasuredFit(fit, nominal, (diameter, sigma), wanted, limits, (low, high), within, on_zone)


def counterpart(zone_name: str, size: float) -> tuple[float, float]:
    """Smallest and largest diameter, mm, of a nominal size made to a zone such as "H7".

    Raises SettingsError where the tables don't have it.

    >>> [round(v, 3) for v in counterpart("H7", 62.0)]
    [62.0, 62.03]
    """
    limits = _zone(zone_name, size)
    return size + limits[0], size + limits[1]


def clearance_words(low: float, high: float) -> str:
    """A range of clearances, mm, in words.

    >>> clearance_words(-0.048, -0.012), clearance_words(-0.01, 0.02)
    ('interference 12 to 48 um', 'interference 10 to clearance 20 um')
    """
    a, b = f"{1e3 * abs(low):.0f}", _um(high)
    if low >= 0.0:
        return f"clearance {a} to {b}"
    if high <= 0.0:
        return f"interference {1e3 * abs(high):.0f} to {_um(low)}"
    return f"interference {a} to clearance {b}"


def _um(length: float) -> str:
    return f"{1e3 * abs(length):.0f} um"


def share_words(share: float) -> str:
    """A share of cases in per cent, never said to be more than it is.

    >>> share_words(0.9688), share_words(0.99999)
    ('96 %', '99 %')
    """
    return f"{math.floor(100.0 * share):.0f} %"


def _zones(fit: str, diameter: float) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Lower and upper deviation of hole and shaft, mm, and the nominal size whose bands they are of."""
    found = _FIT.fullmatch(fit)
    if found is None or not found[1][0].isupper() or not found[2][0].islower():
        raise SettingsError(f'the fit {fit!r} is not one of hole and shaft; write it as ISO 286 does, "H7/f7".')
    whole = float(round(diameter))
    nominal = whole if abs(diameter - whole) <= WHOLE else diameter
    return _zone(found[1], nominal), _zone(found[2], nominal), nominal


def _zone(name: str, size: float) -> tuple[float, float]:
    side = "bore" if name[:1].isupper() else "boss"
    known = [z for z, _ in zones_of(side)]
    if name not in known:
        raise SettingsError(f"the tolerance zone {name!r} is not in the tables; there are {', '.join(known)}.")
    limits = zone(name, size)
    if limits is None:
        raise SettingsError(f"the tolerance zone {name} goes up to 500 mm in the tables, not to {size:.1f} mm.")
    return limits


def _looser(fit: str, side: str) -> list[str]:
    """Fits with the same zone of what there is, that clear or interfere alike."""
    first, _, second = fit.replace(" ", "").partition("/")
    if side == "bore":
        return [f"{first}/{name}" for name, _ in zones_of("boss") if name != second]
    return [f"{name}/{second}" for name, _ in zones_of("bore") if name != first]


def _gives(fit: str, diameter: float, sigma: float, side: str, wanted: tuple[float, float]) -> bool:
    """Whether another fit can be given, that clears where the wanted one does, or interferes where that does."""
    hole, shaft, _ = _zones(fit, diameter)
    low, high = hole[0] - shaft[1], hole[1] - shaft[0]
    alike = (low >= 0.0) == (wanted[0] >= 0.0) and (high <= 0.0) == (wanted[1] <= 0.0)
    own = shaft if side == "bore" else hole
    return alike and _between(-0.5 * (high - low), 0.5 * (high - low), 0.0, 0.5 * (own[1] - own[0]), sigma) >= SURE


def _between(low: float, high: float, middle: float, half: float, sigma: float) -> float:
    """Share in [low, high] of middle + even in +-half + normal of standard deviation sigma."""
    return _below(high - middle, half, sigma) - _below(low - middle, half, sigma)


def _below(x: float, half: float, sigma: float) -> float:
    """Share below x of the sum of an even distribution in +-half and a normal one."""
    if sigma <= 0.0:
        return min(1.0, max(0.0, 0.5 + 0.5 * x / half))
    return sigma / (2.0 * half) * (_area((x + half) / sigma) - _area((x - half) / sigma))


def _area(z: float) -> float:
    """Integral of the normal distribution's share below, up to z."""
    return z * 0.5 * math.erfc(-z / math.sqrt(2.0)) + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def _quantiles(middle: float, half: float, sigma: float) -> tuple[float, float]:
    """From where to where 95 % lie, evenly about the middle."""
    low, high = 0.0, half + 6.0 * sigma
    for _ in range(_STEPS):
        x = 0.5 * (low + high)
        low, high = (x, high) if _between(-x, x, 0.0, half, sigma) < SURE else (low, x)
    return middle - high, middle + high


def _sigma_for(reach: float, half: float) -> float:
    """The standard uncertainty with which a fit just holds, mm."""
    low, high = 0.0, 4.0 * reach
    for _ in range(_STEPS):
        s = 0.5 * (low + high)
        low, high = (s, high) if _between(-reach, reach, 0.0, half, s) >= SURE else (low, s)
    return low
