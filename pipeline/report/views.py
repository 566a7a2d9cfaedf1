"""Six views of the part in its frame, and one from a corner, drawn without a screen.

Datum letters stand as ISO 5459 has them: a filled triangle on the surface, or on the rim of a round one, a leader,
and the letter in a square. A datum that is turned away or hidden in a view is not drawn there. Features' numbers stand
on what is seen of them, or beside it with a leader.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Picture
from PIL import ImageDraw, ImageFont
from scipy.ndimage import distance_transform_edt

from pipeline.geometry import basis_of, box_of, rejection, unit
from pipeline.palette import colour, look_colour, look_hatch
from pipeline.report import raster
from pipeline.report.words import Words

# name -> (right, up) of the picture in part coordinates; the name says from where one looks.
DIRECTIONS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float]]] = {
    "from +Z": ((1, 0, 0), (0, 1, 0)),
    "from -Z": ((-1, 0, 0), (0, 1, 0)),
    "from +X": ((0, 1, 0), (0, 0, 1)),
    "from -X": ((0, -1, 0), (0, 0, 1)),
    "from +Y": ((-1, 0, 0), (0, 0, 1)),
    "from -Y": ((1, 0, 0), (0, 0, 1)),
}
CORNER_NAME = "from a corner"
CORNER = ((0.7431, 0.6691, 0.0), (-0.3346, 0.3716, 0.866))
_SLANTED = [
    ((-y, x, 0.0), (-0.4 * z * x, -0.4 * z * y, 0.8)) for x, y in ((1, 1), (1, -1), (-1, 1), (-1, -1)) for z in (1, -1)
]
SUPERSAMPLE = 2
INK, WHITE = colour("ink"), colour("paper")
_NUMBER_SIZE = 13  # px of a picture
_LEAST_SEEN = 12  # of every fourth pixel, for a number to stand there
_INTO = 0.9  # cosine of an axis to the line of sight, from which on one looks into a bore

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont


@dataclass(frozen=True)
class Part:
    """What is drawn, in part coordinates: vertices (n, 3) mm, faces (m, 3); looks (m,) str keys of
    `palette.look_colour`; labels (m,) index of the feature that a facet carries, -1 none."""

    vertices: NDArray[np.float64]
    faces: NDArray[np.int32]
    looks: NDArray[np.str_]
    labels: NDArray[np.int32]


@dataclass(frozen=True)
class Mark:
    """A datum letter, or a feature's number, and the feature: index among the labels, point (3,) and direction (3,) or
    None in part coordinates, radius mm or None, and the stretch (low, high) mm along the axis, None of what has none.
    """

    letter: str
    index: int
    point: NDArray[np.float64]
    direction: NDArray[np.float64] | None
    radius: float | None
    along: tuple[float, float] | None


def draw_all(
    part: Part,
    marks: Sequence[Mark],
    unit: str = "mm",
    width: int = 900,
    height: int = 700,
    numbers: Sequence[Mark] = (),
) -> dict[str, Picture.Image]:
    """The six views by name, all at one scale, and the one from a corner; unit "mm" | "in": of the scale bar.

    marks are datum letters, numbers those of features, the ones that matter most first.
    """
    low, high = box_of(part.vertices)
    views = {name: _fitted(right, up, low, high, width, height) for name, (right, up) in DIRECTIONS.items()}
    scale = min(view.scale for view in views.values())
    same = {
        name: raster.View(view.right, view.up, view.centre, scale, view.width, view.height)
        for name, view in views.items()
    }
    same[CORNER_NAME] = _fitted(*CORNER, low, high, width, height, margin=60)
    pen = _Painter.of(part)
    return {
        name: pen.draw(marks, view, unit, "" if name == CORNER_NAME else name, numbers) for name, view in same.items()
    }


def draw_closeups(
    part: Part, shown: Sequence[NDArray[np.bool_]], unit: str = "mm", width: int = 450, height: int = 350
) -> list[Picture.Image | None]:
    """For each mask (m,) its facets and what is round them, seen from where most of them are seen; None of none.

    What metal hides from all sides is shown with all that lies before it cut away.
    """
    out: list[Picture.Image | None] = []
    ways = [*DIRECTIONS.values(), *_SLANTED]
    for mask in shown:
        if not mask.any():
            out.append(None)
            continue
        points = part.vertices[part.faces[mask]].reshape(-1, 3)
        low, high = box_of(points)
        room = 0.7 * float((high - low).max())
        views = [_fitted(right, up, low - room, high + room, width, height, 8) for right, up in ways]
        small = [raster.View(v.right, v.up, v.centre, v.scale / 8, v.width // 8, v.height // 8) for v in views]
        looks = np.where(mask, "suspect", "none")
        whole = Part(part.vertices, part.faces, looks, part.labels)
        seen = [_suspects_seen(whole, view) for view in small]
        best, title = int(np.argmax(seen)), ""
        if not seen[best]:
            opened = [_cut_open(whole, mask, view) for view in small]
            best = int(np.argmax([_suspects_seen(cut, view) for cut, view in zip(opened, small, strict=True)]))
            whole, title = opened[best], "cut open"
        out.append(_Painter.of(whole).draw((), views[best], unit, title))
    return out


def _suspects_seen(part: Part, view: raster.View) -> int:
    """How many pixels of a view show what may not be the part."""
    owner = raster.render(part.vertices, part.faces, view).owner
    return int(np.count_nonzero((part.looks == "suspect")[owner[owner >= 0]]))


def _cut_open(part: Part, mask: NDArray[np.bool_], view: raster.View) -> Part:
    """Without the facets that reach nearer to the viewer than those of the mask (m,)."""
    depth = (part.vertices @ view.towards)[part.faces]
    kept = mask | (depth.max(axis=1) <= depth[mask].max())
    return Part(part.vertices, part.faces[kept], part.looks[kept], part.labels[kept])


def _fitted(
    right: Sequence[float], up: Sequence[float], low: NDArray, high: NDArray, width: int, height: int, margin: int = 88
) -> raster.View:
    across, along = np.array(right, float), np.array(up, float)
    across = unit(across)
    along = unit(rejection(along, across))
    return raster.fitted(across, along, low, high, SUPERSAMPLE * width, SUPERSAMPLE * height, SUPERSAMPLE * margin)


@dataclass(frozen=True)
class _Painter:
    """What all views of a part share."""

    part: Part
    normals: NDArray[np.float32]
    look: NDArray[np.int32]
    colours: NDArray[np.float64]
    patterns: NDArray[np.int32]

    @staticmethod
    def of(part: Part) -> _Painter:
        names, look = np.unique(part.looks, return_inverse=True)
        colours = np.array([look_colour(str(name)) for name in names], dtype=np.float64).reshape(-1, 3)
        patterns = np.array([raster.HATCHES.index(look_hatch(str(name))) for name in names], dtype=np.int32)
        normals = raster.corner_normals(part.vertices, part.faces)
        return _Painter(part, normals, look.astype(np.int32).reshape(-1), colours, patterns)

    def draw(
        self, marks: Sequence[Mark], view: raster.View, unit: str, title: str, numbers: Sequence[Mark] = ()
    ) -> Picture.Image:
        """One view with its title, datum letters, features' numbers, the axes of the frame and a scale bar."""
        image = raster.render(self.part.vertices, self.part.faces, view)
        raw = raster.paint(image, view, self.normals, self.look, self.colours, self.patterns, SUPERSAMPLE)
        sheet = _Sheet(Picture.fromarray(raw), view, image, self.part.labels)
        sheet.title(title)
        sheet.scale_bar(Words(unit))
        sheet.axes()
        for mark in marks:
            sheet.mark(mark)
        for number in numbers:
            sheet.number(number)
        return sheet.picture.reduce(SUPERSAMPLE)


class _Sheet:
    """A picture and what stands on it already, so that no letter covers another."""

    def __init__(
        self, picture: Picture.Image, view: raster.View, image: raster.Image, labels: NDArray[np.int32]
    ) -> None:
        self.picture, self._view, self._image, self._labels = picture, view, image, labels
        self._pen = ImageDraw.Draw(picture)
        self._size = 19 * SUPERSAMPLE
        self._font: Font = ImageFont.load_default(self._size)
        self._taken: list[tuple[float, float, float, float]] = []

    def title(self, text: str) -> None:
        self._pen.text((self._size, self._size / 2), text, fill=INK, font=self._font)
        self._taken.append((0, 0, 10 * self._size, 2 * self._size))

    def scale_bar(self, words: Words) -> None:
        view, size = self._view, self._size
        pixels = view.scale / words.length_scale
        target = 0.2 * view.width / pixels
        steps = [m * 10.0**e for e in range(-2, 5) for m in (1, 2, 5)]
        length = max((s for s in steps if s <= target), default=steps[0])
        x, y = view.width - size - length * pixels, view.height - 0.8 * size
        right = x + length * pixels
        self._line((x, y), (right, y))
        for end in (x, right):
            self._line((end, y - size / 3), (end, y + size / 3))
        self._pen.text(((x + right) / 2, y - size), f"{length:g} {words.unit}", fill=INK, font=self._font, anchor="mm")
        self._taken.append((x - size, y - 2 * size, view.width, view.height))

    def axes(self) -> None:
        view, size = self._view, self._size
        start = np.array([3.4 * size, view.height - 2.8 * size])
        for name, axis in zip("XYZ", np.eye(3), strict=True):
            step = np.array([axis @ view.right, -(axis @ view.up)])
            length = float(np.linalg.norm(step))
            if length < 0.2:
                continue
            way, end = step / length, start + 1.6 * size * step
            self._line(tuple(start), tuple(end))
            self._arrow(end + 0.35 * size * way, end - 0.1 * size * way, 0.16 * size)
            self._pen.text(tuple(end + 0.85 * size * way), name, fill=INK, font=self._font, anchor="mm")
        self._taken.append((0, view.height - 5.6 * size, 6.2 * size, view.height))

    def mark(self, mark: Mark) -> None:
        """The datum's letter, where its feature can be seen; a round one's axis is drawn dash-dotted."""
        if mark.direction is None or mark.along is None:
            found = self._on_face(mark)
        else:
            found = self._on_round(mark, mark.direction, mark.along)
        if found is None:
            return
        foot, way = found
        box = self._free(foot, way)
        leader = (box - foot) / max(float(np.linalg.norm(box - foot)), 1e-9)
        size, half = self._size, 0.78 * self._size
        # The triangle's base lies on the surface, its tip towards the letter.
        self._line(tuple(foot), tuple(box), WHITE, 2 * SUPERSAMPLE + 3)
        self._line(tuple(foot), tuple(box), width=SUPERSAMPLE + 1)
        self._arrow(foot + 0.75 * size * leader, foot, 0.45 * size)
        self._pen.rectangle([*(box - half), *(box + half)], fill=WHITE, outline=INK, width=SUPERSAMPLE + 1)
        self._pen.text(tuple(box), mark.letter, fill=INK, font=self._font, anchor="mm")
        self._taken.append((*(box - half), *(box + half)))

    def number(self, mark: Mark) -> None:
        """A feature's number, where it can be seen and there is room for it."""
        foot = self._to_point_at(mark)
        if foot is None:
            return
        font: Font = ImageFont.load_default(_NUMBER_SIZE * SUPERSAMPLE)
        left, top, right, bottom = self._pen.textbbox((0, 0), mark.letter, font=font, anchor="mm")
        half = np.array([right - left, bottom - top]) / 2 + 2 * SUPERSAMPLE
        for place in self._places_round(foot, float(half[1])):
            if self._free_of_others(place, half):
                break
        else:
            return
        if (abs(place - foot) > half).any():
            self._line(tuple(foot), tuple(place), WHITE, 3 * SUPERSAMPLE)
            self._line(tuple(foot), tuple(place))
            dot = 1.5 * SUPERSAMPLE
            self._pen.ellipse([*(foot - dot), *(foot + dot)], fill=INK)
        self._pen.text(
            (place[0], place[1]), mark.letter, fill=INK, font=font, anchor="mm", stroke_width=2 * SUPERSAMPLE,
            stroke_fill=WHITE,
        )  # fmt: skip
        self._taken.append((*(place - half), *(place + half)))

    def _to_point_at(self, mark: Mark) -> NDArray | None:
        """A pixel that shows the feature, well inside what is seen of it; the middle of a mouth that is looked into."""
        if mark.direction is not None and mark.along is not None and mark.radius is not None:
            axis = mark.direction
            if abs(axis @ self._view.towards) > _INTO:
                mouths = mark.point + np.outer(sorted(mark.along), axis)
                mouth = mouths[int(np.argmax(self._view.project(mouths)[:, 2]))]
                rim = mouth + 0.97 * mark.radius * np.array([*basis_of(axis), *-basis_of(axis)])
                seen = self._in_sight(rim)
                if seen.sum() < 3:
                    return None
                turn = np.radians(-40.0)
                across = np.array([np.cos(turn), np.sin(turn)])
                middle = self._view.project(mouth[None])[0, :2]
                return middle + mark.radius * self._view.scale * across
        seen = self._seen(mark)
        if seen.sum() < _LEAST_SEEN:
            return None
        rows, columns = np.flatnonzero(seen.any(axis=1)), np.flatnonzero(seen.any(axis=0))
        top, left = int(rows[0]), int(columns[0])
        room = distance_transform_edt(np.pad(seen[top : rows[-1] + 1, left : columns[-1] + 1], 1))
        row, column = np.unravel_index(int(np.argmax(room)), room.shape)
        return 4.0 * np.array([left + column - 1.0, top + row - 1.0])

    @staticmethod
    def _places_round(foot: NDArray, high: float) -> Iterator[NDArray]:
        yield foot
        for far in (2.2, 3.2, 4.5, 6.0, 8.0):
            for turn in np.radians([-40, -140, 40, 140, -75, -105, 0, 180, 75, 105]):
                yield foot + far * high * np.array([1.3 * np.cos(turn), np.sin(turn)])

    def _free_of_others(self, place: NDArray, half: NDArray) -> bool:
        low, high = place - half, place + half
        if (low < 0).any() or high[0] > self._view.width or high[1] > self._view.height:
            return False
        return not any(
            high[0] > left and low[0] < right and high[1] > top and low[1] < bottom
            for left, top, right, bottom in self._taken
        )

    def _on_face(self, mark: Mark) -> tuple[NDArray, NDArray] | None:
        view = self._view
        if mark.direction is not None and abs(mark.direction @ view.towards) < 0.05:
            return self._on_edge(mark.point, mark.direction)
        if mark.direction is not None and mark.direction @ view.towards < 0:
            return None
        seen = self._seen(mark)
        if seen.sum() < 30:
            return None
        room = distance_transform_edt(seen)
        row, column = np.nonzero(room > 0.7 * room.max())
        places = 4.0 * np.column_stack([column, row])
        foot = places[np.argmax(np.linalg.norm(places - self._middle, axis=1))]
        return foot, foot - self._middle

    def _on_edge(self, point: NDArray, normal: NDArray) -> tuple[NDArray, NDArray] | None:
        """A face seen from its edge: the triangle stands on the line that it shows as, outside the part."""
        view = self._view
        way = np.array([normal @ view.right, -(normal @ view.up)])
        way = unit(way)
        foot = view.project(point[None])[0][:2]
        along = np.array([-way[1], way[0]])
        for shift in (0, 1, -1, 2, -2, 3, -3, 4, -4):
            place = foot + shift * 2 * self._size * along
            if not self._covered(place + 6 * way) and self._covered(place - 6 * way):
                return place, way
        return None

    def _on_round(self, mark: Mark, axis: NDArray, along: tuple[float, float]) -> tuple[NDArray, NDArray] | None:
        view = self._view
        mouths = mark.point + np.outer(sorted(along), axis)
        placed = view.project(mouths)
        if abs(axis @ view.towards) < 0.5:
            return self._on_axis(placed[0, :2], placed[1, :2])
        nearer = int(np.argmax(placed[:, 2]))
        centre, radius = placed[nearer, :2], mark.radius or 0.0
        first, second = basis_of(axis)
        turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
        circle = np.outer(np.cos(turn), first) + np.outer(np.sin(turn), second)
        rim = view.project(mouths[nearer] + radius * circle)[:, :2]
        seen = self._in_sight(mouths[nearer] + 0.97 * radius * circle)
        if seen.mean() < 0.25:
            return None
        cross = 1.2 * radius * view.scale
        for way in (np.array([1.0, 0.0]), np.array([0.0, 1.0])):
            self._dash_dot(centre - cross * way, centre + cross * way)
        outwards = centre - self._middle
        far = float(np.linalg.norm(outwards)) > 2 * self._size
        aim = outwards / np.linalg.norm(outwards) if far else np.array([0.766, -0.643])
        best = int(np.argmax(np.where(seen, (rim - centre) @ aim, -np.inf)))
        return rim[best], rim[best] - centre

    def _on_axis(self, start: NDArray, end: NDArray) -> tuple[NDArray, NDArray] | None:
        """An axis seen from the side, dash-dotted to where it leaves the part: the triangle stands there."""
        length = float(np.linalg.norm(end - start))
        if length < 1.0:
            return None
        found = []
        for mouth, way in ((end, (end - start) / length), (start, (start - end) / length)):
            steps = np.arange(0.0, max(self._view.width, self._view.height), 4.0)
            last = max((s for s in steps if self._covered(mouth + s * way)), default=0.0)
            place = mouth + (last + 1.5 * self._size) * way
            if (place > 3 * self._size).all() and (place < 2 * self._middle - 3 * self._size).all():
                found.append((last, place, way))
        if not found:
            return None
        _, place, way = min(found, key=lambda one: one[0])
        other = start if way @ (end - start) > 0 else end
        self._dash_dot(other - self._size * way, place)
        return place, way

    def _in_sight(self, points: NDArray) -> NDArray[np.bool_]:
        """Which of the points are seen: nothing of the part is nearer to the viewer there."""
        placed = self._view.project(points)
        column = np.clip(placed[:, 0].astype(int), 0, self._view.width - 1)
        row = np.clip(placed[:, 1].astype(int), 0, self._view.height - 1)
        slack = 3.0 / self._view.scale + 0.02 * float(np.ptp(placed[:, 2]))
        return self._image.depth[row, column] <= placed[:, 2] + slack

    def _free(self, foot: NDArray, way: NDArray) -> NDArray:
        """Where a letter may stand: near to the way asked for, off the part if it can be, on no other letter."""
        size = self._size
        start = float(np.arctan2(way[1], way[0]))
        best, price = foot + 3.4 * size * np.array([np.cos(start), np.sin(start)]), np.inf
        for far in (3.2, 4.4, 5.8, 7.6, 10.0):
            for turn in np.radians([0, 20, -20, 40, -40, 60, -60, 80, -80]):
                box = foot + far * size * np.array([np.cos(start + turn), np.sin(start + turn)])
                asked = far + 2 * abs(float(turn)) + (4.0 if self._covered(box) else 0.0)
                if asked < price and self._fits(box):
                    best, price = box, asked
        limit = np.array([self._view.width, self._view.height]) - 1.2 * size
        return np.clip(best, 1.2 * size, limit)

    def _fits(self, box: NDArray) -> bool:
        half = 1.1 * self._size
        if (box < half).any() or box[0] > self._view.width - half or box[1] > self._view.height - half:
            return False
        return not any(
            box[0] + half > left and box[0] - half < right and box[1] + half > top and box[1] - half < bottom
            for left, top, right, bottom in self._taken
        )

    @property
    def _middle(self) -> NDArray[np.float64]:
        return np.array([self._view.width / 2, self._view.height / 2])

    def _seen(self, mark: Mark) -> NDArray[np.bool_]:
        """Every fourth pixel: whether it shows the feature."""
        owner = self._image.owner[::4, ::4]
        return np.where(owner >= 0, self._labels[owner], -1) == mark.index

    def _covered(self, place: NDArray) -> bool:
        column, row = int(place[0]), int(place[1])
        inside = 0 <= column < self._view.width and 0 <= row < self._view.height
        return inside and bool(self._image.owner[row, column] >= 0)

    def _line(
        self, start: Sequence[float], end: Sequence[float], ink: tuple[int, int, int] = INK, width: int = SUPERSAMPLE
    ) -> None:
        self._pen.line([(start[0], start[1]), (end[0], end[1])], fill=ink, width=width)

    def _arrow(self, tip: NDArray, base: NDArray, half: float) -> None:
        way = (tip - base) / max(float(np.linalg.norm(tip - base)), 1e-9)
        across = half * np.array([-way[1], way[0]])
        self._pen.polygon([tuple(base + across), tuple(base - across), tuple(tip)], fill=INK)

    def _dash_dot(self, start: NDArray, end: NDArray) -> None:
        length = float(np.linalg.norm(end - start))
        way = (end - start) / max(length, 1e-9)
        for low, high in _dashes(length, SUPERSAMPLE):
            self._line(tuple(start + low * way), tuple(start + high * way))


def _dashes(length: float, scale: int) -> Iterator[tuple[float, float]]:
    at, drawn = 0.0, 0
    pattern = (14.0, 4.0, 2.5, 4.0)
    while at < length:
        step = scale * pattern[drawn % 4]
        if drawn % 2 == 0:
            yield at, min(at + step, length)
        at, drawn = at + step, drawn + 1


def hatch_tile(look: str, height: int, width: int) -> NDArray[np.uint8]:
    """(height, width, 3) a patch of a look, for a key."""
    vertices = np.array([[-1.0, -1, 0], [3, -1, 0], [-1, 3, 0]])
    faces = np.array([[0, 1, 2]], dtype=np.int32)
    view = raster.View(np.eye(3)[0], np.eye(3)[1], np.zeros(3), float(max(height, width)), width + 2, height + 2)
    part = Part(width * vertices, faces, np.array([look]), np.array([-1], dtype=np.int32))
    pen = _Painter.of(part)
    image = raster.render(part.vertices, faces, view)
    drawn = raster.paint(image, view, pen.normals, pen.look, pen.colours, pen.patterns, SUPERSAMPLE)
    return drawn[1:-1, 1:-1]
