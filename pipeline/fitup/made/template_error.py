"""By how much what a drill template gives may be off: its locators' play and places, how it is made, sits and guides.

All that is bounded may lie anywhere within its bounds; what is likely is propagated by draws of a fixed stream of
numbers (JCGM 101:2008). Own coordinates of the template: z out of its seat, mm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from pipeline.fitup import Key
from pipeline.fitup.made.part import Budget, Share
from pipeline.geometry import Floats, basis_of

DRAWS = 100_000
_STEPS = 4001  # of the shift along the line of two pins, for the worst case
_COVERED = 0.95
_SEED = 20  # of the stream of draws


@dataclass(frozen=True)
class Pins:
    """Two locators: where they are, (2, 2) mm in the seat's plane; their play of the diameters, (2,) mm; its standard
    uncertainty, (2,); and whether the second one holds across their line only."""

    places: Floats
    play: Floats
    unsure: Floats
    flat: bool


@dataclass(frozen=True)
class Drilled:
    """A place that is drilled: (3,) mm, and the guide's axis, unit, out of the metal; mm of the guide's length, how far
    its near end is from the place, and the play of the drill in it, of the diameters."""

    place: Floats
    way: Floats
    length: float
    below: float
    play: float


@dataclass(frozen=True)
class Sitting:
    """How a template sits: where its pads are, (3, 2) mm, and by how much either way each may be off the plane."""

    pads: Floats
    off: float


@dataclass(frozen=True)
class Jointed:
    """A joint between two pieces of a template, mm: the pieces beyond it may lie off those before it.

    ends    (2, 2) of it in the seat's plane
    along, square  bounds, each either way, of what adds up along it, and square to it at either end
    rests   (3, 2) places on which the piece before and the one beyond rest, top down, when they are put together, at
            `top` mm above the seat, each off by `off` either way
    beyond  which are on the pieces beyond: both locators, the three pads, the drilled place
    """

    ends: Floats
    along: tuple[float, ...]
    square: tuple[float, ...]
    rests: tuple[Floats, Floats]
    top: float
    off: float
    beyond: tuple[bool, ...]


def joint_moves(joint: Jointed, pins: Pins, pads: Floats, place: Floats) -> Floats:
    """(9, 3) mm by which a drilled place (3,) goes off for a mm of each: along the joint, square to it at its ends,
    each rest of the piece before, of the piece beyond.

    What is on the pieces beyond goes with them, and where that are locators or pads the whole template lies as these
    make it.
    """
    out = []
    line = pins.places[1] - pins.places[0]
    u = line / np.linalg.norm(line)
    v = np.array([-u[1], u[0]])
    for unit in np.eye(9):

        def gone(at: Floats, unit: Floats = unit) -> Floats:
            flat = _carried(joint.ends, unit[0:1], unit[1:2], unit[2:3], at)[0]
            low = np.array([at[0], at[1], at[2] - joint.top])
            before, beyond = (
                tilted(r, h[None], low)[0] for r, h in zip(joint.rests, (unit[3:6], unit[6:9]), strict=True)
            )
            return np.array([*flat, 0.0]) + beyond - before

        one, other = (
            gone(np.array([*p, 0.0])) if there else np.zeros(3)
            for p, there in zip(pins.places, joint.beyond[:2], strict=True)
        )
        heights = [
            gone(np.array([*p, 0.0]))[2] if there else 0.0 for p, there in zip(pads, joint.beyond[2:5], strict=True)
        ]
        moved = gone(place) if joint.beyond[5] else np.zeros(3)
        moved[:2] -= _carried(
            pins.places, np.array([one[:2] @ u]), np.array([one[:2] @ v]), np.array([other[:2] @ v]), place
        )[0]
        out.append(moved - tilted(pads, np.array([heights]), place)[0])
    return np.array(out)


def pins_worst(pins: Pins, place: Floats) -> float:
    """mm, the farthest that a place (3,) of a template can get off by the play of two pins.

    Each pin stays in its hole: along their line both go the same way, across it each as far as its hole leaves. On
    their line, at a distance s > L from the first of two round pins that are L apart, with plays c and d, that is
    d s / 2 L + c (s - L) / 2 L; the turn, at most, is (c + d) / 2 L (both are the usual formulas for two pins and a
    plane in textbooks on fixtures; from memory).

    >>> pins = Pins(np.array([[0.0, 0], [100, 0]]), np.array([0.1, 0.1]), np.zeros(2), False)
    >>> round(pins_worst(pins, np.array([250.0, 0, 0])), 9), round(0.1 * 250 / 200 + 0.1 * 150 / 200, 9)
    (0.2, 0.2)
    """
    first, second = 0.5 * pins.play
    most = first if pins.flat else min(first, second)
    along = np.linspace(0.0, most, _STEPS)
    across = [np.sqrt(np.maximum(r * r - along**2, 0.0)) for r in (first, second)]
    if pins.flat:
        across[1] = np.full(_STEPS, second)
    worst = 0.0
    for sign in (1.0, -1.0):
        for e in (along, -along):
            moved = _carried(pins.places, e, across[0], sign * across[1], place)
            worst = max(worst, float(np.linalg.norm(moved, axis=1).max()))
    return worst


def _carried(places: Floats, along: Floats, first: Floats, second: Floats, place: Floats) -> Floats:
    """(n, 2) mm by which a place goes where two places go along their line, and each across it; (n,) each."""
    line = places[1] - places[0]
    length = float(np.linalg.norm(line))
    u = line / length
    v = np.array([-u[1], u[0]])
    off = place[:2] - places[0]
    turn = (second - first) / length
    s, t = float(off @ u), float(off @ v)
    return np.asarray((along - turn * t)[:, None] * u + (first + turn * s)[:, None] * v)


def _in_disc(rng: np.random.Generator, radius: Floats | float, n: int) -> Floats:
    angle, share = rng.uniform(0.0, 2.0 * np.pi, n), np.sqrt(rng.random(n))
    return np.asarray(np.asarray(radius)[..., None] * (share * np.array([np.cos(angle), np.sin(angle)])).T)


def _pins_drawn(rng: np.random.Generator, pins: Pins, place: Floats, n: int) -> Floats:
    """(n, 2) anywhere that two pins may be in their holes."""
    out = []
    left = n
    while left > 0:
        play = np.maximum(pins.play + pins.unsure * rng.standard_normal((n, 2)), 0.0)
        e, first, second = rng.uniform(-1.0, 1.0, (3, n)) * 0.5 * play[:, [0, 0, 1]].T
        held = e**2 + first**2 <= (0.5 * play[:, 0]) ** 2
        if not pins.flat:
            held &= e**2 + second**2 <= (0.5 * play[:, 1]) ** 2
        # As often as its plays were drawn, not as often as a place within them is found.
        out.append(_carried(pins.places, e[held], first[held], second[held], place))
        left -= int(held.sum())
    return np.vstack(out)[:n]


def tilted(pads: Floats, heights: Floats, place: Floats) -> Floats:
    """(n, 3) mm by which a place (3,) goes when three pads (3, 2) stand (n, 3) mm too high.

    >>> pads = np.array([[0.0, 0], [100, 0], [0, 100]])
    >>> tilted(pads, np.array([[0.0, 0.1, 0.0]]), np.array([50.0, 0, 20])).round(6).tolist()
    [[-0.02, -0.0, 0.05]]
    """
    system = np.column_stack([np.ones(3), pads])
    level, x, y = np.linalg.solve(system, heights.T)
    return np.asarray(np.column_stack([-x * place[2], -y * place[2], level + x * place[0] + y * place[1]]))


def budget(
    name: str, pins: Pins, drilled: Drilled, sitting: Sitting, made_to: float, moves: Mapping[Key, Floats],
    joints: Sequence[Jointed] = (),
) -> Budget:  # fmt: skip
    """What the error of a drilled place, across its axis, is made of.

    moves    by what is not known, (3,) mm by which the place goes against where it should be, by one standard
             uncertainty
    made_to  mm, radius of the circle in which each place of the template is made
    joints   between its pieces
    """
    n, rng = DRAWS, np.random.default_rng(_SEED)
    across = np.array(basis_of(drilled.way))
    flat = across[:, :2]  # what a shift in the seat's plane does across the axis
    total = np.zeros((n, 2))
    by_part: dict[tuple[str, ...], float] = {}
    for key, move in moves.items():
        seen = across @ move
        total += rng.standard_normal((n, 1)) * seen
        by_part[key[:2]] = by_part.get(key[:2], 0.0) + float(seen @ seen)
    shares = [Share(f"place of {' '.join(part)}", "random", float(np.sqrt(square)), "scan it closer")
              for part, square in by_part.items() if square > 0.0]  # fmt: skip
    total += _pins_drawn(rng, pins, drilled.place, n) @ flat.T
    shares.append(Share("play of the two pins", "bound", _seen(pins_worst(pins, drilled.place), flat),
                        "gauge both holes and take larger pins"))  # fmt: skip
    lever = float(np.sqrt(np.sum(_sizes_moves(pins, drilled.place, flat) ** 2)))
    if lever > 0.0:
        shares.append(Share("sizes of the two holes", "random", lever, "gauge both holes"))
    # How it is made: both locators, the guide, and the pads.
    own = Pins(pins.places, np.full(2, 2.0 * made_to), np.zeros(2), True)
    ends = _in_disc(rng, made_to, n), _in_disc(rng, made_to, n)
    line = (pins.places[1] - pins.places[0]) / np.linalg.norm(pins.places[1] - pins.places[0])
    beside = np.array([-line[1], line[0]])
    # The template goes the other way from where its locators were made.
    total -= _carried(pins.places, ends[0] @ line, ends[0] @ beside, ends[1] @ beside, drilled.place) @ flat.T
    total += _in_disc(rng, made_to, n)
    made = _seen(pins_worst(own, drilled.place), flat) + made_to
    shares.append(
        Share("making of locators and guide", "bound", made, "have it machined, or print a coupon and correct")
    )
    heights = sitting.off * rng.uniform(-1.0, 1.0, (n, 3))
    total += tilted(sitting.pads, heights, drilled.place) @ across.T
    corners = sitting.off * np.array([[i, j, k] for i in (1, -1) for j in (1, -1) for k in (1, -1)], float)
    sits = float(np.linalg.norm(tilted(sitting.pads, corners, drilled.place) @ across.T, axis=1).max())
    shares.append(Share("form of the seat and pads", "bound", sits, "clean the seat, set the pads farther apart"))
    near, far = _in_disc(rng, 0.5 * drilled.play, n), _in_disc(rng, 0.5 * drilled.play, n)
    total += near + (near - far) * (drilled.below / drilled.length)
    guide = 0.5 * drilled.play + drilled.play * drilled.below / drilled.length
    shares.append(
        Share("play and lean of the drill in its guide", "bound", guide, "a bush, a longer guide, or less stand-off")
    )
    for k, joint in enumerate(joints, 1):
        seen = joint_moves(joint, pins, sitting.pads, drilled.place) @ across.T
        total += _joint_drawn(rng, joint, n) @ seen
        most = np.array([sum(joint.along), *[sum(joint.square)] * 2, *[joint.off] * 6])
        ways = np.array(list(product((1.0, -1.0), repeat=9))) * most
        worst_of = float(np.linalg.norm(ways @ seen, axis=1).max())
        which = f"joint {k} of its pieces" if len(joints) > 1 else "joint of its pieces"
        shares.append(Share(which, "bound", worst_of, "print it whole on a larger bed, or set the joint elsewhere"))
    shares.sort(key=lambda share: -_weight(share))
    random = 2.0 * float(np.sqrt(sum(s.size**2 for s in shares if s.kind == "random")))
    worst = random + sum(s.size for s in shares if s.kind == "bound")
    likely = float(np.quantile(np.linalg.norm(total, axis=1), _COVERED))
    return Budget(name, tuple(shares), likely, worst, f"most of it: {shares[0].name}; {shares[0].cure}")


def _joint_drawn(rng: np.random.Generator, joint: Jointed, n: int) -> Floats:
    """(n, 9) mm of what a joint may be off by, drawn."""
    sums = [joint.along, joint.square, joint.square, *[(joint.off,)] * 6]
    return np.column_stack([(rng.uniform(-1.0, 1.0, (n, len(each))) * each).sum(axis=1) for each in sums])


def _weight(share: Share) -> float:
    return 2.0 * share.size if share.kind == "random" else share.size


def _seen(size: float, flat: Floats) -> float:
    """What of a shift in the seat's plane, in its worst direction, is seen across the axis."""
    return size * float(np.linalg.svd(flat, compute_uv=False)[0])


def _sizes_moves(pins: Pins, place: Floats, flat: Floats) -> Floats:
    """(2,) mm, by one standard uncertainty of each hole's size, of the worst case."""
    here = pins_worst(pins, place)
    out = []
    for k in range(2):
        play = pins.play.copy()
        play[k] += pins.unsure[k]
        out.append(_seen(pins_worst(Pins(pins.places, play, pins.unsure, pins.flat), place) - here, flat))
    return np.array(out)


def located_within(pins: Pins, unsure: Sequence[Floats], made_to: float, place: Floats) -> float:
    """mm, at worst, by which two locators let a place (3,) be off: their play, twice what isn't known of where their
    holes are and how wide, and how the locators are made.

    unsure  of each hole, (k, 2) mm in the seat's plane, by one standard uncertainty of each thing that moves it

    >>> pins = Pins(np.array([[0.0, 0.0], [100, 0]]), np.array([0.1, 0.1]), np.zeros(2), False)
    >>> known, moved = np.zeros((1, 2)), np.array([[0.0, 0.03]])
    >>> far = np.array([250.0, 0.0, 0.0])
    >>> [round(located_within(pins, (known, w), 0.0, far), 6) for w in (known, moved)]
    [0.2, 0.35]
    """
    line = pins.places[1] - pins.places[0]
    u = line / np.linalg.norm(line)
    v = np.array([-u[1], u[0]])
    none = np.zeros(1)
    square = 0.0
    for k, moves in enumerate(unsure):
        for move in moves:
            along, across = np.array([move @ u]), np.array([move @ v])
            if k == 0:
                gone = _carried(pins.places, along, across, none, place)
            else:
                gone = _carried(pins.places, none, none, across, place)
            square += float(np.sum(gone**2))
    square += float(np.sum(_sizes_moves(pins, place, np.eye(2)) ** 2))
    made = pins_worst(Pins(pins.places, np.full(2, 2.0 * made_to), np.zeros(2), True), place)
    return pins_worst(pins, place) + 2.0 * float(np.sqrt(square)) + made


def halved_by(pairs: Sequence[tuple[str, str, float]], now: float) -> str:
    """A sentence on the best of other pairs (two numbers, mm at worst), against what it is now.

    >>> halved_by([("H1", "H2", 0.2), ("H1", "H4", 0.1)], 0.3)
    'with H1 and H4 its locators would give 0.100 mm at worst instead of 0.300 mm'
    """
    if not pairs:
        return "there is no other pair of holes in its seat"
    one, other, best = min(pairs, key=lambda pair: pair[2])
    if best > 0.5 * now:
        least = f"the best, {one} and {other}, would give {best:.3f} mm instead of {now:.3f} mm"
        return f"no other pair of holes in its seat would halve what its locators give at worst: {least}"
    return f"with {one} and {other} its locators would give {best:.3f} mm at worst instead of {now:.3f} mm"
