"""What lies under a template: where its seat is flat enough for a pad, how high the casting stands, where metal is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fitup import Placed
from pipeline.fitup.made.solids import around_discs
from pipeline.fitup.made.words import Meant
from pipeline.geometry import Floats, Mask, contains, transformed, undone

_OFF = 0.2  # mm off the seat's plane that a place on it may be: a scan's noise and its spikes
_AROUND = 48
_STEP = 0.5  # mm, of radii
_SPACING = 1.0  # mm between places of a facet that are looked at
_CHORD = 0.05  # mm, of the outline that is looked under
_MOST = 400  # places for a third pad
_MISSED = 0.03  # share of places under a pad that may be no part of the face, as a scan's spikes
_FAR = 1.5, 30.0  # times the locators' distance, and mm more, from their middle to the third pad
_FLAT = 0.6  # of the locators' distance, beyond which a third pad need be no farther from their line
_TOWARDS = 0.1  # what a mm towards the target is worth, in mm off the line


@dataclass(frozen=True)
class Ground:
    """Parts as seen from a template's own coordinates.

    parts   by name; the seat's: which one, and the number of the feature among its own
    matrix  (4, 4) own -> where the parts are put together
    """

    parts: Mapping[str, Placed]
    seat: str
    feature: int
    matrix: Floats

    def distance(self, part: str, place: Floats) -> float:
        """mm from a place (3,) to a part's surface."""
        there = transformed(self.matrix, place)
        return float(self.parts[part].scene.distance(there[None])[0])

    def on_seat(self, at: Floats) -> tuple[bool, ...]:
        """Which places (n, 2) of the seat's plane have its face under them."""
        part = self.parts[self.seat]
        places = transformed(self.matrix, np.column_stack([at, np.zeros(len(at))]))
        far, facet, _ = part.scene.closest(places)
        label = part.body.labels[facet]
        return tuple(((far < _OFF) & (label == self.feature)).tolist())

    def widest(self, at: Floats, inner: float, outer: float, edge: float) -> float:
        """The largest radius, mm, `outer` at most, up to which a ring about a place (2,) lies on the seat all round,
        and `edge` mm farther; nought where there is none beyond `inner`."""
        radii, good = self._rings(at, inner, outer + edge)
        count = len(radii) if good.all() else int(np.argmin(good))
        return float(min(outer, radii[count - 1] - edge)) if count else 0.0

    def rim(self, at: Floats, inner: float, outer: float) -> float | None:
        """The radius, mm, from which on a ring about a hole lies on the seat, past its chamfer; `inner` at least, None
        where it is none up to `outer`."""
        radii, good = self._rings(at, inner, outer)
        return float(radii[int(np.argmax(good))]) if good.any() else None

    def _rings(self, at: Floats, inner: float, outer: float) -> tuple[Floats, Mask]:
        """Radii, (n,) mm, and at which of them a ring about a place lies on the seat."""
        radii = np.arange(inner, outer + _STEP, _STEP)
        turn = 2.0 * np.pi * np.arange(_AROUND) / _AROUND
        ring = np.column_stack([np.cos(turn), np.sin(turn)])
        there = np.array(self.on_seat((at + radii[:, None, None] * ring).reshape(-1, 2))).reshape(len(radii), -1)
        return radii, there.mean(axis=1) >= 1.0 - _MISSED

    def third(
        self,
        two: Floats,
        target: Floats,
        radius: tuple[float, float],
        pads: Sequence[tuple[float, float, float]],
        edge: float,
    ) -> tuple[float, float, float] | None:
        """(x, y, radius) of a pad off the line of two places (n, 2), rather towards a target (2,) and apart from other
        pads, `edge` mm within the face; None where the seat has no room for one of the smaller radius."""
        part = self.parts[self.seat]
        facets = part.body.surface.faces[part.body.labels == self.feature]
        own = transformed(undone(self.matrix), part.vertices[facets].mean(axis=1))[:, :2]
        line = two[1] - two[0]
        length = float(np.linalg.norm(line))
        off = own - two[0]
        aside = np.abs(off[:, 0] * line[1] - off[:, 1] * line[0]) / length
        near = np.linalg.norm(own - two.mean(axis=0), axis=1) < _FAR[0] * length + _FAR[1]
        apart = np.min([np.linalg.norm(own - pad[:2], axis=1) - pad[2] for pad in pads], axis=0) > radius[1] + 1.0
        worth = np.minimum(aside, _FLAT * length) - _TOWARDS * np.linalg.norm(own - target, axis=1)
        order = np.flatnonzero(near & apart & (aside > radius[1]))
        order = order[np.argsort(-worth[order], kind="stable")]
        # The best ones lie beside each other along an edge, where there is no room: so every so many of them.
        for k in order[:: max(1, len(order) // _MOST)]:
            room = float(np.min([np.linalg.norm(own[k] - pad[:2]) - pad[2] for pad in pads])) - 1.0
            found = self.widest(own[k], 0.0, min(radius[0], room), edge)
            if found >= radius[1]:
                return float(own[k, 0]), float(own[k, 1]), found
        return None

    def highest(self, discs: Sequence[tuple[float, float, float]], gap: float) -> float:
        """mm above the seat of the highest metal under the outline round discs (x, y, radius), `gap` mm more about it;
        minus infinity where there is none."""
        outline = around_discs([(x, y, r + gap) for x, y, r in discs]).points(_CHORD)
        low, high = outline.min(axis=0), outline.max(axis=0)
        best = -np.inf
        for part in self.parts.values():
            corners = transformed(undone(self.matrix), part.vertices)[part.body.surface.faces]
            there = ((corners[:, :, :2].max(axis=1) >= low) & (corners[:, :, :2].min(axis=1) <= high)).all(axis=1)
            there &= corners[:, :, 2].max(axis=1) > best
            for places in _spread(corners[there]):
                above = places[places[:, 2] > best]
                above = above[((above[:, :2] >= low) & (above[:, :2] <= high)).all(axis=1)]
                if len(above):
                    above = above[contains([outline], above[:, :2])]
                best = max(best, float(above[:, 2].max(initial=-np.inf)))
        return best


def _spread(corners: Floats) -> list[Floats]:
    """Places (n, 3) on facets (m, 3, 3), no farther apart than _SPACING; those of facets alike in size together."""
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    steps = np.maximum(1, np.ceil(sides / _SPACING)).astype(int)
    # Of sizes in powers of two, so that there are few lots.
    steps = 2 ** np.ceil(np.log2(steps)).astype(int)
    out = []
    for n in np.unique(steps).tolist():
        i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1))
        inside = i + j <= n
        weights = np.column_stack([i[inside], j[inside], n - i[inside] - j[inside]]) / n
        of_size = corners[steps == n]
        lot = max(1, 2_000_000 // len(weights))
        out += [
            np.einsum("wk,fkx->fwx", weights, of_size[a : a + lot]).reshape(-1, 3) for a in range(0, len(of_size), lot)
        ]
    return out


def ground_under(parts: Mapping[str, Placed], names: Sequence[str], seat: Meant, matrix: Floats) -> Ground:
    """The named parts as they lie under a template that stands at a matrix (4, 4) on a seat."""
    assert seat.feature is not None
    index = parts[seat.part].body.index_of(seat.feature.id)
    return Ground({name: parts[name] for name in names}, seat.part, index, matrix)
