"""Travel: how far a part can be moved, along a direction or about an axis, before it comes too near to others.

Every run is exact for the facets, a contact along the motion and not steps; what the nearest features or the skin there
are known by goes into it through how fast the gap closes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipeline.fitup.bodies import Placed
from pipeline.fitup.clearance import MOST_FITS, Fit, Spot, fits_between, meant_between, spot_of
from pipeline.fitup.interference import lies_within
from pipeline.fitup.items import Item, Key, about
from pipeline.geometry import Floats, Ints, Mask, cross, rigid, small_motion, transformed, turned, undone
from pipeline.lengths import mm, place_in_mm
from pipeline.mesh.query import (
    Contact,
    Meant,
    NearestFacets,
    TurnTree,
    first_contact,
    first_contact_turning,
    nearest_facets,
    nearest_of_pair,
    turn_tree,
    turned_over,
)
from pipeline.progress import Progress, silent

_SAMPLES = 33  # of the gap along a run
_MAP = 21  # runs of a map
_PATCH = 10.0  # mm about a place on no feature that are taken away together
_BACK = 1e-3  # mm of gap before a contact where it is looked at: at the contact itself its direction is not known
_SLOW = 0.05  # mm of gap for each mm of run, under which the run is not corrected by what stands for the facets
_SLACK = 1e-3  # share by which gaps along a run may be too large
_STEP = 0.1  # of a standard uncertainty, for derivatives
Verdict = Literal["far enough", "too short", "can't be said", "told"]


@dataclass(frozen=True)
class Motion:
    """A shift along a direction, or a turn about an axis.

    item   its direction and, of a turn, a point of the axis, where the parts are put together, and what moves them
    turns  whether it is a turn: runs are rad then, else mm
    """

    item: Item
    turns: bool

    def at(self, run: float) -> Floats:
        """(4, 4) the motion by a run.

        >>> from pipeline.surfaces import SituationFeature
        >>> up = Item(SituationFeature.AXIS, np.zeros(3), np.array([0.0, 0.0, 1.0]))
        >>> Motion(up, False).at(5.0)[:3, 3].tolist()
        [0.0, 0.0, 5.0]
        """
        return _motion(self.item, self.turns, run)

    def moves_at(self, run: float) -> dict[Key, Floats]:
        """By key, (6,) shift mm and turn rad after a run, by one standard uncertainty of what the motion follows."""
        back = undone(self.at(run))
        out = {}
        for key in self.item.moves:
            out[key] = small_motion(_motion(self.item.moved(key, _STEP), self.turns, run) @ back) / _STEP
        return out

    def speed(self, place: Floats) -> Floats:
        """(3,) mm by which a place (3,) goes for each mm or rad."""
        assert self.item.direction is not None
        return cross(self.item.direction, place - self.item.point) if self.turns else self.item.direction


@dataclass(frozen=True)
class Stop:
    """What ends a run.

    against   the part
    facets    of the moving part and of that one
    places    (2, 3) mm on both, where they are then
    on        the features that these belong to, None: skin
    seen      whether both were measured
    rate      mm by which the gap closes for each mm or rad of the run, there
    spot      what is known of the gap just before; None where the parts cross from the start
    expanded  mm or rad, 95 %, by which the run is not known better; None where it can't be told
    """

    against: str
    facets: tuple[int, int]
    places: Floats
    on: tuple[str | None, str | None]
    seen: bool
    rate: float
    spot: Spot | None
    expanded: float | None


@dataclass(frozen=True)
class Gain:
    """How far a part would go if something were gone.

    without  what, in words
    part     which part it is of
    run      mm or rad
    stop     what stops it then, a part's name; None: it goes all the way
    """

    without: str
    part: str
    run: float
    stop: str | None


@dataclass(frozen=True)
class Owed:
    """How far a part would go if a cut of the layout, and those that come after it, were not made.

    cut   what it is called
    part  which part it is made in
    run   mm or rad
    more  mm or rad that it gives, the cuts before it being made
    stop  what stops the part then, a part's name; None: it goes all the way
    """

    cut: str
    part: str
    run: float
    more: float
    stop: str | None


@dataclass(frozen=True)
class Run:
    """One way of a travel: mm or rad.

    way      1 forward, -1 back
    run      how far it goes
    sure     how far at least, at 95 %
    stop     None where it goes all the way
    gaps     (k, 2) run and gap mm, 0 where they cross, else up to 0.1 % too large; a little beyond the stop too
    gains    what would let it go farther, the most first
    owed     what each cut of the parts gives, the last one first; those that give nothing aren't in it
    verdict  "told" where nothing is asked of it
    why      a sentence
    """

    way: int
    run: float
    sure: float
    stop: Stop | None
    gaps: Floats
    gains: tuple[Gain, ...]
    verdict: Verdict
    why: str
    owed: tuple[Owed, ...] = ()


@dataclass(frozen=True)
class TravelMap:
    """The gap over a travel and a second motion.

    second  (m,) mm or rad of the second motion; turned: whether it is a turn
    runs    (k,) mm or rad of the travel, below nought back
    gaps    (m, k) mm, 0 where they cross, else up to 0.1 % too large
    pair    (m, k) which of `pairs` is nearest
    pairs   other part, feature of the moving one ("" skin), feature of the other one
    limits  (m, 2) how far it goes back (below nought) and forward with the second motion made first
    """

    second: Floats
    turned: bool
    runs: Floats
    gaps: Floats
    pair: Ints
    pairs: tuple[tuple[str, str, str], ...]
    limits: Floats


@dataclass(frozen=True)
class Travel:
    """How far a part goes.

    turns  whether runs are rad, else mm
    up_to  mm or rad that were asked for at most
    runs   one a way
    map    None where no second motion was asked for
    """

    turns: bool
    up_to: float
    runs: tuple[Run, ...]
    map: TravelMap | None

    @property
    def verdict(self) -> Verdict:
        """The worst of its ways."""
        order: tuple[Verdict, ...] = ("too short", "can't be said", "far enough", "told")
        return min((run.verdict for run in self.runs), key=order.index)


def travel(
    moving: Placed,
    others: Mapping[str, Placed],
    motion: Motion,
    up_to: float,
    ways: Sequence[int] = (1,),
    least: float = 0.0,
    at_least: float | None = None,
    second: tuple[Motion, Floats] | None = None,
    progress: Progress = silent,
) -> Travel:
    """How far a part can be moved before it comes nearer than `least` mm to others.

    up_to, at_least  mm or rad: how far it is moved at most, and must go
    ways             of 1, forward, and -1, back
    second           another motion, and by how much of it (m,), made before the travel, for the map

    What is meant to fit, from the start or anywhere on the way, may be as near as its sizes say.

    >>> from pipeline.fitup.placing import placed
    >>> from pipeline.fitup.figures import turned_body
    >>> from pipeline.surfaces import SituationFeature
    >>> rod, post = (turned_body(name, [(0, 20), (50, 20)], 0.01) for name in ("rod", "post"))
    >>> ahead = Placed(post, placed([], rigid(np.eye(3), np.array([100.0, 0.0, 0.0]))))
    >>> way = Motion(Item(SituationFeature.AXIS, np.zeros(3), np.array([1.0, 0.0, 0.0])), False)
    >>> (run,) = travel(Placed(rod, placed([])), {"post": ahead}, way, 200.0, least=1.0).runs
    >>> round(run.run, 3), run.stop.against
    (79.0, 'post')
    """
    pairs = [_Pair(moving, name, other, motion, up_to, ways) for name, other in others.items()]
    runs = []
    for number, way in enumerate(ways):
        progress(number / (len(ways) + 1), "forward" if way > 0 else "back")
        run = _run(pairs, way, up_to, least, at_least)
        runs.append(replace(run, owed=_owed(moving, others, motion, way, up_to, least)))
    progress(len(ways) / (len(ways) + 1), "")
    found = None if second is None else _map(pairs, ways, up_to, least, second, progress)
    return Travel(motion.turns, up_to, tuple(runs), found)


class _Pair:
    """The moving part and another one, with what is needed to ask when they meet."""

    def __init__(
        self, moving: Placed, name: str, other: Placed, motion: Motion, up_to: float, ways: Sequence[int]
    ) -> None:
        self.moving, self.name, self.other, self.motion = moving, name, other, motion
        fits: dict[tuple[tuple[str, str], tuple[str, str]], Fit] = {}
        for way in ways:
            shift = None if motion.turns else way * up_to * motion.speed(np.zeros(3))
            fits |= {(fit.bore, fit.inner): fit for fit in fits_between(moving, other, shift)}
        self.meant = meant_between(moving, other, tuple(fits.values()))
        self._still: tuple[TurnTree, TurnTree] | None = None
        self._moved: tuple[Floats, TurnTree] | None = None

    def contact(
        self, way: int, up_to: float, gap: float, meant: Meant | None = None, before: Floats | None = None
    ) -> Contact | None:
        """The first contact on one way; `before` is a motion that is made first."""
        meant = self.meant if meant is None else meant
        if not self.motion.turns:
            along = way * self.motion.speed(np.zeros(3))
            start = np.eye(4) if before is None else before
            return first_contact(self.moving.tree, self.other.tree, along, up_to, gap, meant, start)
        one, other = self._trees(before)
        if way < 0:
            one, other = turned_over(one), turned_over(other)
        return first_contact_turning(one, other, up_to, gap, meant)

    def _trees(self, before: Floats | None) -> tuple[TurnTree, TurnTree]:
        """Of both parts about the axis; the last of those after another motion is kept, as both ways ask for it."""
        if self._still is None:
            self._still = self._about(self.moving, None), self._about(self.other, None)
        if before is None:
            return self._still
        if self._moved is None or not np.array_equal(self._moved[0], before):
            self._moved = before, self._about(self.moving, before)
        return self._moved[1], self._still[1]

    def _about(self, part: Placed, before: Floats | None) -> TurnTree:
        item = self.motion.item
        assert item.direction is not None
        faces = part.body.surface.faces
        if before is None or self._still is None:
            return turn_tree(part.vertices, faces, item.point, item.direction)
        return turn_tree(transformed(before, part.vertices), faces, item.point, item.direction, self._still[0])

    def gap_at(self, pose: Floats, facets: tuple[int, int] | None = None) -> NearestFacets | None:
        """Where both are nearest after a motion (4, 4), or nearly so; two `facets` that are near spare much of it."""
        known = None if facets is None or self._has_bits(facets) else self.of_facets(pose, facets)
        within = np.inf if known is None else known.distance
        near = nearest_facets(self.moving.tree, self.other.tree, within, self.meant, pose, _SLACK)
        return known if near is None else near

    def _has_bits(self, facets: tuple[int, int]) -> bool:
        return bool(self.meant.one[facets[0]] & self.meant.other[facets[1]])

    def of_facets(self, pose: Floats, facets: tuple[int, int]) -> NearestFacets:
        """How near two facets are after a motion (4, 4)."""
        mine = transformed(pose, self.moving.vertices[self.moving.body.surface.faces[facets[0]]])
        its = self.other.vertices[self.other.body.surface.faces[facets[1]]]
        square, p, q = nearest_of_pair(np.ascontiguousarray(mine), np.ascontiguousarray(its))
        return NearestFacets(float(np.sqrt(square)), np.array(p), np.array(q), facets)

    def seen(self, facets: tuple[int, int]) -> bool:
        return bool(self.moving.body.seen[facets[0]] and self.other.body.seen[facets[1]])

    def on(self, facets: tuple[int, int]) -> tuple[str | None, str | None]:
        """The features that two facets belong to."""
        out: list[str | None] = []
        for part, facet in ((self.moving, facets[0]), (self.other, facets[1])):
            k = int(part.body.labels[facet])
            out.append(None if k < 0 else part.body.features[k].id)
        return out[0], out[1]

    def spot(self, run: float, near: NearestFacets) -> Spot:
        """What is known of a gap after a run."""
        pose = self.motion.at(run)
        moves = {key: _carried(move, pose) for key, move in self.moving.pose.moves.items()}
        for key, move in self.motion.moves_at(run).items():
            moves[key] = moves.get(key, np.zeros(6)) + move
        unsure = self.moving.pose.unsure or self.motion.item.unsure
        there = replace(self.moving.pose, matrix=pose @ self.moving.pose.matrix, moves=moves, unsure=unsure)
        return spot_of(Placed(self.moving.body, there), self.other, near, self.meant)


def _motion(item: Item, turns: bool, run: float) -> Floats:
    assert item.direction is not None
    if not turns:
        return rigid(np.eye(3), run * item.direction)
    rotation = about(run * item.direction)
    return rigid(rotation, item.point - rotation @ item.point)


def _carried(move: Floats, pose: Floats) -> Floats:
    """(6,) shift of the origin and turn, as they are after a motion (4, 4) that was made with them."""
    turn = turned(pose, move[3:])
    return np.concatenate([turned(pose, move[:3]) - cross(turn, pose[:3, 3]), turn])


def _first_of(
    pairs: Sequence[_Pair], way: int, up_to: float, gap: float, before: Floats | None = None
) -> tuple[_Pair, Contact] | None:
    """The pair that meets first, and where."""
    best = None
    for pair in pairs:
        found = pair.contact(way, up_to, gap, before=before)
        if found is not None and (best is None or found.run < best[1].run):
            best, up_to = (pair, found), found.run
    return best


def _run(pairs: Sequence[_Pair], way: int, up_to: float, least: float, at_least: float | None) -> Run:
    inside = next((p for p in pairs if lies_within(p.moving, p.other)), None)
    if inside is not None:
        gaps = np.array([[0.0, 0.0]])
        why = f"one of {inside.moving.body.name} and {inside.name} lies in the other, where it stands"
        return Run(way, 0.0, 0.0, None, gaps, (), "told" if at_least is None else "too short", why)
    first = _first_of(pairs, way, up_to, least)
    end = up_to if first is None else first[1].run
    gaps, narrowest = _gaps(pairs, way, min(up_to, 1.1 * end if end > 0.0 else 0.1 * up_to), end)
    if first is None:
        stop, run = None, up_to
        spot = None if narrowest is None else narrowest[0].spot(way * narrowest[1], narrowest[2])
    else:
        stop = _stop(*first, way, least)
        spot = stop.spot
        run = end if stop.expanded is None or spot is None or stop.rate < _SLOW else _corrected(stop, end, least)
        run = min(max(run, 0.0), up_to)
    unsure = "" if spot is None else spot.unsure
    sure = _sure(pairs, way, run, least, 0.0 if spot is None else max(0.0, spot.expanded + spot.raw - spot.distance))
    gains = () if first is None else _gains(pairs, first, way, up_to, least)
    verdict, why = _verdict(stop, run, sure, unsure, at_least, pairs[0].motion.turns)
    if verdict == "too short" and stop is not None and not stop.seen and at_least is not None:
        seen = _first_seen(pairs, way, up_to, least)
        if seen >= at_least:
            verdict = "can't be said"
            why += "; nothing was measured there: scan that place"
    return Run(way, run, sure, stop, gaps, gains, verdict, why)


def _sure(pairs: Sequence[_Pair], way: int, run: float, least: float, doubt: float) -> float:
    """How far a part goes with all that isn't known against it."""
    found = _first_of(pairs, way, run, least + doubt)
    return run if found is None else min(run, found[1].run)


def _corrected(stop: Stop, run: float, least: float) -> float:
    """The run at which what stands for the facets comes to `least`, rather than the facets themselves."""
    assert stop.spot is not None
    return run + (stop.spot.distance - stop.spot.raw) / stop.rate


def _stop(pair: _Pair, found: Contact, way: int, least: float) -> Stop:
    """What ends a run, looked at where the gap is still open."""
    facets, motion = found.near.facets, pair.motion
    places = np.array([found.near.on_one, found.near.on_other])
    run, near = found.run, found.near
    if near.distance < _BACK:
        # Back along the way until there is a gap to look along.
        step = _BACK if not motion.turns else _BACK / max(1.0, float(np.linalg.norm(motion.speed(near.on_one))))
        for _ in range(20):
            if run <= 0.0 or near.distance >= _BACK:
                break
            run, step = max(0.0, run - step), 2.0 * step
            near = pair.of_facets(motion.at(way * run), facets)
    if near.distance == 0.0:
        return Stop(pair.name, facets, places, pair.on(facets), pair.seen(facets), 0.0, None, None)
    along = (near.on_other - near.on_one) / near.distance
    rate = float(way * motion.speed(near.on_one) @ along)
    spot = pair.spot(way * run, near)
    expanded = spot.expanded / rate if rate > 1e-6 and not spot.unsure else None
    return Stop(pair.name, facets, places, pair.on(facets), pair.seen(facets), rate, spot, expanded)


def _gaps(
    pairs: Sequence[_Pair], way: int, up_to: float, end: float
) -> tuple[Floats, tuple[_Pair, float, NearestFacets] | None]:
    """(k, 2) the smallest gap at runs up to `up_to`; and where it is smallest before `end`."""
    runs = np.union1d(np.linspace(0.0, up_to, _SAMPLES), [end])
    out = np.zeros((len(runs), 2))
    last: dict[str, tuple[int, int]] = {}
    narrowest: tuple[_Pair, float, NearestFacets] | None = None
    for k, run in enumerate(runs):
        gap = np.inf
        for pair in pairs:
            near = pair.gap_at(pair.motion.at(way * float(run)), last.get(pair.name))
            if near is None:
                continue
            last[pair.name] = near.facets
            gap = min(gap, near.distance)
            if near.distance > 0.0 and run <= end and (narrowest is None or near.distance < narrowest[2].distance):
                narrowest = pair, float(run), near
        out[k] = run, gap
    return out, narrowest


def _without(meant: Meant, mine: Mask | None, its: Mask | None) -> Meant:
    """What is meant, and facets of the one or the other part taken away."""
    bit = len(meant.least)
    if bit >= MOST_FITS + 8:
        raise ValueError("no more pairs can be told apart")
    one, other = meant.one.copy(), meant.other.copy()
    one[np.ones(len(one), bool) if mine is None else mine] |= np.int64(1) << bit
    other[np.ones(len(other), bool) if its is None else its] |= np.int64(1) << bit
    return Meant(one, other, np.append(meant.least, 0.0))


def _first_seen(pairs: Sequence[_Pair], way: int, up_to: float, least: float) -> float:
    """How far the part would go if only what was measured were there."""
    best = up_to
    for pair in pairs:
        meant = _without(pair.meant, ~pair.moving.body.seen, None)
        found = pair.contact(way, best, least, _without(meant, None, ~pair.other.body.seen))
        best = best if found is None else min(best, found.run)
    return best


def _gains(
    pairs: Sequence[_Pair], first: tuple[_Pair, Contact], way: int, up_to: float, least: float
) -> tuple[Gain, ...]:
    """What would let the part go farther: either place that stops it taken away, or the whole other part."""
    pair, found = first
    rest = [other for other in pairs if other is not pair]
    beyond = _first_of(rest, way, up_to, least)
    without = (up_to, None) if beyond is None else (beyond[1].run, beyond[0].name)
    out = [Gain(pair.name, pair.name, *without)]
    for side, part in ((0, pair.moving), (1, pair.other)):
        place = _place_before(pair, found, way) if side == 0 else found.near.on_other
        gone, words = _patch(part, found.near.facets[side], place)
        meant = _without(pair.meant, gone, None) if side == 0 else _without(pair.meant, None, gone)
        farther = pair.contact(way, without[0], least, meant)
        run, stop = without if farther is None or farther.run >= without[0] else (farther.run, pair.name)
        out.append(Gain(words, part.body.name, run, stop))
    out = [gain for gain in out if gain.run > found.run + 1e-6]
    return tuple(sorted(out, key=lambda gain: (-gain.run, gain.without == pair.name)))


def _owed(
    moving: Placed, others: Mapping[str, Placed], motion: Motion, way: int, up_to: float, least: float
) -> tuple[Owed, ...]:
    """What each cut of each part gives, the others being as all their cuts leave them."""
    everyone = {moving.body.name: moving, **others}
    out = []
    last: float | None = None
    for name, part in everyone.items():
        then, body = last, part.body
        while body.uncut is not None:
            if then is None:
                then = last = _how_far(everyone, moving.body.name, motion, way, up_to, least)[0]
            cut, body = body.uncut
            there = {**everyone, name: Placed(body, part.pose)}
            run, stop = _how_far(there, moving.body.name, motion, way, up_to, least)
            if then - run > 1e-6:
                out.append(Owed(cut, name, run, then - run, stop))
            then = run
    return tuple(out)


def _how_far(
    parts: Mapping[str, Placed], mover: str, motion: Motion, way: int, up_to: float, least: float
) -> tuple[float, str | None]:
    """How far a part goes, by its facets, and the part that stops it."""
    pairs = [_Pair(parts[mover], name, part, motion, up_to, (way,)) for name, part in parts.items() if name != mover]
    inside = next((pair.name for pair in pairs if lies_within(pair.moving, pair.other)), None)
    if inside is not None:
        return 0.0, inside
    first = _first_of(pairs, way, up_to, least)
    return (up_to, None) if first is None else (first[1].run, first[0].name)


def _place_before(pair: _Pair, found: Contact, way: int) -> Floats:
    """(3,) mm where the moving part's place of contact was before the run."""
    return transformed(undone(pair.motion.at(way * found.run)), found.near.on_one)


def _patch(part: Placed, facet: int, place: Floats) -> tuple[Mask, str]:
    """(m,) facets of the feature that a facet belongs to, or those about it, and their name."""
    k = int(part.body.labels[facet])
    if k >= 0:
        return part.body.labels == k, f"{part.body.name}: {part.body.features[k].id}"
    near = np.linalg.norm(part.vertices - place, axis=1) < _PATCH
    gone = near[part.body.surface.faces].any(axis=1)
    gone[facet] = True
    return gone, f"{part.body.name}: {mm(_PATCH, 'g')} about {place_in_mm(place, '.1f')}"


def _verdict(
    stop: Stop | None, run: float, sure: float, unsure: str, at_least: float | None, turns: bool
) -> tuple[Verdict, str]:
    def size(value: float, digits: str) -> str:
        return f"{np.degrees(value):{digits}} degrees" if turns else mm(value, digits)

    said = f"{size(run, '.3f')}, {size(sure, '.3f')} for sure (95 %)"
    if stop is not None and stop.spot is None:
        said = f"they are nearer than that where they stand ({stop.against})"
    elif stop is not None:
        said += f", until {stop.against} is in the way"
    elif stop is None:
        said += ", and nothing is in the way"
    if at_least is None:
        return "told", said
    asked = f"{size(at_least, 'g')} are asked for"
    if unsure:
        return "can't be said", f"{said}, but {unsure}; measure there"
    if sure >= at_least:
        return "far enough", said
    if run + ((stop.expanded or 0.0) if stop is not None else 0.0) < at_least:
        return "too short", f"{said}; {asked}"
    return "can't be said", f"{said}; {asked}"


def _map(
    pairs: Sequence[_Pair],
    ways: Sequence[int],
    up_to: float,
    least: float,
    second: tuple[Motion, Floats],
    progress: Progress,
) -> TravelMap:
    other, steps = second
    runs = np.linspace(-up_to if -1 in ways else 0.0, up_to if 1 in ways else 0.0, _MAP)
    gaps, pair_at = np.zeros((len(steps), len(runs))), np.zeros((len(steps), len(runs)), np.int32)
    limits = np.zeros((len(steps), 2))
    named: dict[tuple[str, str, str], int] = {}
    above: list[dict[str, tuple[int, int]]] = [{} for _ in runs]
    for i, step in enumerate(steps):
        progress((len(ways) + i / len(steps)) / (len(ways) + 1), f"map, {i + 1} of {len(steps)}")
        before = other.at(float(step))
        for way in ways:
            found = _first_of(pairs, way, up_to, least, before)
            limits[i, (way + 1) // 2] = way * (up_to if found is None else found[1].run)
        left: dict[str, tuple[int, int]] = {}
        for k, run in enumerate(runs):
            best, said = np.inf, ("", "", "")
            for pair in pairs:
                pose = pair.motion.at(float(run)) @ before
                # The pair that is nearest in a neighbouring cell is near here too.
                known = [near for near in (left.get(pair.name), above[k].get(pair.name)) if near is not None]
                known.sort(key=lambda facets: pair.of_facets(pose, facets).distance)
                near = pair.gap_at(pose, known[0] if known else None)
                if near is None:
                    continue
                left[pair.name] = above[k][pair.name] = near.facets
                if near.distance < best:
                    mine, its = pair.on(near.facets)
                    best, said = near.distance, (pair.name, mine or "", its or "")
            gaps[i, k], pair_at[i, k] = best, named.setdefault(said, len(named))
    return TravelMap(np.asarray(steps, np.float64), other.turns, runs, gaps, pair_at, tuple(named), limits)
