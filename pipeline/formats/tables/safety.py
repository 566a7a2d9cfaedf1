"""What to know before metal is cut by these figures: one text, the same in README, report and summary."""

from __future__ import annotations

from pipeline.coverage import PAIR, SINGLE, TRIPLE

SAFETY = (
    (
        "Local codes and licensed practice come first",
        "Whatever this program prints: a rotating machine or a pressure part that is cut, bored or coupled anew "
        "has lost its maker's rating: it needs calculation, guards and inspection by those licensed for it.",
    ),
    (
        "Measure the part",
        "The figures come from a scan and are no substitute for a micrometer, a bore gauge and a dial indicator "
        "on the real metal. Check the sizes that matter before a cut that can't be taken back.",
    ),
    (
        "A filled area was never seen",
        "Metal, a cavity, a crack or nothing at all may be there.",
    ),
    (
        "Walls were not seen",
        "A core may have shifted in the mould, and a scan of the outside tells no wall thickness: measure it by "
        "ultrasonic gauge, or on a section, before metal is taken from it. Castings hide hard spots, blow holes "
        "and thin places.",
    ),
    (
        "Cracks",
        "don't show in a scan: test with dye penetrant, and a pressure part by a pressure test with water, before "
        "and after the work.",
    ),
    (
        "Castings move when they are cut",
        "Rough, unclamp, let the part settle, measure again, then finish.",
    ),
    (
        "Heat",
        "Welding or heating cast iron cracks it unless it is done by a procedure for that iron.",
    ),
    (
        "Cutting and lifting",
        "Clamp the work, guard the cutter, shield the eyes. An uneven casting on the lathe is out of balance: "
        "counterweight it, and start slowly. Magnesium swarf burns and water feeds the fire.",
    ),
    (
        "Dust and residues",
        "Old gaskets may hold asbestos, old paint lead, and a pump what it has pumped: find out before you "
        "scrape, grind or heat. Matting sprays and solvents burn and want air and a mask.",
    ),
    (
        "A pump run as a turbine",
        "Without load it runs away to far above its rated speed, and a gate that shuts fast makes water hammer: "
        "shaft, runner and pipe must stand both. Shut off, drain and lock out water and mains before you reach "
        "in.",
    ),
)
"""Of each what it is about, and what there is to say: common practice of foundries, machine shops and hydro plants, no
source."""

_HELD = "Uncertainties hold the scan's noise, its waves as far as the faces are large enough to show them, "
_NOT_HELD = (
    "matting spray unless its thickness is given, temperature (sizes hold at 20 C, ISO 1), nor what clamping bent. "
    f"Unless a heading says 95 %, they are standard uncertainties (k = 1); 95 % lie within {SINGLE} times that of a "
    f"size, {PAIR} times that of an axis' place or a direction (two components), {TRIPLE:.2f} times that of a "
    "centre (three)."
)


def holds(scale: float | None = None) -> str:
    """What the uncertainties hold and what not, and what +- means: the factors are those of the chi distribution.

    scale  standard uncertainty of the scanner's scale that sizes and distances hold, mm per m; None: they hold none

    >>> holds().partition("They don't hold ")[2].partition(",")[0]
    "the scanner's own scale and calibration (a job gives it as scale_uncertainty under [read])"
    >>> "and distance the scanner's scale, given as 0.05 mm per m." in holds(0.05)
    True
    """
    if scale is None:
        lacking = "the scanner's own scale and calibration (a job gives it as scale_uncertainty under [read]), "
        return f"{_HELD}and what the fit makes of both. They don't hold {lacking}{_NOT_HELD}"
    given = f"every size and distance the scanner's scale, given as {scale:g} mm per m"
    return f"{_HELD}what the fit makes of both, and in {given}. They don't hold {_NOT_HELD}"
