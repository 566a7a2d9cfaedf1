"""Six views of the part in its frame, and one from a corner, drawn without a screen.

The datum letters are drawn as ISO 5459 draws them: a filled triangle on the feature, a leader, and the
letter in a square. A datum that is turned away in a view is not drawn there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Picture
from PIL import ImageDraw, ImageFont

from pipeline.report import raster
from pipeline.report.colours import kind_colour, kind_hatch

# name -> (right, up) of the picture in part coordinates; the name says from where one looks.
DIRECTIONS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "from +Z": ((1, 0, 0), (0, 1, 0)),
    "from -Z": ((-1, 0, 0), (0, 1, 0)),
    "from +X": ((0, 1, 0), (0, 0, 1)),
    "from -X": ((0, -1, 0), (0, 0, 1)),
    "from +Y": ((-1, 0, 0), (0, 0, 1)),
    "from -Y": ((1, 0, 0), (0, 0, 1)),
}
CORNER = ((0.7431, 0.6691, 0.0), (-0.3346, 0.3716, 0.866))
SUPERSAMPLE = 2
INK = (38, 38, 38)


@dataclass(frozen=True)
class Part:
    """What is drawn, in part coordinates.

    vertices (n, 3), faces (m, 3); looks (m,) str keys of colours.kind_colour; colours (n, 3) uint8 per
    vertex, or None to colour by `looks`
    """

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    looks: NDArray[np.str_]
    colours: NDArray[np.uint8] | None = None


@dataclass(frozen=True)
class Mark:
    """A datum letter and a point (3,) of its feature, with the direction (3,) that its surface looks to or None."""

    letter: str
    point: NDArray[np.float64]
    normal: NDArray[np.float64] | None


def draw_all(part: Part, marks: Sequence[Mark], width: int = 900, height: int = 700) -> dict[str, Picture.Image]:
    """The six views by name, all at one scale, and "from a corner"."""
    low, high = part.vertices.min(axis=0), part.vertices.max(axis=0)
    views = {name: _fitted(right, up, low, high, width, height) for name, (right, up) in DIRECTIONS.items()}
    scale = min(view.scale for view in views.values())
    same = {
        name: raster.View(view.right, view.up, view.centre, scale, view.width, view.height)
        for name, view in views.items()
    }
    same["from a corner"] = _fitted(*CORNER, low, high, width, height)
    return {name: draw(part, marks, view, name) for name, view in same.items()}


def _fitted(
    right: Sequence[float], up: Sequence[float], low: NDArray, high: NDArray, width: int, height: int
) -> raster.View:
    across, along = np.array(right, float), np.array(up, float)
    across /= np.linalg.norm(across)
    along -= across * (along @ across)
    along /= np.linalg.norm(along)
    return raster.fitted(across, along, low, high, SUPERSAMPLE * width, SUPERSAMPLE * height, SUPERSAMPLE * 60)


def draw(part: Part, marks: Sequence[Mark], view: raster.View, title: str) -> Picture.Image:
    """One view with its title, datum letters, the axes of the frame and a scale bar."""
    picture = Picture.fromarray(shaded(part, view))
    seen = raster.render(part.vertices, part.faces, view)
    pen = ImageDraw.Draw(picture)
    size = 15 * SUPERSAMPLE
    font = ImageFont.load_default(size)
    pen.text((size, size / 2), title, fill=INK, font=font)
    _scale_bar(pen, view, font, size)
    _axes(pen, view, font, size)
    for number, mark in enumerate(marks):
        _letter(pen, view, seen, mark, number, font, size)
    return picture.resize((view.width // SUPERSAMPLE, view.height // SUPERSAMPLE), Picture.Resampling.LANCZOS)


def shaded(part: Part, view: raster.View) -> NDArray[np.uint8]:
    """(h, w, 3) the part alone: colours, hatches, shading and drawn edges on white."""
    image = raster.render(part.vertices, part.faces, view)
    seen = image.owner >= 0
    normals = _pixel_normals(part, image, view)
    picture = np.full((view.height, view.width, 3), 255.0)
    if part.colours is None:
        names, index = np.unique(part.looks, return_inverse=True)
        table = np.array([kind_colour(str(name)) for name in names], dtype=np.float64).reshape(-1, 3)
        picture[seen] = table[index[image.owner[seen]]]
        hatch = np.zeros(seen.shape, dtype=bool)
        for place, name in enumerate(names):
            pattern = _hatch(kind_hatch(str(name)), view.height, view.width)
            if pattern is not None:
                on = np.zeros(seen.shape, dtype=bool)
                on[seen] = index[image.owner[seen]] == place
                hatch |= on & pattern
        picture[hatch] *= 0.72
    else:
        picture[seen] = image.interpolate(part.colours, part.faces)[seen]
        filled = np.zeros(seen.shape, dtype=bool)
        filled[seen] = part.looks[image.owner[seen]] == "filled"
        pattern = _hatch("cross", view.height, view.width)
        picture[filled] = kind_colour("filled")
        if pattern is not None:
            picture[filled & pattern] *= 0.72
    picture[seen] *= raster.light(normals[seen], view)[:, None]
    picture[raster.outline(image, normals, 0.012 * view.width / view.scale)] = INK
    return picture.astype(np.uint8)


def _pixel_normals(part: Part, image: raster.Image, view: raster.View) -> NDArray[np.float64]:
    edges = part.vertices[part.faces]
    across = np.cross(edges[:, 1] - edges[:, 0], edges[:, 2] - edges[:, 0])
    length = np.linalg.norm(across, axis=1, keepdims=True)
    facet = across / np.where(length > 0, length, 1.0)
    normals = np.full((*image.owner.shape, 3), np.nan)
    seen = image.owner >= 0
    normals[seen] = facet[image.owner[seen]]
    return normals


def _hatch(name: str, height: int, width: int) -> NDArray[np.bool_] | None:
    y, x = np.mgrid[0:height, 0:width]
    step, line = 7 * SUPERSAMPLE, SUPERSAMPLE
    rising, falling = (x + y) % step < line, (x - y) % step < line
    if name == "rising":
        return rising
    if name == "falling":
        return falling
    if name == "cross":
        return rising | falling
    if name == "level":
        return y % step < line
    if name == "grid":
        return (y % step < line) | (x % step < line)
    if name == "dots":
        return (x % step - step / 2) ** 2 + (y % step - step / 2) ** 2 < (1.2 * line) ** 2
    return None


def _scale_bar(pen: ImageDraw.ImageDraw, view: raster.View, font: ImageFont.FreeTypeFont, size: int) -> None:
    target = 0.2 * view.width / view.scale
    steps = [m * 10.0**e for e in range(-2, 5) for m in (1, 2, 5)]
    length = max((s for s in steps if s <= target), default=steps[0])
    x, y = view.width - size - length * view.scale, view.height - 1.2 * size
    pen.line([(x, y), (x + length * view.scale, y)], fill=INK, width=SUPERSAMPLE)
    for end in (x, x + length * view.scale):
        pen.line([(end, y - size / 3), (end, y + size / 3)], fill=INK, width=SUPERSAMPLE)
    pen.text((x, y - 1.5 * size), f"{length:g} mm", fill=INK, font=font)


def _axes(pen: ImageDraw.ImageDraw, view: raster.View, font: ImageFont.FreeTypeFont, size: int) -> None:
    start = np.array([2.6 * size, view.height - 2.6 * size])
    for name, axis in zip("XYZ", np.eye(3), strict=True):
        step = np.array([axis @ view.right, -(axis @ view.up)])
        if np.linalg.norm(step) < 0.2:
            continue
        end = start + 1.6 * size * step
        pen.line([tuple(start), tuple(end)], fill=INK, width=SUPERSAMPLE)
        pen.text(tuple(start + 2.1 * size * step), name, fill=INK, font=font, anchor="mm")


def _letter(
    pen: ImageDraw.ImageDraw,
    view: raster.View,
    seen: raster.Image,
    mark: Mark,
    number: int,
    font: ImageFont.FreeTypeFont,
    size: int,
) -> None:
    if mark.normal is not None and mark.normal @ view.towards < -0.05:
        return
    place = view.project(mark.point[None])[0]
    column, row = int(place[0]), int(place[1])
    if not (0 <= column < view.width and 0 <= row < view.height):
        return
    hidden = seen.depth[row, column] > place[2] + 2.0 / view.scale
    if hidden and mark.normal is not None:
        return
    foot = place[:2]
    outwards = foot - np.array([view.width / 2, view.height / 2])
    length = np.linalg.norm(outwards)
    angle = 0.7 + 2.1 * number
    way = outwards / length if length > 2 * size else np.array([np.cos(angle), np.sin(angle)])
    box = np.clip(foot + 3.4 * size * way, 1.6 * size, np.array([view.width, view.height]) - 1.6 * size)
    across = np.array([-way[1], way[0]])
    pen.line([tuple(foot), tuple(box)], fill=INK, width=SUPERSAMPLE)
    tip = foot + 0.7 * size * way
    pen.polygon([tuple(foot + 0.45 * size * across), tuple(foot - 0.45 * size * across), tuple(tip)], fill=INK)
    half = 0.75 * size
    pen.rectangle([tuple(box - half), tuple(box + half)], fill=(255, 255, 255), outline=INK, width=SUPERSAMPLE)
    pen.text(tuple(box), mark.letter, fill=INK, font=font, anchor="mm")


def hatch_tile(look: str, height: int, width: int) -> NDArray[np.uint8]:
    """(height, width, 3) a patch of a look, for a key."""
    tile = np.empty((height, width, 3))
    tile[:] = kind_colour(look)
    pattern = _hatch(kind_hatch(look), height, width)
    if pattern is not None:
        tile[pattern] *= 0.72
    return tile.astype(np.uint8)
