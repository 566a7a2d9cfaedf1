"""What ends a run of a travel, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.fitup import Spot
from pipeline.fitup.motions.motion import Pair
from pipeline.geometry import Floats
from pipeline.mesh.query import Contact

_BACK = 1e-3  # mm of gap before a contact where it is looked at: at the contact itself its direction is not known
_SLOW = 0.05  # mm of gap for each mm of run, under which the run is not corrected by what stands for the facets


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


def stop_of(pair: Pair, found: Contact, way: int) -> Stop:
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


def corrected_run(stop: Stop, run: float) -> float:
    """The run at which what stands for the facets comes as near as these do after `run`.

    `run` itself where that can't be told, or the gap closes too slowly.
    """
    if stop.expanded is None or stop.spot is None or stop.rate < _SLOW:
        return run
    return run + (stop.spot.distance - stop.spot.raw) / stop.rate
