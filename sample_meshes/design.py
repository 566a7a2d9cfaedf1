"""The exact design of the demo part: the bearing housing of a reclaimed centrifugal pump.

Part coordinates, mm: the shaft runs along x, the flange's face lies at x = 0 and faces -x, the foot stands
on z = -shaft_height, y points to the side of the inspection pad. Machined faces are exact; everything sand
cast is drafted, filleted and wavy, so that no cast face is a plane, cylinder or cone.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sample_meshes import solid as s

X, Y, Z = np.eye(3)


@dataclass(frozen=True)
class Face:
    """A machined face in part coordinates, mm and degrees; `number` is its face number in the solid."""

    number: int
    name: str
    kind: str
    side: str | None
    point: NDArray[np.float64]
    direction: NDArray[np.float64] | None
    radius: float | None = None
    half_angle: float | None = None
    major_radius: float | None = None


@dataclass(frozen=True)
class Hole:
    """A hole a scanner looks into: from `mouth` along `inward`; `through` where it is open at the far end."""

    mouth: NDArray[np.float64]
    inward: NDArray[np.float64]
    radius: float
    depth: float
    through: bool


@dataclass(frozen=True)
class Part:
    """What the design comes to: a solid, its machined faces and its narrow holes."""

    solid: s.Solid
    faces: tuple[Face, ...]
    holes: tuple[Hole, ...]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


@dataclass(frozen=True)
class Design:
    """Dimensions of the housing, mm and degrees. Radii, not diameters, unless the name says otherwise."""

    length: float = 204.0
    shaft_height: float = 98.0
    barrel_radius: float = 52.0
    barrel_draft: float = 0.9

    flange_radius: float = 81.0
    flange_thickness: float = 17.0
    bolt_count: int = 8
    bolt_circle_radius: float = 69.0
    bolt_hole_radius: float = 5.5
    spigot_radius: float = 57.0
    spigot_height: float = 8.0
    groove_radius: float = 49.5
    groove_tube: float = 2.4

    seal_radius: float = 42.5
    seal_depth: float = 16.0
    seat_a_radius: float = 36.0
    seat_a_depth: float = 22.0
    step_a_radius: float = 30.5
    step_a_depth: float = 9.0
    passage_radius: float = 24.0
    seat_b_radius: float = 31.0
    seat_b_depth: float = 27.0
    step_b_radius: float = 27.5
    step_b_depth: float = 8.0
    entry_half_angle: float = 30.0
    entry_depth: float = 4.5
    end_boss_radius: float = 43.5
    end_boss_length: float = 26.0

    cross_position: float = 88.0
    cross_radius: float = 9.5
    cross_boss_radius: float = 19.0
    cross_height: float = 68.0

    pad_position: float = 124.0
    pad_azimuth: float = 33.0
    pad_tilt: float = 12.0
    pad_radius: float = 26.0
    pad_distance: float = 65.0
    window_radius: float = 12.5
    window_depth: float = 9.0
    tapped_count: int = 4
    tapped_radius: float = 3.4
    tapped_circle_radius: float = 19.0
    tapped_depth: float = 22.0

    ball_seat: bool = True
    ball_position: float = 118.0
    ball_azimuth: float = 160.0
    ball_radius: float = 15.0
    ball_depth: float = 8.5
    ball_boss_radius: float = 18.5
    ball_distance: float = 67.0

    foot_position: float = 112.0
    foot_length: float = 138.0
    foot_width: float = 136.0
    foot_thickness: float = 15.0
    foot_hole_radius: float = 7.0
    foot_hole_inset: float = 19.0
    spotface_radius: float = 13.0
    spotface_depths: tuple[float, ...] = (1.9, 2.5, 1.5, 3.1)
    web_length: float = 104.0
    web_width: float = 46.0

    rib_thickness: float = 9.0
    gusset_count: int = 3
    fillet: float = 6.0
    skin_seed: int = 11

    @staticmethod
    def sample() -> Design:
        """The demo part."""
        return Design()

    @staticmethod
    def varied(seed: int) -> Design:
        """A housing of other dimensions: sizes within 25 %, other counts, angles and bore steps.

        The same seed gives the same design; draws that could not be built are drawn again.
        """
        rng = np.random.default_rng([seed, 20])
        for _ in range(2000):
            design = _draw(rng)
            if not design.problems():
                return replace(design, skin_seed=int(rng.integers(1 << 30)))
        raise RuntimeError("no buildable design was drawn")

    def problems(self) -> list[str]:
        """Why this design could not be cast and machined; empty if it could."""
        d = self
        shoulder_a = -d.spigot_height + d.seal_depth + d.seat_a_depth
        end_b = d.length - d.seat_b_depth - d.step_b_depth
        barrel_end = d.barrel_radius - d.length * np.tan(np.radians(d.barrel_draft))
        pad_reach = d.pad_radius + 6.0
        wall_under_pad = d.pad_distance - max(d.window_depth, d.tapped_depth)
        rules = {
            "step, seat and seal bores must grow outwards": d.passage_radius + 2.0 < d.step_a_radius
            and d.step_a_radius + 3.0 < d.seat_a_radius
            and d.seat_a_radius + 3.0 < d.seal_radius
            and d.passage_radius + 2.0 < d.step_b_radius
            and d.step_b_radius + 2.5 < d.seat_b_radius,
            "the groove must fit on the spigot's end": d.seal_radius + d.groove_tube + 2.5 < d.groove_radius
            and d.groove_radius + d.groove_tube + 2.5 < d.spigot_radius,
            "bolts must clear spigot and rim": d.spigot_radius + d.bolt_hole_radius + 4.0 < d.bolt_circle_radius
            and d.bolt_circle_radius + d.bolt_hole_radius + 4.0 < d.flange_radius
            and 2.0 * np.pi * d.bolt_circle_radius > 4.0 * d.bolt_count * d.bolt_hole_radius,
            "the barrel must carry the seats": d.seat_a_radius + 7.0 < d.barrel_radius < d.spigot_radius + 3.0
            and d.barrel_radius + d.bolt_hole_radius + 5.0 < d.bolt_circle_radius,
            "the end boss must be turned from the barrel": d.seat_b_radius
            + d.entry_depth * np.tan(np.radians(d.entry_half_angle))
            + 4.0
            < d.end_boss_radius
            < barrel_end - 2.5,
            "the entry cone must lie in the seat": d.entry_depth + 8.0 < d.seat_b_depth,
            "the seats must leave a passage": shoulder_a + d.step_a_depth + 60.0 < end_b,
            "the foot must lie between flange and end boss": d.flange_thickness + 8.0
            < d.foot_position - d.foot_length / 2
            and d.foot_position + d.foot_length / 2 < d.length - d.end_boss_length + 12.0
            and d.foot_position + d.web_length / 2 + d.fillet < d.length - d.end_boss_length,
            "the flange must clear the floor": d.flange_radius + 10.0 < d.shaft_height,
            "foot holes must fit beside the web": d.web_width / 2 + d.spotface_radius + 9.0
            < d.foot_width / 2 - d.foot_hole_inset
            and d.spotface_radius + 3.0 < d.foot_hole_inset
            and d.foot_hole_radius + 3.5 < d.spotface_radius,
            "spotfaces must clear the ribs": d.web_length * 0.2 + d.rib_thickness / 2 + d.fillet
            < d.foot_length / 2 - d.foot_hole_inset - d.spotface_radius,
            "the cross bore must miss the seats": shoulder_a + d.step_a_depth + d.cross_radius + 3.0
            < d.cross_position
            < end_b - d.cross_radius - 3.0
            and d.cross_radius + 5.0 < d.cross_boss_radius
            and d.cross_radius + 4.0 < d.passage_radius
            and d.flange_thickness + d.cross_boss_radius + 8.0 < d.cross_position,
            "the top boss must stand out": d.barrel_radius + 7.0 < d.cross_height < d.flange_radius - 5.0,
            "the pad must hold window and tapped holes": d.window_radius + d.tapped_radius + 2.5
            < d.tapped_circle_radius
            and d.tapped_circle_radius + d.tapped_radius + 2.5 < d.pad_radius
            and d.tapped_depth > d.window_depth + 3.0,
            "the pad must leave a wall": wall_under_pad - d.pad_radius * np.sin(np.radians(d.pad_tilt))
            > d.passage_radius + 4.0,
            "the pad must stand out": d.pad_distance - d.pad_radius * np.sin(np.radians(d.pad_tilt))
            > d.barrel_radius + 3.0
            and d.pad_distance < d.flange_radius,
            "the pad must lie on the barrel": d.flange_thickness + pad_reach + 6.0
            < d.pad_position
            < d.length - d.end_boss_length - pad_reach,
            "pad and top boss must not run into each other": np.hypot(
                d.pad_position - d.cross_position, np.radians(90.0 - d.pad_azimuth) * d.barrel_radius
            )
            > d.pad_radius + d.cross_boss_radius + 6.0,
            "the ball seat must lie within its boss": np.sqrt(
                max(d.ball_radius**2 - (d.ball_radius - d.ball_depth) ** 2, 0.0)
            )
            + 3.5
            < d.ball_boss_radius
            and d.ball_depth < d.ball_radius
            and d.barrel_radius + 6.0 < d.ball_distance
            and d.ball_distance - d.ball_depth > d.passage_radius + 5.0
            and np.hypot(d.ball_position - d.cross_position, np.radians(d.ball_azimuth - 90.0) * d.barrel_radius)
            > d.ball_boss_radius + d.cross_boss_radius + 6.0
            and d.flange_thickness + d.ball_boss_radius + 10.0
            < d.ball_position
            < d.length - d.end_boss_length - d.ball_boss_radius - 6.0,
        }
        return [rule for rule, kept in rules.items() if not kept]

    def dimensions(self) -> dict[str, object]:
        """Every dimension by name, ready for JSON."""
        return asdict(self)

    def part(self, edge_radius: float = 0.35, extras: tuple[Extra, ...] = (), coating: float = 0.0) -> Part:
        """The solid with edges rounded by `edge_radius` mm, and what sticks to it when it is scanned."""
        return _build(self, edge_radius, extras, coating)


@dataclass(frozen=True)
class Extra:
    """Something that is not the part: a rough cylinder from `start` along `axis`; face number `number`."""

    number: int
    start: NDArray[np.float64]
    axis: NDArray[np.float64]
    radius: float
    length: float
    blend: float = field(default=0.5)


def _draw(rng: np.random.Generator) -> Design:
    """One draw, from the passage outwards so that most of the steps fit; `problems` judges the rest."""
    base = Design()
    size = rng.uniform(0.85, 1.15)

    def about(name: str, spread: float = 0.1) -> float:
        return float(getattr(base, name) * size * rng.uniform(1.0 - spread, 1.0 + spread))

    def more(low: float, high: float) -> float:
        return float(size * rng.uniform(low, high))

    passage = about("passage_radius")
    step_a = passage + more(4.0, 8.0)
    seat_a = step_a + more(4.5, 7.0)
    seal = seat_a + more(4.5, 8.0)
    tube = more(1.8, 2.8) if rng.random() < 0.7 else 0.0
    groove = seal + tube + 2.5 + more(0.5, 2.5)
    spigot = groove + tube + 2.5 + more(0.5, 3.0)
    bolt_hole = more(4.5, 7.0)
    bolt_circle = spigot + bolt_hole + 4.0 + more(0.5, 5.0)
    flange = bolt_circle + bolt_hole + 4.0 + more(1.0, 4.0)
    barrel = seat_a + 7.0 + more(4.0, 10.0)
    step_b = passage + more(2.8, 5.0)
    seat_b = step_b + more(3.0, 5.0)
    entry_angle, entry_depth = float(rng.choice([20.0, 30.0, 45.0])), more(3.0, 5.5)
    end_boss = seat_b + entry_depth * np.tan(np.radians(entry_angle)) + 4.0 + more(1.0, 6.0)
    spotface, foot_hole = more(11.5, 14.5), more(5.5, 8.0)
    foot_inset = spotface + 3.0 + more(1.0, 4.0)
    web_width = about("web_width")
    foot_width = 2.0 * (web_width / 2 + spotface + 9.0 + foot_inset + more(1.0, 5.0))
    tapped, window = more(2.6, 4.2), about("window_radius")
    tapped_circle = window + tapped + 2.5 + more(0.5, 2.0)
    pad_radius = tapped_circle + tapped + 2.5 + more(0.5, 2.0)
    ball, ball_share = about("ball_radius"), rng.uniform(0.4, 0.7)
    stands_out = max(barrel, flange - 18.0 * size)
    return Design(
        length=about("length"),
        shaft_height=flange + 10.0 + more(2.0, 12.0),
        barrel_radius=barrel,
        barrel_draft=float(rng.uniform(0.6, 1.2)),
        flange_radius=flange,
        flange_thickness=about("flange_thickness", 0.2),
        bolt_count=int(rng.choice([6, 8, 10, 12])),
        bolt_circle_radius=bolt_circle,
        bolt_hole_radius=bolt_hole,
        spigot_radius=spigot,
        spigot_height=about("spigot_height", 0.25),
        groove_radius=groove,
        groove_tube=tube,
        seal_radius=seal,
        seal_depth=about("seal_depth", 0.25),
        seat_a_radius=seat_a,
        seat_a_depth=about("seat_a_depth", 0.25),
        step_a_radius=step_a,
        step_a_depth=about("step_a_depth", 0.25),
        passage_radius=passage,
        seat_b_radius=seat_b,
        seat_b_depth=about("seat_b_depth", 0.2),
        step_b_radius=step_b,
        step_b_depth=about("step_b_depth", 0.25),
        entry_half_angle=entry_angle,
        entry_depth=entry_depth,
        end_boss_radius=end_boss,
        end_boss_length=about("end_boss_length", 0.2),
        cross_position=about("cross_position"),
        cross_radius=about("cross_radius", 0.2),
        cross_boss_radius=about("cross_boss_radius"),
        cross_height=stands_out + more(4.0, 10.0),
        pad_position=about("pad_position"),
        pad_azimuth=float(rng.uniform(25.0, 38.0)),
        pad_tilt=float(rng.uniform(4.0, 13.0)),
        pad_radius=pad_radius,
        pad_distance=stands_out + more(6.0, 12.0),
        window_radius=window,
        window_depth=about("window_depth", 0.2),
        tapped_count=int(rng.choice([2, 3, 4, 6])),
        tapped_radius=tapped,
        tapped_circle_radius=tapped_circle,
        tapped_depth=about("tapped_depth"),
        ball_seat=bool(rng.random() < 0.7),
        ball_position=about("ball_position"),
        ball_azimuth=float(rng.uniform(150.0, 172.0)),
        ball_radius=ball,
        ball_depth=ball * ball_share,
        ball_boss_radius=ball * np.sqrt(1.0 - (1.0 - ball_share) ** 2) + 3.5 + more(0.5, 2.0),
        ball_distance=stands_out + more(5.0, 10.0),
        foot_position=about("foot_position", 0.05),
        foot_length=about("foot_length"),
        foot_width=foot_width,
        foot_thickness=about("foot_thickness"),
        foot_hole_radius=foot_hole,
        foot_hole_inset=foot_inset,
        spotface_radius=spotface,
        spotface_depths=tuple(float(v) for v in rng.permutation([1.5, 2.0, 2.6, 3.2]) * size),
        web_length=about("web_length"),
        web_width=web_width,
        rib_thickness=about("rib_thickness"),
        gusset_count=int(rng.integers(2, 5)),
        fillet=about("fillet", 0.2),
    )


def frame_along(axis: NDArray) -> NDArray[np.float64]:
    """Rows u, v, w of a right-handed frame whose w is the unit vector along `axis`."""
    w = np.asarray(axis, float) / np.linalg.norm(axis)
    helper = X if abs(w[0]) < 0.9 else Y
    v = np.cross(w, helper)
    v /= np.linalg.norm(v)
    return np.array([np.cross(v, w), v, w])


class _Table:
    """Collects the rows of a solid and the faces that its cuts leave."""

    def __init__(self, edge_radius: float):
        self.edge = edge_radius
        self.rows: list[NDArray] = []
        self.faces: list[Face] = []
        self.holes: list[Hole] = []

    def row(self, kind, role, blend, wavy, origin, frame, size, ball, numbers=(0, 0, 0)) -> None:
        row = np.zeros(s.COLUMNS)
        row[s.KIND], row[s.ROLE], row[s.BLEND], row[s.WAVY] = kind, role, blend, wavy
        row[s.ORIGIN : s.ORIGIN + 3] = origin
        row[s.FRAME : s.FRAME + 9] = np.asarray(frame).ravel()
        row[s.SIZE : s.SIZE + len(size)] = size
        row[s.BALL : s.BALL + 3], row[s.BALL + 3] = ball
        row[s.FACES : s.FACES + 3] = numbers
        self.rows.append(row)

    def face(self, name, kind, side, point, direction, **sizes) -> int:
        number = len(self.faces) + 1
        self.faces.append(Face(number, name, kind, side, np.asarray(point, float), direction, **sizes))
        return number

    def cast_cone(self, origin, axis, radius, draft, low, high, fillet, corner=3.0) -> None:
        frame, slope = frame_along(axis), np.tan(np.radians(draft))
        ball = _ball(origin, frame[2], low, high, max(radius + slope * low, radius + slope * high))
        self.row(s.CONE, s.CAST, fillet, 0, origin, frame, (radius, low, high, slope, corner), ball)

    def cast_box(self, centre, frame, half, draft, fillet, corner=3.0) -> None:
        slope = np.tan(np.radians(draft))
        ball = (centre, float(np.linalg.norm(np.asarray(half) + abs(slope) * half[2])))
        self.row(s.BOX, s.CAST, fillet, 0, centre, frame, (*half, slope, corner), ball)

    def cut_plane(self, name, point, normal) -> None:
        """Take away all that lies beyond a plane."""
        frame = frame_along(normal)
        number = self.face(name, "plane", None, point, frame[2])
        everywhere = (np.zeros(3), s.EVERYWHERE)
        self.row(s.HALF_SPACE, s.CUT, self.edge, 0, point, frame, (), everywhere, (number, 0, 0))

    def cut_plane_within(self, name, point, normal, radius) -> None:
        """Mill a plane on one boss only: take away what lies beyond it within `radius`."""
        frame = frame_along(normal)
        number = self.face(name, "plane", None, point, frame[2])
        size = (radius, 0.0, 40.0, 0.0, 0.0)
        ball = _ball(point, frame[2], 0.0, 40.0, radius)
        self.row(s.CYLINDER, s.CUT, self.edge, 0, point, frame, size, ball, (0, number, 0))

    def cut_round(self, name, mouth, inward, radius, depth, bottom=None, before=200.0, hole=False) -> None:
        """Bore from `before` in front of the mouth to `depth` behind it; `bottom` names the shoulder."""
        frame = frame_along(inward)
        wall = self.face(name, "cylinder", "bore", mouth + frame[2] * depth / 2, frame[2], radius=radius)
        end = self.face(bottom, "plane", None, mouth + frame[2] * depth, -frame[2]) if bottom else 0
        ball = _ball(mouth, frame[2], -before, depth, radius)
        self.row(
            s.CYLINDER,
            s.CUT,
            self.edge,
            0,
            mouth,
            frame,
            (radius, -before, depth, 0, self.edge),
            ball,
            (wall, 0, end),
        )
        if hole:
            self.holes.append(Hole(mouth, frame[2], radius, depth, bottom is None))


def _ball(origin, axis, low, high, radius):
    return np.asarray(origin) + axis * (low + high) / 2, float(np.hypot((high - low) / 2, radius))


def _around(azimuth: float) -> NDArray[np.float64]:
    """Unit vector square to the shaft, degrees from y towards z."""
    a = np.radians(azimuth)
    return np.array([0.0, np.cos(a), np.sin(a)])


def _skin(seed: int) -> NDArray[np.float64]:
    """Bow, core shift and sand: waves of three lengths, all far larger than a scanner's noise."""
    rng = np.random.default_rng([seed, 1])
    bands = ((3, 60.0, 100.0, 0.22), (5, 22.0, 38.0, 0.10), (7, 8.0, 14.0, 0.035))
    return np.vstack([_wave_band(rng, *band) for band in bands])


def _wave_band(rng, count, short, long, amplitude) -> NDArray[np.float64]:
    k = rng.normal(size=(count, 3))
    k *= (2 * np.pi / rng.uniform(short, long, count) / np.linalg.norm(k, axis=1))[:, None]
    phase = rng.uniform(0, 2 * np.pi, count)
    return np.column_stack([k, phase, amplitude * rng.uniform(0.7, 1.3, count)])


def _build(d: Design, edge_radius: float, extras: tuple[Extra, ...], coating: float) -> Part:
    t = _Table(edge_radius)
    _cast(t, d)
    _machine(t, d)
    for e in extras:
        ball = _ball(e.start, frame_along(e.axis)[2], -1.0, e.length + 1.0, e.radius + 1.0)
        numbers = (e.number, e.number, e.number)
        size = (e.radius, 0.0, e.length, 0.0, 1.0)
        t.row(s.CYLINDER, s.ADDED, e.blend, 2, e.start, frame_along(e.axis), size, ball, numbers)
    rough = _wave_band(np.random.default_rng([d.skin_seed, 2]), 9, 5.0, 16.0, 0.3)
    solid = s.Solid(np.array(t.rows), _skin(d.skin_seed), rough, coating)
    side = max(d.flange_radius, d.foot_width / 2, d.pad_distance + 12.0) + 4.0
    low = np.array([-d.spigot_height - 4.0, -side, -d.shaft_height - 4.0])
    high = np.array([d.length + 4.0, side, max(d.flange_radius, d.cross_height) + 4.0])
    for e in extras:
        tip = e.start + e.length * np.asarray(e.axis) / np.linalg.norm(e.axis)
        low = np.minimum(low, np.minimum(e.start, tip) - e.radius - 4.0)
        high = np.maximum(high, np.maximum(e.start, tip) + e.radius + 4.0)
    return Part(solid, tuple(t.faces), tuple(t.holes), low, high)


def _cast(t: _Table, d: Design) -> None:
    allowance = 2.5
    t.cast_cone(0 * X, X, d.barrel_radius, -d.barrel_draft, 2.0, d.length + allowance, d.fillet, corner=4.0)
    start = -d.spigot_height - allowance
    t.cast_cone(0 * X, X, d.flange_radius, -1.5, start, d.flange_thickness, d.fillet)

    # The foot, and the web that carries the barrel on it.
    thickness = d.foot_thickness + allowance
    foot = np.array([d.foot_position, 0.0, -d.shaft_height - allowance + thickness / 2])
    down = np.array([X, -Y, -Z])
    t.cast_box(foot, down, (d.foot_length / 2, d.foot_width / 2, thickness / 2), 2.0, d.fillet)
    web_top, web_bottom = -d.barrel_radius * 0.5, -d.shaft_height + d.foot_thickness / 2
    web = np.array([d.foot_position, 0.0, (web_top + web_bottom) / 2])
    t.cast_box(web, down, (d.web_length / 2, d.web_width / 2, (web_top - web_bottom) / 2), 2.5, d.fillet)

    # Slanted ribs from the barrel's flanks to the foot, one pair near each end of the web.
    for x in (d.foot_position - d.web_length * 0.2, d.foot_position + d.web_length * 0.2):
        for side in (-1.0, 1.0):
            top = np.array([x, side * d.barrel_radius * 0.62, -d.barrel_radius * 0.45])
            base = np.array([x, side * (d.foot_width / 2 - 13.0), -d.shaft_height + d.foot_thickness * 0.55])
            along = (base - top) / np.linalg.norm(base - top)
            frame = np.array([X, np.cross(along, X), along])
            half = (d.rib_thickness / 2, 11.0, np.linalg.norm(base - top) / 2)
            t.cast_box((top + base) / 2, frame, half, 1.2, d.fillet * 0.7, corner=2.5)

    # Gussets behind the flange, between the bolts.
    pitch = 360.0 / d.bolt_count
    spots = [-90.0 + pitch * k for k in np.linspace(0, d.bolt_count, d.gusset_count, endpoint=False).round()]
    for azimuth in spots:
        radial = _around(azimuth + (pitch / 2 if not _on_half_pitch(d, azimuth) else 0.0))
        outer = d.flange_thickness * X * 0.6 + radial * (d.flange_radius - 10.0)
        inner = (d.flange_thickness + 34.0) * X + radial * (d.barrel_radius - 4.0)
        along = (inner - outer) / np.linalg.norm(inner - outer)
        across = np.cross(X, radial)
        half = (d.rib_thickness * 0.45, 14.0, np.linalg.norm(inner - outer) / 2)
        t.cast_box(
            (outer + inner) / 2,
            np.array([across, np.cross(along, across), along]),
            half,
            1.0,
            d.fillet * 0.6,
            corner=2.2,
        )

    # Bosses.
    top = d.cross_position * X
    t.cast_cone(top, Z, d.cross_boss_radius + 1.5, -1.5, 10.0, d.cross_height + allowance, d.fillet, 2.0)
    root, normal = _pad(d)
    t.cast_cone(root, normal, d.pad_radius + 0.8, -2.0, -d.pad_distance * 0.7, allowance, d.fillet, 2.0)
    if d.ball_seat:
        out = _around(d.ball_azimuth)
        face = d.ball_position * X + d.ball_distance * out
        t.cast_cone(face, out, d.ball_boss_radius, -2.0, -d.ball_distance * 0.7, allowance, d.fillet, 2.0)


def _on_half_pitch(d: Design, azimuth: float) -> bool:
    """Whether an azimuth lies midway between two bolts (bolts straddle the vertical)."""
    pitch = 360.0 / d.bolt_count
    return abs((azimuth + 90.0) / pitch - round((azimuth + 90.0) / pitch)) < 0.25


def _pad(d: Design) -> tuple[NDArray, NDArray]:
    """Centre of the inspection face and its outward normal."""
    out = _around(d.pad_azimuth)
    tilt = np.radians(d.pad_tilt)
    return d.pad_position * X + d.pad_distance * out, np.cos(tilt) * out + np.sin(tilt) * X


def _machine(t: _Table, d: Design) -> None:
    front, end = -d.spigot_height * X, d.length * X
    edge = t.edge
    everywhere = (np.zeros(3), s.EVERYWHERE)

    # Foot: bottom face, four holes, each spot-faced to its own depth as found under the bolt heads.
    floor = np.array([d.foot_position, 0.0, -d.shaft_height])
    t.cut_plane("foot bottom", floor, -Z)
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    for i, (a, b) in enumerate(corners):
        spot = floor + np.array(
            [a * (d.foot_length / 2 - d.foot_hole_inset), b * (d.foot_width / 2 - d.foot_hole_inset), 0.0]
        )
        height = d.foot_thickness - d.spotface_depths[i]
        t.cut_round(f"foot hole {i + 1}", spot, Z, d.foot_hole_radius, 40.0, before=10.0)
        t.cut_round(
            f"spotface {i + 1} wall",
            spot + height * Z,
            -Z,
            d.spotface_radius,
            0.0,
            bottom=f"spotface {i + 1}",
            before=28.0,
        )

    # Flange: face and turned spigot in one cut, spigot end, bolt holes.
    frame = frame_along(-X)
    wall = t.face("spigot", "cylinder", "boss", front / 2, frame[2], radius=d.spigot_radius)
    face = t.face("flange face", "plane", None, 0 * X, frame[2])
    t.row(
        s.RING,
        s.CUT,
        edge,
        0,
        0 * X,
        frame,
        (d.spigot_radius, 0.0, d.flange_radius + 20.0, 0, edge),
        everywhere,
        (wall, face, 0),
    )
    t.cut_plane("spigot end", front, -X)
    pitch = 360.0 / d.bolt_count
    for i in range(d.bolt_count):
        spot = d.bolt_circle_radius * _around(-90.0 + pitch * (i + 0.5))
        t.cut_round(f"bolt hole {i + 1}", spot, X, d.bolt_hole_radius, d.flange_thickness + 16.0, before=20.0)
        t.holes.append(Hole(spot, X, d.bolt_hole_radius, d.flange_thickness, True))
    if d.groove_tube:
        ball = (front, d.groove_radius + d.groove_tube)
        number = t.face("o-ring groove", "torus", "bore", front, X, radius=d.groove_tube, major_radius=d.groove_radius)
        t.row(
            s.TORUS,
            s.CUT,
            edge,
            0,
            front,
            frame_along(X),
            (d.groove_radius, d.groove_tube),
            ball,
            (number, 0, 0),
        )

    # Bores from the flange side, then from the other end.
    depth = d.seal_depth
    t.cut_round("seal bore", front, X, d.seal_radius, depth, bottom="seal shoulder", before=20.0)
    depth += d.seat_a_depth
    t.cut_round("bearing seat A", front, X, d.seat_a_radius, depth, bottom="seat A shoulder", before=20.0)
    depth += d.step_a_depth
    t.cut_round("step bore A", front, X, d.step_a_radius, depth, bottom="step A shoulder", before=20.0)
    t.cut_plane("coupling end face", end, X)
    wall = t.face("end boss", "cylinder", "boss", end, X, radius=d.end_boss_radius)
    shoulder = t.face("end boss shoulder", "plane", None, end - d.end_boss_length * X, X)
    t.row(
        s.RING,
        s.CUT,
        edge,
        0,
        end,
        frame_along(X),
        (d.end_boss_radius, -d.end_boss_length, d.barrel_radius + 8.0, 0, edge),
        everywhere,
        (wall, shoulder, 0),
    )
    depth = d.seat_b_depth
    t.cut_round("bearing seat B", end, -X, d.seat_b_radius, depth, bottom="seat B shoulder", before=20.0)
    depth += d.step_b_depth
    t.cut_round("step bore B", end, -X, d.step_b_radius, depth, bottom="step B shoulder", before=20.0)
    slope = np.tan(np.radians(d.entry_half_angle))
    mouth = d.seat_b_radius + slope * d.entry_depth
    number = t.face(
        "entry cone",
        "cone",
        "bore",
        end - X * d.entry_depth / 2,
        X,
        radius=mouth - slope * d.entry_depth / 2,
        half_angle=d.entry_half_angle,
    )
    low = -d.entry_depth - d.seat_b_radius * 0.5 / slope
    t.row(
        s.CONE,
        s.CUT,
        edge,
        0,
        end,
        frame_along(X),
        (mouth, low, 20.0, slope, 0.0),
        _ball(end, X, low, 20.0, mouth + 20.0 * slope),
        (number, 0, 0),
    )

    # The cored passage between the bores is cast, so it is as wavy as the outside.
    size = (d.passage_radius, 0.0, d.length, 0.004, 0.0)
    t.row(
        s.CONE,
        s.CUT,
        1.5,
        1,
        0 * X,
        frame_along(X),
        size,
        _ball(0 * X, X, 0.0, d.length, d.passage_radius + 2.0),
    )

    # Cross bore from the top boss into the passage.
    top = d.cross_position * X + d.cross_height * Z
    t.cut_plane_within("top boss face", top, Z, d.cross_boss_radius + 5.0)
    t.cut_round("cross bore", top, -Z, d.cross_radius, d.cross_height, before=12.0)
    t.holes.append(Hole(top, -Z, d.cross_radius, d.cross_height - d.passage_radius, True))

    # Tilted inspection face with a blind window bore and tapping holes.
    pad, normal = _pad(d)
    t.cut_plane_within("inspection face", pad, normal, d.pad_radius + 7.0)
    t.cut_round(
        "window bore",
        pad,
        -normal,
        d.window_radius,
        d.window_depth,
        bottom="window bottom",
        before=12.0,
        hole=True,
    )
    u, v, _ = frame_along(normal)
    for i in range(d.tapped_count):
        a = 2 * np.pi * (i + 0.25) / d.tapped_count
        spot = pad + d.tapped_circle_radius * (np.cos(a) * u + np.sin(a) * v)
        t.cut_round(
            f"tapping hole {i + 1}",
            spot,
            -normal,
            d.tapped_radius,
            d.tapped_depth,
            bottom=f"tapping hole {i + 1} bottom",
            before=12.0,
            hole=True,
        )

    if d.ball_seat:
        out = _around(d.ball_azimuth)
        spot = d.ball_position * X + d.ball_distance * out
        t.cut_plane_within("ball seat face", spot, out, d.ball_boss_radius + 5.0)
        centre = spot + (d.ball_radius - d.ball_depth) * out
        number = t.face("ball seat", "sphere", "bore", centre, None, radius=d.ball_radius)
        t.row(
            s.SPHERE,
            s.CUT,
            edge,
            0,
            centre,
            np.eye(3),
            (d.ball_radius,),
            (centre, d.ball_radius),
            (number, 0, 0),
        )
