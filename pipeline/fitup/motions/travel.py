"""Travel: how far a part can be moved, along a direction or about an axis, before it comes too near to others.

Every run is exact for the facets, a contact along the motion and not steps; what the nearest features or the skin there
are known by goes into it through how fast the gap closes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipeline.fitup import Placed, lies_within
from pipeline.fitup.motions.motion import Motion, Pair, first_of, without
from pipeline.fitup.motions.stops import Stop, corrected_run, stop_of
from pipeline.fitup.motions.what_if import Gain, Owed, gains, owed
from pipeline.geometry import Floats, Ints
from pipeline.lengths import mm
from pipeline.mesh.query import NearestFacets
from pipeline.progress import Progress, silent

_SAMPLES = 33  # of the gap along a run
_MAP = 21  # runs of a map
Verdict = Literal["far enough", "too short", "can't be said", "told"]


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

    >>> from pipeline.fitup import Item, placed, turned_body
    >>> from pipeline.geometry import rigid
    >>> from pipeline.surfaces import SituationFeature
    >>> rod, post = (turned_body(name, [(0, 20), (50, 20)], 0.01) for name in ("rod", "post"))
    >>> ahead = Placed(post, placed([], rigid(np.eye(3), np.array([100.0, 0.0, 0.0]))))
    >>> way = Motion(Item(SituationFeature.AXIS, np.zeros(3), np.array([1.0, 0.0, 0.0])), False)
    >>> (run,) = travel(Placed(rod, placed([])), {"post": ahead}, way, 200.0, least=1.0).runs
    >>> round(run.run, 3), run.stop.against
    (79.0, 'post')
    """
    pairs = [Pair(moving, name, other, motion, up_to, ways) for name, other in others.items()]
    runs = []
    for number, way in enumerate(ways):
        progress(number / (len(ways) + 1), "forward" if way > 0 else "back")
        run = _run(pairs, way, up_to, least, at_least)
        runs.append(replace(run, owed=owed(moving, others, motion, way, up_to, least)))
    progress(len(ways) / (len(ways) + 1), "")
    found = None if second is None else _map(pairs, ways, up_to, least, second, progress)
    return Travel(motion.turns, up_to, tuple(runs), found)


def _run(pairs: Sequence[Pair], way: int, up_to: float, least: float, at_least: float | None) -> Run:
    inside = next((p for p in pairs if lies_within(p.moving, p.other)), None)
    if inside is not None:
        gaps = np.array([[0.0, 0.0]])
        why = f"one of {inside.moving.body.name} and {inside.name} lies in the other, where it stands"
        return Run(way, 0.0, 0.0, None, gaps, (), "told" if at_least is None else "too short", why)
    first = first_of(pairs, way, up_to, least)
    end = up_to if first is None else first[1].run
    gaps, narrowest = _gaps(pairs, way, min(up_to, 1.1 * end if end > 0.0 else 0.1 * up_to), end)
    if first is None:
        stop, run = None, up_to
        spot = None if narrowest is None else narrowest[0].spot(way * narrowest[1], narrowest[2])
    else:
        stop = stop_of(*first, way)
        spot = stop.spot
        run = min(max(corrected_run(stop, end), 0.0), up_to)
    unsure = "" if spot is None else spot.unsure
    sure = _sure(pairs, way, run, least, 0.0 if spot is None else max(0.0, spot.expanded + spot.raw - spot.distance))
    farther = () if first is None or stop is None else gains(pairs, first, stop, way, up_to, least)
    verdict, why = _verdict(stop, run, sure, unsure, at_least, pairs[0].motion.turns)
    if verdict == "too short" and stop is not None and not stop.seen and at_least is not None:
        seen = _first_seen(pairs, way, up_to, least)
        if seen >= at_least:
            verdict = "can't be said"
            why += "; nothing was measured there: scan that place"
    return Run(way, run, sure, stop, gaps, farther, verdict, why)


def _sure(pairs: Sequence[Pair], way: int, run: float, least: float, doubt: float) -> float:
    """How far a part goes with all that isn't known against it."""
    found = first_of(pairs, way, run, least + doubt)
    return run if found is None else min(run, found[1].run)


def _gaps(
    pairs: Sequence[Pair], way: int, up_to: float, end: float
) -> tuple[Floats, tuple[Pair, float, NearestFacets] | None]:
    """(k, 2) the smallest gap at runs up to `up_to`; and where it is smallest before `end`."""
    runs = np.union1d(np.linspace(0.0, up_to, _SAMPLES), [end])
    out = np.zeros((len(runs), 2))
    last: dict[str, tuple[int, int]] = {}
    narrowest: tuple[Pair, float, NearestFacets] | None = None
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


def _first_seen(pairs: Sequence[Pair], way: int, up_to: float, least: float) -> float:
    """How far the part would go if only what was measured were there."""
    best = up_to
    for pair in pairs:
        meant = without(pair.meant, ~pair.moving.body.seen, None)
        found = pair.contact(way, best, least, without(meant, None, ~pair.other.body.seen))
        best = best if found is None else min(best, found.run)
    return best


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
    pairs: Sequence[Pair],
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
            found = first_of(pairs, way, up_to, least, before)
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
