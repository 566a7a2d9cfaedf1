"""Whether a part, as its cuts leave it, is thick enough; how walls are told and drawn, for cuts as well."""

from __future__ import annotations

import numpy as np

from pipeline.errors import SettingsError
from pipeline.fitup import MEASURED, NO_WALL, UNKNOWN, Placed, Walls, features_in_words, walls
from pipeline.formats.fit_file import wall_record
from pipeline.geometry import Floats, Longs, basis_of, transformed
from pipeline.layout import WallQuestion
from pipeline.lengths import mm, mm2, place_in_mm
from pipeline.mesh.topology import facet_normals
from pipeline.progress import Progress
from pipeline.questions.kind import Kind, Parts
from pipeline.report.fit import Grid, Listed, Section, Shown, Term, section_through
from pipeline.surfaces import kind_of

_MOST_SECTIONS, _MOST_MAPS = 3, 4
_SHOWN = 4  # thin places on a terminal
_A_CELL = 4.0  # points of a map
_ALONG = np.cos(np.radians(1.0))  # of an axis with one of the part's, which it is told by then


def _answer(question: WallQuestion, parts: Parts, progress: Progress) -> Walls:
    part = parts[question.part]
    behind: list[int] = []
    for words in question.behind:
        try:
            behind += features_in_words(part.body, words)
        except SettingsError as error:
            raise SettingsError(f"wall: {error}") from None
    if not part.body.closed:
        raise SettingsError(
            f"wall: the part {question.part} is not closed all round, so its walls have no other side; close its gaps."
        )
    return walls(part, question.least.mm, behind, None, progress)


def wall_lines(part: str, wall: Walls) -> list[str]:
    """What is said of walls, for people."""
    lines = [f"wall       {part}: {wall.verdict}: {wall.why}"]
    for one in wall.spots[:_SHOWN]:
        here, there = (place_in_mm(place, ".1f") for place in one.spot.places)
        before = "not known" if one.sounding.before is None else mm(one.sounding.before)
        lines.append(
            f"           {one.verdict}: {here} on {one.spot.on[0] or 'skin'} to "
            f"{there} on {one.spot.on[1] or 'skin'}: {one.why}; there now: {before}"
        )
    if len(wall.spots) > _SHOWN:
        lines.append(f"           {len(wall.spots) - _SHOWN} more places in fit.json")
    return [*lines, *_unknown(wall)]


def _unknown(wall: Walls) -> list[str]:
    what = f"behind {mm2(wall.unknown)} it isn't known: what is beyond was filled or never scanned"
    return [f"           {what}"] if wall.unknown > 0.0 else []


def wall_places(name: str, part: Placed, wall: Walls) -> tuple[list[Section], tuple[Term, ...]]:
    """Sections through the thinnest places of walls, and what the thinnest isn't known better than by."""
    sections = []
    most = 1 if wall.verdict == "holds" else _MOST_SECTIONS
    for one in wall.spots[:most]:
        places = transformed(part.pose.matrix, one.spot.places)
        seen = f" ± {mm(one.spot.expanded)}" if one.seen else ", beyond never measured"
        label = f"wall {mm(one.spot.distance)}{seen}"
        sections.append(section_through({name: part}, (name, name), places, label))
    terms = tuple(Term(t.name, t.kind, t.size) for t in wall.spots[0].spot.terms) if wall.spots else ()
    return sections, terms


def soundings(name: str, wall: Walls) -> tuple[Listed, ...]:
    """The places at which a wall should be measured by ultrasound, as a table; none where nothing is thin."""
    rows = []
    for number, one in enumerate(wall.spots, 1):
        way, known = one.sounding.way.round(2) + 0.0, one.sounding.before
        rows.append(
            (
                str(number),
                place_in_mm(one.sounding.place, ".1f"),
                f"[{way[0]:.2f}, {way[1]:.2f}, {way[2]:.2f}]",
                "not known" if known is None else mm(known),
                mm(one.sounding.after),
                f"{one.spot.on[0] or 'skin'} to {one.spot.on[1] or 'skin'}: {one.verdict}",
            )
        )
    heads = ("#place", f"on the outside of {name}", "into the metal along", "#there now", "#then", "wall")
    return (Listed("Places to sound by ultrasound before metal is taken", heads, tuple(rows)),) if rows else ()


def wall_maps(part: Placed, wall: Walls) -> tuple[Grid, ...]:
    """How thick the metal is behind each face that was asked of, the thinnest first; of a whole part, as it is seen
    from six sides. Each cell has the least of its points; one behind which anything was never seen is not known."""
    body, grids = part.body, []
    label = body.labels[wall.facets]
    chosen = [k for k in np.unique(label) if k >= 0 and _is_drawn(part, int(k))]
    if (label < 0).any() or len(chosen) > 2 * _MOST_MAPS:
        normals = facet_normals(body.surface.vertices, body.surface.faces)[wall.facets]
        side = np.abs(normals).argmax(axis=1)
        ahead = np.take_along_axis(normals, side[:, None], axis=1)[:, 0] > 0
        for axis in range(3):
            for way in (False, True):
                mine = np.flatnonzero((side == axis) & (ahead == way))
                across, up = sorted({0, 1, 2} - {axis})
                flat = wall.points[mine][:, [across, up]]
                title = f"Walls of {body.name} behind faces that look along {'+' if way else '−'}{'xyz'[axis]}"
                grids.append(_map(wall, mine, flat, f"{'xyz'[across]}, mm", f"{'xyz'[up]}, mm", title))
    else:
        for k in chosen:
            mine = np.flatnonzero(label == k)
            feature = body.features[k]
            title = f"Wall behind {feature.id}{f', {feature.name}' if feature.name else ''}"
            grids.append(_map(wall, mine, *_unrolled(part, int(k), wall.points[mine]), title))
    made = [(grid, float(np.nanmin(grid.values))) for grid in grids if grid is not None and _known(grid)]
    return tuple(grid for grid, _ in sorted(made, key=lambda pair: pair[1])[:_MOST_MAPS])


def _known(grid: Grid) -> bool:
    return bool(np.isfinite(grid.values).any())


def _is_drawn(part: Placed, k: int) -> bool:
    kind = kind_of(part.body.features[k])
    return kind.flat or kind.cylindrical


def _unrolled(part: Placed, k: int, points: Floats) -> tuple[Floats, str, str]:
    """Points (n, 3) on a plane or cylinder as (n, 2), and what both of these are called."""
    feature = part.body.features[k]
    assert feature.direction is not None
    axis = int(np.abs(feature.direction).argmax())
    own = abs(feature.direction[axis]) > _ALONG
    direction = np.eye(3)[axis] if own else feature.direction
    first, second = (np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]) if own else basis_of(direction)
    if kind_of(feature).flat:
        names = ["xyz"[(axis + s) % 3] if own else ("along", "across")[s - 1] for s in (1, 2)]
        return points @ np.column_stack([first, second]), f"{names[0]}, mm", f"{names[1]}, mm"
    off = points - feature.point
    angle = np.degrees(np.arctan2(off @ second, off @ first)) % 360.0
    station = points @ direction if own else off @ direction
    about = f"angle about {'xyz'[axis]} from {'xyz'[(axis + 1) % 3]}" if own else "angle"
    return np.column_stack([station, angle]), f"{'xyz'[axis] if own else 'station'}, mm", f"{about}, degrees"


def _map(wall: Walls, mine: Longs, flat: Floats, across: str, upwards: str, title: str) -> Grid | None:
    """Points `mine` of walls, at (n, 2) of a picture, as a map; None where they are too few."""
    if len(mine) < 4 * _A_CELL:
        return None
    low, size = flat.min(axis=0), np.maximum(np.ptp(flat, axis=0), 1e-6)
    cells = max(16.0, len(mine) / _A_CELL)
    wide = int(np.clip(np.sqrt(cells * 2.0), 4, 90))
    tall = int(np.clip(cells / wide, 4, 60))
    i, j = (
        np.minimum((share * n).astype(int), n - 1)
        for share, n in zip(((flat - low) / size).T, (wide, tall), strict=True)
    )
    values = np.full((tall, wide), np.inf)
    state = wall.state[mine]
    there, unknown = np.zeros((tall, wide), bool), np.zeros((tall, wide), bool)
    known = state == MEASURED
    np.minimum.at(values, (j[known], i[known]), wall.thickness[mine][known])
    there[j[state != NO_WALL], i[state != NO_WALL]] = True
    unknown[j[state == UNKNOWN], i[state == UNKNOWN]] = True
    values[unknown | ~np.isfinite(values)] = np.nan
    xs, ys = (low[d] + (np.arange(n) + 0.5) / n * size[d] for d, n in ((0, wide), (1, tall)))
    return Grid(xs, ys, values, across, upwards, "metal behind it, mm", title, there, wall.least)


def _shown(question: WallQuestion, found: Walls, parts: Parts) -> Shown:
    part = parts[question.part]
    sections, terms = wall_places(question.part, part, found)
    facts = tuple(line.strip() for line in _unknown(found))
    maps, lists, asked = wall_maps(part, found), soundings(question.part, found), f"walls: {question.part}"
    held = found.verdict == "holds"
    return Shown(asked, found.verdict, held, found.why, facts, tuple(sections), terms, (), maps, lists)


KIND = Kind[WallQuestion, Walls](
    table="wall",
    field="walls",
    about=lambda question: question.part,
    answer=_answer,
    record=lambda question, found: wall_record(question.part, question.behind, found),
    held=lambda found: found.verdict == "holds",
    lines=lambda question, found: wall_lines(question.part, found),
    shown=_shown,
)
