"""Diameters as a gauge might find them on real parts, what each was made as, and what it must not be called.

Written down before the code that names them. Sizes are mm; `sigma` is the standard uncertainty of the diameter.
`beside` is the coaxial cylinder that a groove is cut into or, for a groove in a face, its inner wall.

Sources, by the letters in each row:
  B  bearing boundary dimensions ISO 15:2017 and ISO 355:2007 (tapered), from memory
  Z  limits of the zone: ISO 286-1:2010, tables 1 to 5, from memory
  C  clearance holes ISO 273:1979, table 1, from memory
  T  tapping holes ISO 2306:1972; G threads: common practice, no source
  N  NPT tapping drills, not reamed: common practice, no source
  D  a drill cuts up to 0.1 mm over its size (0.2 mm above 13 mm): common practice, no source
  O  AS568 / ISO 3601-1:2012 rings, from memory; housings as in ISO 3601-2:2016, from memory
  P  dowel pins ISO 8734:1997 and ISO 2338:1997, m6, in holes H7, from memory
  L  lip seals ISO 6194-1:2007: bore H8, shaft h11, from memory
  W  when a ring creeps in its seat: common practice, no source
"""

from __future__ import annotations

from typing import NamedTuple


class Measured(NamedTuple):
    """One diameter: what = the sort of the right name, `name` a part of it, `never` sorts that must not be offered,
    `note` a part of what must be told."""

    side: str
    diameter: float
    length: float
    what: str
    name: str
    source: str
    never: tuple[str, ...] = ()
    note: str = ""
    beside: tuple[str, float] | None = None
    sigma: float = 0.006


HOLES = ("clearance hole", "drill", "tapping hole")
SEATS = ("bearing seat",)

MEASURED = (
    # Seats in housings.
    Measured("bore", 72.012, 21.3, "bearing seat", "6207 outer ring", "B Z", HOLES),
    Measured("bore", 62.004, 16.2, "bearing seat", "6206 outer ring", "B Z", HOLES),
    Measured("bore", 52.010, 15.0, "bearing seat", "6205 outer ring", "B Z", HOLES),
    Measured("bore", 47.008, 14.0, "bearing seat", "6204 outer ring", "B Z", ("clearance hole",)),
    Measured("bore", 80.015, 18.3, "bearing seat", "6208 outer ring", "B Z", HOLES),
    Measured("bore", 22.008, 7.1, "bearing seat", "608 outer ring", "B Z", ("clearance hole",)),
    Measured("bore", 26.006, 7.9, "bearing seat", "6000 outer ring", "B Z", ("clearance hole",)),
    Measured("bore", 52.012, 16.3, "bearing seat", "30205 outer ring", "B Z", HOLES),
    Measured("bore", 62.010, 23.7, "bearing seat", "3206 outer ring", "B Z", HOLES),
    Measured("bore", 62.008, 20.1, "bearing seat", "2206 outer ring", "B Z", HOLES),
    Measured("bore", 71.985, 17.0, "bearing seat", "6207 outer ring", "B Z", HOLES),
    Measured("bore", 90.010, 23.0, "bearing seat", "6308 outer ring", "B Z", HOLES),
    # Seats on shafts.
    Measured("boss", 25.008, 15.0, "bearing seat", "6205 inner ring", "B Z"),
    Measured("boss", 35.012, 17.0, "bearing seat", "6207 inner ring", "B Z"),
    Measured("boss", 8.002, 7.0, "bearing seat", "608 inner ring", "B Z"),
    Measured("boss", 30.004, 17.3, "bearing seat", "30206 inner ring", "B Z"),
    # Worn seats: told, not offered.
    Measured(
        "bore", 72.120, 17.0, "worn bearing seat", "6207", "B Z W", SEATS, "0.09 mm over 72 H7: the ring would creep"
    ),
    Measured(
        "bore", 52.080, 15.0, "worn bearing seat", "6205", "B Z W", SEATS, "0.05 mm over 52 H7: the ring would creep"
    ),
    Measured("bore", 61.919, 16.0, "bearing seat, tight", "6206", "B Z W", SEATS, "0.03 mm under 62 P7"),
    Measured(
        "boss", 24.950, 15.0, "worn bearing seat", "6205", "B Z W", SEATS, "0.03 mm under 25 g6: the ring would creep"
    ),
    # Drilled holes.
    Measured("bore", 10.050, 18.0, "drill", "10 mm", "D"),
    Measured("bore", 11.040, 17.0, "clearance hole", "M10 medium", "C", SEATS),
    Measured("bore", 17.620, 17.0, "clearance hole", "M16 medium", "C"),
    Measured("bore", 6.756, 12.0, "drill", "17/64 in", "D", note="can't be told apart"),
    Measured("bore", 29.450, 20.0, "drill", "1-5/32 in", "D"),
    Measured("bore", 38.150, 25.0, "drill", "1-1/2 in", "D", ("clearance hole",)),
    Measured("bore", 33.030, 20.0, "drill", "33 mm", "D", ("clearance hole",)),
    # Tapping holes.
    Measured("bore", 6.820, 20.0, "tapping hole", "M8", "T"),
    Measured("bore", 8.540, 22.0, "tapping hole", "M10", "T"),
    Measured("bore", 8.850, 12.0, "tapping hole", "G 1/8", "T"),
    Measured("bore", 11.840, 14.0, "tapping hole", "G 1/4", "T"),
    Measured("bore", 19.050, 18.0, "tapping hole", "G 1/2", "T"),
    Measured("bore", 24.550, 20.0, "tapping hole", "G 3/4", "T"),
    Measured("bore", 14.720, 14.0, "tapping hole", "3/8-18 NPT", "N"),
    Measured("bore", 18.300, 18.0, "tapping hole", "1/2-14 NPT", "N"),
    # O-ring glands.
    Measured("bore", 30.400, 4.9, "O-ring groove", "AS568-214", "O", SEATS, beside=("bore", 25.05)),
    Measured("boss", 48.500, 4.9, "O-ring groove", "AS568-225", "O", SEATS, beside=("boss", 53.90)),
    Measured("boss", 41.000, 4.9, "O-ring groove", "40 x 3.55", "O", SEATS, beside=("boss", 46.50)),
    Measured("bore", 60.000, 2.8, "O-ring groove", "AS568-227", "O", SEATS, beside=("boss", 50.20)),
    # Dowels.
    Measured("bore", 8.006, 16.0, "dowel pin hole", "8 mm", "P"),
    Measured("bore", 10.010, 20.0, "dowel pin hole", "10 mm", "P"),
    Measured("boss", 6.008, 10.0, "dowel pin", "6 mm", "P"),
    # Lip seals.
    Measured("bore", 52.020, 7.5, "lip seal bore", "30 x 52 x 7", "L", HOLES),
    Measured("bore", 47.020, 7.2, "lip seal bore", "30 x 47 x 7", "L", ("clearance hole",)),
    Measured("boss", 29.950, 20.0, "lip seal shaft", "30 x 47 x 7", "L", SEATS),
    # Zones of sizes that are no whole millimetre.
    Measured("bore", 85.514, 16.0, "tolerance zone", "85.5 H7", "Z", note="does not show the zone"),
    Measured("bore", 38.112, 30.0, "tolerance zone", "38.1 H7", "Z", note="does not show the zone"),
    Measured("boss", 40.030, 18.0, "tolerance zone", "40 p6", "Z", note="does not show the zone"),
)
