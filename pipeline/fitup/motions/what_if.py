"""What would let a part go farther: a place milled off, another part gone; and what the cuts of the layout gave."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fitup import Placed, lies_within
from pipeline.fitup.motions.milling import Farther, Milling, least_milling
from pipeline.fitup.motions.motion import Motion, Pair, first_of, without
from pipeline.fitup.motions.stops import Stop, corrected_run, stop_of
from pipeline.geometry import Floats, Mask, transformed, undone
from pipeline.mesh.query import Contact, Meant, nearest_on_facets
from pipeline.mesh.topology import facet_normals

_PATCH = 10.0  # mm about a place on no feature that are taken away together
_ONE_PLACE = 3.0 * _PATCH  # mm from what is taken away to what belongs to the same place
_RIM = 3  # rows of facets along a feature that a scan rounds there
_GROWN = 8  # times that what is taken away at a place may grow
_SHARES = (0.9, 0.1)  # of the most that can be gained there: for each the least that gains as much is taken away
_MUCH = 0.5  # of what gains the most: what gains more isn't told beside it
_TRIES = 3  # for each, as what leaves no wall is passed over
_INSIDE = 0.02  # cosine of a facet's normal with the way that it is met, from which on that is from inside the metal


@dataclass(frozen=True)
class Gain:
    """How far a part would go if something were gone.

    part      which part that is, or is of
    run       mm or rad; expanded: of it, 95 %, None where it can't be told
    stop      what stops it then, a part's name and the feature, "" skin; None: it goes all the way
    milling   what is milled off; None: all of the part is gone
    """

    part: str
    run: float
    expanded: float | None
    stop: tuple[str, str] | None
    milling: Milling | None


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


def gains(
    pairs: Sequence[Pair], first: tuple[Pair, Contact], stop: Stop, way: int, up_to: float, least: float
) -> tuple[Gain, ...]:
    """What would let the part go farther, the most first: metal milled off where it is stopped, on either part, or the
    whole other part gone. What gains less than the run is known within is none."""
    pair, found = first
    beyond = first_of([other for other in pairs if other is not pair], way, up_to, least)
    out = [_gain(pair.name, beyond, way, up_to, None)]
    for side in (0, 1):
        out += _by_milling(pairs, first, side, stop, way, up_to, least)
    slight = max(1e-6, stop.expanded or 0.0)
    out = [gain for gain in out if gain.run > found.run + slight]
    # Of what gains as much, the least metal first.
    return tuple(sorted(out, key=lambda gain: (-gain.run, np.inf if gain.milling is None else gain.milling.depth)))


def _gain(part: str, then: tuple[Pair, Contact] | None, way: int, up_to: float, milling: Milling | None) -> Gain:
    if then is None:
        return Gain(part, up_to, None, None, milling)
    stop = stop_of(*then, way)
    return Gain(
        part,
        min(max(corrected_run(stop, then[1].run), 0.0), up_to),
        stop.expanded,
        (stop.against, stop.on[1] or ""),
        milling,
    )


def _by_milling(
    pairs: Sequence[Pair], first: tuple[Pair, Contact], side: int, stop: Stop, way: int, up_to: float, least: float
) -> list[Gain]:
    """How far it goes with what stops it milled off on the moving part, 0, or on the other one, 1.

    What is taken away begins with the feature or the skin that is met first, and grows by what is met next at the same
    place. Told is what gains nearly the most there, and the least that gains something, if that is less.
    """
    pair, found = first
    part = pair.moving if side == 0 else pair.other
    each = list(pairs) if side == 0 else [pair]
    gone = np.zeros(len(part.body.labels), bool)
    options: list[tuple[Mask, float, tuple[Pair, Contact] | None]] = []
    then: tuple[Pair, Contact] | None = first
    for _ in range(_GROWN):
        if then is None or not any(then[0] is one for one in each):
            break
        facet, place = then[1].near.facets[side], _place_before(*then, side, way)
        if gone.any() and not _is_by(part, gone, place):
            break
        if options and _meets(then[0], place, side, way) @ _normal(part, facet) < -_INSIDE:
            options.pop()  # The far side of what was taken away: no stop, but it goes as well.
        gone = gone | _patch(part, facet, place)
        then = _first_without(pairs, each, side, gone, way, up_to, least)
        options.append((gone, up_to if then is None else then[1].run, then))
    place = _place_before(pair, found, side, way)
    met = place, _normal(part, found.near.facets[side]), _meets(pair, place, side, way)
    known = None if stop.spot is None or stop.spot.unsure else stop.spot.expanded
    out: list[Gain] = []
    for share in _SHARES:
        for _ in range(_TRIES):
            most = max((run for _, run, _ in options), default=found.run)
            if most - found.run <= max(1e-6, stop.expanded or 0.0):
                break
            chosen, run, then = next(o for o in options if o[1] - found.run >= share * (most - found.run))
            if any(_MUCH * (gain.run - found.run) < run - found.run for gain in out):
                break
            milling = least_milling(Farther(each, side, way, run - 1e-6, least), chosen, met, known)
            if milling is not None:
                out.append(_gain(part.body.name, then, way, up_to, milling))
                break
            options = [option for option in options if option[1] < run - 1e-6]
    return out


def _first_without(
    pairs: Sequence[Pair], each: Sequence[Pair], side: int, gone: Mask, way: int, up_to: float, least: float
) -> tuple[Pair, Contact] | None:
    """What is met first with facets of the moving part, or of the other part of `each`, taken away."""

    def meant(pair: Pair) -> Meant:
        if not any(pair is one for one in each):
            return pair.meant
        return without(pair.meant, gone, None) if side == 0 else without(pair.meant, None, gone)

    return first_of(pairs, way, up_to, least, meant=meant)


def _place_before(pair: Pair, found: Contact, side: int, way: int) -> Floats:
    """(3,) mm where a place of contact of either part was before the run."""
    if side == 1:
        return found.near.on_other
    return transformed(undone(pair.motion.at(way * found.run)), found.near.on_one)


def _meets(pair: Pair, place: Floats, side: int, way: int) -> Floats:
    """(3,) unit, out of a place before the run against the way that the other part comes upon it, as far as it is seen
    from there."""
    speed = way * pair.motion.speed(place)
    return (1.0 if side == 0 else -1.0) * speed / max(float(np.linalg.norm(speed)), 1e-300)


def _normal(part: Placed, facet: int) -> Floats:
    return facet_normals(part.vertices, part.body.surface.faces[facet : facet + 1])[0]


def _is_by(part: Placed, gone: Mask, place: Floats) -> bool:
    """Whether a place is near to facets."""
    facets = np.flatnonzero(gone).astype(np.int32)
    near = nearest_on_facets(
        np.broadcast_to(place, (len(facets), 3)).copy(), part.vertices, part.body.surface.faces, facets
    )
    return bool(np.linalg.norm(near - place, axis=1).min() < _ONE_PLACE)


def _patch(part: Placed, facet: int, place: Floats) -> Mask:
    """(m,) facets of the feature that a facet is of, of a scan with the skin along its rim; or the skin about it."""
    faces, k = part.body.surface.faces, int(part.body.labels[facet])
    skin = part.body.labels < 0
    if k >= 0:
        gone = np.asarray(part.body.labels == k)
        for _ in range(_RIM if part.body.skin is None else 0):
            touched = np.zeros(len(part.vertices), bool)
            touched[faces[gone].ravel()] = True
            gone |= skin & touched[faces].any(axis=1)
        return gone
    near = np.linalg.norm(part.vertices - place, axis=1) < _PATCH
    gone = np.asarray(near[faces].any(axis=1) & skin)
    gone[facet] = True
    return gone


def owed(
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
    pairs = [Pair(parts[mover], name, part, motion, up_to, (way,)) for name, part in parts.items() if name != mover]
    inside = next((pair.name for pair in pairs if lies_within(pair.moving, pair.other)), None)
    if inside is not None:
        return 0.0, inside
    first = first_of(pairs, way, up_to, least)
    return (up_to, None) if first is None else (first[1].run, first[0].name)
