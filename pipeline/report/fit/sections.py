"""Sections through placed parts: where two are nearest, to scale, with a leader between the places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from pipeline.fitup import Placed
from pipeline.formats.drawings import Item, Line, Polyline, Text
from pipeline.geometry import MM_PER_INCH, Floats, box_of, cross, rejection, unit
from pipeline.mesh.query import plane_section
from pipeline.palette import Paint, colour_of, css, part_look
from pipeline.report import safe
from pipeline.report.fit.charts import round_length

_LEAST, _TIMES = 30.0, 7.0  # mm that a section is wide at least, and how many times the distance
_SHAPE = 0.62  # height by width
_INK = 0.004  # of the width, a line
_BESIDE = 0.2  # mm
_ENOUGH = 0.3  # of the width, outline of both parts that a section is to show


@dataclass(frozen=True)
class Section:
    """A cut through parts by the plane of two places.

    runs     by part, in the layout's order: outlines (k, 2) mm, closed ones end where they begin
    leader   (2, 2) mm, the two places
    label    what stands at the leader
    wide     mm that the picture is wide; its middle is that of the leader
    looks    along which direction of the parts' coordinates one looks, (3,)
    unit     "mm" | "in", of the scale bar
    """

    runs: dict[str, tuple[Floats, ...]]
    leader: Floats
    label: str
    wide: float
    looks: Floats
    unit: str = "mm"


def section_through(parts: Mapping[str, Placed], between: Sequence[str], places: Floats, label: str) -> Section:
    """The section through two places (2, 3) mm of two parts, along the axis of theirs that shows most of both.

    >>> from pipeline.fitup import Placed, placed, turned_body
    >>> rod = Placed(turned_body("rod", [(0, 20), (50, 20)], 0.01), placed([]))
    >>> places = np.array([[10.0, 0, 25], [14.0, 0, 25]])
    >>> cut = section_through({"rod": rod, "bar": rod}, ("rod", "bar"), places, "4 mm")
    >>> cut.wide, np.abs(cut.leader).round(6).tolist(), len(cut.runs["rod"])
    (30.0, [[0.0, 2.0], [0.0, 2.0]], 1)
    """
    middle, gap = places.mean(axis=0), places[1] - places[0]
    upwards = unit(gap) if np.linalg.norm(gap) > 1e-9 else np.array([0.0, 0.0, 1.0])
    wide = max(_LEAST, _TIMES * float(np.linalg.norm(gap)))
    best, runs, across, normal = -1.0, {}, np.eye(3)[0], np.eye(3)[2]
    pair = [parts[name] for name in between]
    # Beside the places a little, where a plane through them is one of a part's own faces.
    for way, beside in product(_ways(pair, upwards), (0.0, _BESIDE, -_BESIDE)):
        seen = cross(way, upwards)
        if beside and best > _ENOUGH * wide:
            continue
        cut = {}
        for name, part in parts.items():
            found = plane_section(part.vertices, part.body.surface.faces, middle + beside * seen, seen)
            cut[name] = tuple(np.column_stack([(r - middle) @ way, (r - middle) @ upwards]) for r in found)
        shows = min(sum(_length_within(run, wide) for run in cut[name]) for name in between)
        if shows > 1.1 * best:
            best, runs, across, normal = shows, cut, way, seen
    leader = np.column_stack([(places - middle) @ across, (places - middle) @ upwards])
    return Section(runs, leader, label, wide, normal)


def _ways(pair: Sequence[Placed], upwards: Floats) -> list[Floats]:
    """Unit directions across the leader in which a plane may lie: along the parts' own axes, the smaller part first."""
    sizes = [float(np.prod(np.ptp(part.vertices, axis=0))) for part in pair]
    ways: list[Floats] = []
    for part in (pair[k] for k in np.argsort(sizes)):
        for own in part.pose.matrix[:3, :3].T[::-1]:
            off = rejection(own, upwards)
            if np.linalg.norm(off) > 0.5 and all(abs(unit(off) @ way) < 0.999 for way in ways):
                ways.append(unit(off))
    return ways


def _length_within(run: Floats, wide: float) -> float:
    """mm of a run that lie in the picture."""
    begin, step = run[:-1], np.diff(run, axis=0)
    half = 0.5 * wide * np.array([1.0, _SHAPE])
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.sort(np.stack([(-half - begin) / step, (half - begin) / step]), axis=0)
    # A step along an edge of the picture is within or without for all of it.
    still = step == 0.0
    inside = np.abs(begin) < half
    low = np.where(still, np.where(inside, 0.0, 1.0), ends[0]).max(axis=1).clip(0.0, 1.0)
    high = np.where(still, np.where(inside, 1.0, 0.0), ends[1]).min(axis=1).clip(0.0, 1.0)
    return float(np.linalg.norm(step, axis=1) @ np.maximum(0.0, high - low))


def section_items(section: Section) -> tuple[Item, ...]:
    """A section for a drawing file, 1:1: outlines of all parts, the leader and its text; mm.

    >>> square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 0]])
    >>> cut = Section({"rod": (square,)}, np.zeros((2, 2)), "0 mm", 30.0, np.eye(3)[2])
    >>> [type(item).__name__ for item in section_items(cut)]
    ['Polyline', 'Line', 'Text']
    """
    outlines = [
        Polyline("SECTION", tuple((float(x), float(y)) for x, y in run))
        for runs in section.runs.values()
        for run in runs
    ]
    (a, b), (c, d) = section.leader.tolist()
    return (*outlines, Line("DIMENSIONS", (a, b), (c, d)), Text("TEXT", (c + 1.0, d), section.label))


def part_colour(number: int) -> str:
    """Of a part by its number, as style sheets have it."""
    look = part_look(number)
    return "#{:02x}{:02x}{:02x}".format(*colour_of(Paint(look.lightness, look.chroma, look.hue)))


def section_svg(section: Section, title: str) -> str:
    """The picture: metal in its part's colour, the leader with its label, a scale bar."""
    wide, high = section.wide, _SHAPE * section.wide
    ink = _INK * wide
    shapes = []
    for number, runs in enumerate(section.runs.values()):
        near = [run for run in runs if _is_near(run, wide)]
        closed = "".join(_path(run, True) for run in near if np.array_equal(run[0], run[-1]))
        opened = "".join(_path(run, False) for run in near if not np.array_equal(run[0], run[-1]))
        fill = part_colour(number)
        if closed:
            shapes.append(f'<path d="{closed}" fill="{fill}" fill-rule="evenodd"/>')
        if opened:
            shapes.append(f'<path d="{opened}" stroke-dasharray="{4 * ink:.3f}"/>')
    (x0, y0), (x1, y1) = section.leader.tolist()
    size = 0.032 * wide
    side = size * 0.6
    leader = (
        f'<path d="M{x0:.3f} {-y0:.3f}L{x1:.3f} {-y1:.3f}" stroke="{css("bad")}" stroke-width="{1.6 * ink:.3f}"/>'
        + "".join(f'<circle cx="{x:.3f}" cy="{-y:.3f}" r="{1.8 * ink:.3f}" fill="{css("bad")}" stroke="none"/>'
                  for x, y in ((x0, y0), (x1, y1)))
        + _text(side, 0.35 * size, size, section.label, halo=0.3 * size)
    )  # fmt: skip
    size_of_unit = 1.0 if section.unit == "mm" else MM_PER_INCH
    told = round_length(wide / 5 / size_of_unit)
    bar = told * size_of_unit
    left, foot = -wide / 2 + 0.04 * wide, high / 2 - 0.05 * high
    scale = f'<path d="M{left:.3f} {foot:.3f}h{bar:g}" stroke-width="{2.5 * ink:.3f}"/>' + _text(
        left, foot - 0.5 * size, 0.8 * size, f"{told:g} {section.unit}", halo=0.25 * size
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{safe(title)}" '
        f'viewBox="{-wide / 2:.3f} {-high / 2:.3f} {wide:.3f} {high:.3f}" fill="none" stroke="{css("ink")}" '
        f'stroke-width="{ink:.3f}" stroke-linejoin="round" font-family="sans-serif" width="100%">'
        f"{''.join(shapes)}{leader}{scale}</svg>"
    )


def _is_near(run: Floats, wide: float) -> bool:
    """Whether any of a run can be in the picture."""
    low, high = box_of(run)
    return bool((low < 0.5 * wide).all() and (high > -0.5 * wide).all())


def _path(run: Floats, closed: bool) -> str:
    return "M" + "L".join(f"{x:.3f} {-y:.3f}" for x, y in run.tolist()) + ("Z" if closed else "")


def _text(x: float, y: float, size: float, text: str, halo: float) -> str:
    return (
        f'<text x="{x:.3f}" y="{y:.3f}" font-size="{size:.3f}" fill="{css("ink")}" stroke="{css("paper")}" '
        f'stroke-width="{halo:.3f}" paint-order="stroke" stroke-linejoin="round">{safe(text)}</text>'
    )
