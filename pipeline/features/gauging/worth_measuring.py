"""Which sizes are worth measuring on the part: those that a bearing, a seal, a spigot or a fit hangs on, and datums.

What a measurement gains is counted by how much of the tolerance that hangs on a size the scan leaves open. Gauges and
where to hold them are the trade's: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np

from pipeline.coverage import SINGLE
from pipeline.features.gauging.checks import is_wall
from pipeline.features.relations import SAME_WAY, Apart, apart
from pipeline.features.uncertainty import with_scale
from pipeline.geometry import angle_between_lines
from pipeline.standards import TIGHT_SEAT, WORN_SEAT, tolerance
from pipeline.surfaces import kind_of
from pipeline.values import Feature, SizeCheck, SizeSuggestion, ToMeasure

SHORT, SMALL = 8.0, 6.0  # mm: a bore shorter than this has no taper to speak of, one smaller takes no bore gauge
_SHOWN, _WORDS = 3, 2
# mm: over less than this a scale of 0.1 % is hardly more than a height gauge tells, some 0.02 mm.
_LEAST_FOR_SCALE = 30.0
_MOST_SCALE = 8  # faces, the largest first, that are tried for a distance


class _Sort(NamedTuple):
    """What hangs on a size that has such a suggestion, and the grades of its tolerance in a bore and on a shaft."""

    what: str
    words: str
    bore: str
    shaft: str


# The weightiest first. Grades: ISO 6194-1:2007 for lip seals, from memory; the others common practice, no source.
_SORTS = (
    _Sort(WORN_SEAT, "a bearing seat that looks worn", "IT7", "IT6"),
    _Sort(TIGHT_SEAT, "a bearing seat that looks tight", "IT7", "IT6"),
    _Sort("bearing seat", "a bearing seat by its size", "IT7", "IT6"),
    _Sort("lip seal bore", "the bore of a lip seal by its size", "IT8", "IT8"),
    _Sort("lip seal shaft", "the shaft of a lip seal by its size", "IT11", "IT11"),
    _Sort("O-ring groove", "a groove for an O-ring by its size", "IT9", "IT9"),
    _Sort("dowel pin hole", "a hole for a dowel by its size", "IT7", "IT7"),
    _Sort("dowel pin", "a dowel by its size", "IT6", "IT6"),
    _Sort("tolerance zone", "a fit or spigot by its size", "IT7", "IT7"),
)
_DATUM = "IT7"


def worth_measuring(
    features: Sequence[Feature],
    suggestions: Sequence[SizeSuggestion],
    datums: Mapping[str, str],
    done: Sequence[SizeCheck] = (),
) -> tuple[ToMeasure, ...]:
    """The sizes to measure by hand, what gains most first; last a distance that tells the scanner's scale.

    suggestions: of those features; datums: letter of each datum's feature, by its id; done: sizes that were measured
    already, which are left out.

    >>> from pipeline.standards import suggest
    >>> from tests.features.made import bore
    >>> seat = bore('seat', (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 36.0, 17.0)
    >>> (first,) = worth_measuring([seat], suggest([seat]), {'seat': 'A'})
    >>> first.how
    'bore gauge at 3 depths, 2 directions: taper and ovality'
    >>> first.why.split(' (')[0], round(first.open, 2)
    ('datum A; a bearing seat by its size', 0.52)
    """
    measured = {check.feature for check in done if check.what == "diameter"}
    out = []
    for feature in features:
        if feature.radius is None or not kind_of(feature).one_size or feature.id in measured:
            continue
        mine = [s for s in suggestions if s.feature == feature.id]
        found = [sort for sort in _SORTS if any(s.what == sort.what for s in mine)]
        if found or feature.id in datums:
            out.append(_size(feature, found, mine, datums.get(feature.id)))
    out.sort(key=_gain)
    if out and not any(check.what != "diameter" for check in done):
        out += _for_scale(features)
    return tuple(out)


def _gain(item: ToMeasure) -> tuple[bool, bool, float, str]:
    """A size that was never known comes first, then what looks wrong, then by how much the scan leaves open."""
    wrong = "looks worn" in item.why or "looks tight" in item.why
    return (item.open is not None, not wrong, -(item.open or 0.0), item.features[0])


def _size(feature: Feature, sorts: Sequence[_Sort], mine: Sequence[SizeSuggestion], letter: str | None) -> ToMeasure:
    assert feature.radius is not None
    size = 2.0 * feature.radius
    inside = feature.side == "bore"
    # The weightiest tells the tolerance; that a size is a fit goes without saying where it is something finer.
    sort = sorts[0] if sorts else None
    said = [s for s in sorts if s is sort or s.what != "tolerance zone"][:_WORDS]
    grade = _DATUM if sort is None else sort.bore if inside else sort.shaft
    width = tolerance(grade, size)
    sigma = None if feature.uncertainty.radius is None else 2.0 * feature.uncertainty.radius
    why = [f"datum {letter}"] if letter is not None else []
    why += [_hangs(one, [s for s in mine if s.what == one.what]) for one in said]
    tool, where, rows, columns = _gauge(feature, inside, sort)
    return ToMeasure(
        (feature.id,),
        "diameter",
        "; ".join(why),
        f"{tool} {where}",
        size,
        sigma,
        None if sigma is None or width is None else 2.0 * SINGLE * sigma / width,
        tool,
        rows,
        columns,
    )


def _hangs(sort: _Sort, found: Sequence[SizeSuggestion]) -> str:
    if sort.what in (WORN_SEAT, TIGHT_SEAT):
        return f"{sort.words}: {found[0].note}"
    if sort.what not in ("bearing seat", "O-ring groove"):
        return sort.words
    names = list(dict.fromkeys(s.name.split(" ")[0] for s in found))
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return f"{sort.words} ({', '.join(names[:_SHOWN])}{more})"


def _gauge(feature: Feature, inside: bool, sort: _Sort | None) -> tuple[str, str, tuple[str, ...], tuple[str, ...]]:
    """With what and where, and the rows and columns of the table to fill in."""
    directions = ("direction 1", "direction 2, square to it")
    if sort is not None and sort.what == "O-ring groove":
        return "groove micrometer", "at 4 places round: bottom, and the depth with it", ("bottom",), directions
    if sort is not None and sort.what == "lip seal shaft":
        return "micrometer", "where the lip runs and beside it: wear", ("under the lip", "beside it"), directions
    if inside and 2.0 * (feature.radius or 0.0) < SMALL:
        return "pin gauges", "from both ends: go and no-go", ("largest that goes", "smallest that doesn't"), ("pin",)
    short = feature.extent.length is not None and feature.extent.length < SHORT
    tool = "bore gauge" if inside else "micrometer"
    if short:
        return tool, "at 1 depth, 3 directions: ovality", ("middle",), (*directions[:1], "at 60 deg", "at 120 deg")
    where = "at 3 depths, 2 directions: taper and ovality" if inside else "at 3 places, 2 directions: taper and ovality"
    rows = ("near the mouth", "middle", "far end") if inside else ("one end", "middle", "other end")
    return tool, where, rows, directions


def _for_scale(features: Sequence[Feature]) -> list[ToMeasure]:
    """The longest distance between two faces that look the same way: a coating shifts both alike, a scale doesn't.
    Where there is none, the longest between any two: with the diameters it tells a scale from a coating."""
    faces = [f for f in features if kind_of(f).flat and f.confidence == "good"]
    faces = sorted(faces, key=lambda f: -f.extent.area)[:_MOST_SCALE]
    best: tuple[bool, float, Feature, Feature, Apart] | None = None
    for one, other in combinations(faces, 2):
        assert one.direction is not None
        assert other.direction is not None
        if angle_between_lines(one.direction, other.direction) > SAME_WAY:
            continue
        found = apart(one, other)
        if found is None or found.value < _LEAST_FOR_SCALE:
            continue
        alike = bool(one.direction @ other.direction > 0.0)
        if best is None or (alike, found.value) > best[:2]:
            best = (alike, found.value, one, other, found)
    if best is None:
        return []
    alike, _, one, other, found = best
    spread = (found.high - found.low) / np.sqrt(12.0)
    why = "the scanner's own scale" + (
        ", free of any coating: both faces look the same way"
        if alike
        else ": with the diameters it tells it from a coating"
    )
    return [
        ToMeasure(
            (one.id, other.id),
            "thickness" if is_wall((one, other)) else "distance",
            why,
            "height gauge at 3 places: parallelism",
            found.value,
            with_scale(float(np.hypot(found.sigma, spread)), found.value, one.uncertainty.scale),
            None,
            "height gauge",
            ("place 1", "place 2", "place 3"),
            ("height",),
        )
    ]
