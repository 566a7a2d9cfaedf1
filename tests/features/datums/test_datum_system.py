"""Frames by the rules of ISO 5459:2011: situation features (clause 6), what they lock, their order.

Covers: pipeline.features.datums.designation, pipeline.features.datums.freedoms
Covers: pipeline.features.datums.situation_features
"""

from __future__ import annotations

import re
import textwrap
import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from pipeline.errors import SettingsError
from pipeline.features.datums.datum_system import Datums, axis_weights, frame_of, in_part, motion_between, reach_of
from pipeline.features.datums.designation import Choice, choose, nearest
from pipeline.features.datums.freedoms import solve
from pipeline.features.datums.proposals import complete
from pipeline.features.datums.situation_features import Situation, situation
from pipeline.geometry import unit
from pipeline.job import FrameSettings
from pipeline.surfaces import SituationFeature, moved
from pipeline.surfaces.shape import shape_of
from tests.features.made import block, bore, feature, plane, pose, posed, uncertainty

README = Path(__file__).resolve().parents[3] / "README.md"


def choice(*members: str) -> tuple[Choice, ...]:
    return tuple(m if isinstance(m, Choice) else Choice("feature", (m,)) for m in members)


def solved(choices, features, z=None, x=None):
    datums = Datums(choices, tuple(features), reach_of(features), z, x)
    return frame_of(datums)


# What the frame must be on the exact block: origin and the directions of x and z, in its part coordinates.
LEGAL = [
    ("plane plane plane", ("top", "front", "left"), None, (-60, -40, 0), (0, -1, 0), (0, 0, 1), "tz rx ry|tx rz|ty"),
    ("plane axis plane", ("top", "main", "left"), None, (0, 0, 0), (-1, 0, 0), (0, 0, 1), "tz rx ry|tx ty|rz"),
    ("plane two holes", ("top", "main", "far"), None, (0, 0, 0), (1, 0, 0), (0, 0, 1), "tz rx ry|tx ty|rz"),
    ("axis plane point", ("main", "top", "ball"), None, (0, 0, 0), (40, 25, 0), (0, 0, 1), "tx ty rx ry|tz|rz"),
    ("axis plane plane", ("main", "bottom", "front"), None, (0, 0, -45), (0, -1, 0), (0, 0, -1), "tx ty rx ry|tz|rz"),
    ("axis axis crossing", ("main", "cross"), None, (0, 0, -30), (0, -1, 0), (0, 0, 1), "tx ty rx ry|tz rz"),
    ("plane axis in it", ("top", "cross", "front"), None, (0, -40, 0), (0, -1, 0), (0, 0, 1), "tz rx ry|tx rz|ty"),
    ("plane point point", ("bottom", "ball", "far"), None, (40, 25, -45), (5, -25, 0), (0, 0, -1), None),
    ("axis at last", ("main", "far", "top"), None, (0, 0, 0), (1, 0, 0), (0, 0, 1), "tx ty rx ry|rz|tz"),
    ("words", ("top", "main", "left"), ("into A", "into C"), (0, 0, 0), (1, 0, 0), (0, 0, -1), None),
    ("along", ("top", "front", "left"), ("out of A", "along C"), (-60, -40, 0), (0, 1, 0), (0, 0, 1), None),
    ("against", ("top", "front", "left"), ("out of A", "against C"), (-60, -40, 0), (0, -1, 0), (0, 0, 1), None),
    ("towards", ("top", "main", "far"), ("out of A", "towards C"), (0, 0, 0), (1, 0, 0), (0, 0, 1), None),
    ("other order", ("main", "top", "left"), ("out of B", "out of C"), (0, 0, 0), (-1, 0, 0), (0, 0, 1), None),
    ("z of B", ("top", "front", "left"), ("out of B", "out of C"), (-60, -40, 0), (-1, 0, 0), (0, -1, 0), None),
]  # fmt: skip


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize(("what", "members", "words", "origin", "x", "z", "taken"), LEGAL, ids=[c[0] for c in LEGAL])
def test_legal_choices_are_exact_on_exact_data(what, members, words, origin, x, z, taken, seed) -> None:
    matrix = pose(seed)
    frame, _ = solved(choice(*members), posed(block(), matrix), *(words or (None, None)))
    assert frame.complete
    part = frame.matrix @ matrix  # block's own coordinates -> what the frame makes of them
    np.testing.assert_allclose(part[:3, :3] @ np.array(origin, float) + part[:3, 3], 0.0, atol=1e-9)
    np.testing.assert_allclose(part[:3, :3] @ (np.array(z) / np.linalg.norm(z)), [0, 0, 1], atol=1e-12)
    np.testing.assert_allclose(part[:3, :3] @ (np.array(x) / np.linalg.norm(x)), [1, 0, 0], atol=1e-12)
    assert np.linalg.det(frame.matrix[:3, :3]) == pytest.approx(1.0, abs=1e-12)
    if taken is not None:
        # With x out of a face, what it stops is a shift along x whatever the letters say of the block's axes.
        counts = [len(t.split()) for t in taken.split("|")]
        assert [len(d.constrains) for d in frame.datums] == counts
        turns = [sum(n.startswith("r") for n in t.split()) for t in taken.split("|")]
        assert [sum(n.startswith("r") for n in d.constrains) for d in frame.datums] == turns


def test_names_of_what_each_datum_takes() -> None:
    frame, _ = solved(choice("top", "front", "left"), block())
    assert [d.constrains for d in frame.datums] == [("tz", "rx", "ry"), ("tx", "rz"), ("ty",)]
    frame, _ = solved(choice("top", "main", "left"), block())
    assert [d.constrains for d in frame.datums] == [("tz", "rx", "ry"), ("tx", "ty"), ("rz",)]
    frame, _ = solved(choice("main", "top", "ball"), block())
    assert [d.constrains for d in frame.datums] == [("tx", "ty", "rx", "ry"), ("tz",), ("rz",)]


@pytest.mark.parametrize(
    ("members", "why"),
    [
        (("top", "bottom"), "parallel"),
        (("top", "main", "coax"), "coincides"),
        (("main", "coax"), "coincides"),
        (("top", "front", "slope", "left"), None),
        (("top", "left", "front", "main"), None),
        (("main", "top", "bottom"), "parallel"),
        (("main", "top", "coax"), "coincides"),
    ],
)
def test_a_datum_that_takes_nothing_is_refused(members, why) -> None:
    members = members[:3]
    if why is None:
        solved(choice(*members), block())
        return
    letter = "ABC"[len(members) - 1]
    with pytest.raises(SettingsError, match=f"Datum {letter} constrains nothing.*{why}"):
        solved(choice(*members), block())


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("out of B", None), "is an axis"),
        (("upwards", None), "can't be"),
        (("out of A", "out of A"), "runs along its z"),
        (("out of A", "along B"), "runs along its z"),
        (("out of D", None), "can't be"),
        (("out of A", "towards B"), "origin lies on B"),
    ],
)
def test_words_for_the_axes_that_dont_fit(words, why) -> None:
    with pytest.raises(SettingsError, match=why):
        solved(choice("top", "main", "left"), block(), *words)


def invariant(s: Situation) -> np.ndarray:
    """Basis (6, k) of the small motions (t, r) that map a plane, line or point to itself: the definition."""
    p, d = s.point, s.direction

    def turn(axis):
        return np.concatenate([np.cross(p, axis), axis])

    def shift(axis):
        return np.concatenate([axis, np.zeros(3)])

    if s.kind == "point":
        return np.array([turn(e) for e in np.eye(3)]).T
    e1 = np.cross(d, np.eye(3)[np.argmin(np.abs(d))])
    e1 /= np.linalg.norm(e1)
    if s.kind == "plane":
        return np.array([shift(e1), shift(np.cross(d, e1)), turn(d)]).T
    if s.kind == "axis":
        return np.array([shift(d), turn(d)]).T
    return (shift(d) if s.kind == "axis+plane" else turn(d))[:, None]


def common(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Basis of the motions in both subspaces."""
    if not a.shape[1] or not b.shape[1]:
        return np.zeros((6, 0))
    _, s, vt = np.linalg.svd(np.hstack([a, -b]))
    rank = int(np.sum(s > 1e-9))
    inside = a @ vt[rank:].T[: a.shape[1]]
    u, s, _ = np.linalg.svd(inside, full_matrices=False)
    return u[:, s > 1e-9]


def test_freedoms_equal_those_of_the_groups_of_motions() -> None:
    """Count against the subspaces of rigid motions that leave each situation feature in place (ISO 5459, annex)."""
    rng = np.random.default_rng(5)
    axes = [np.array(v, float) / np.linalg.norm(v) for v in [(1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 1, 1), (1, 1, 1)]]
    seen = set()
    for _ in range(3000):
        three = []
        for _ in range(3):
            kind = SituationFeature(str(rng.choice(list(SituationFeature))))
            direction = None if kind == "point" else axes[rng.integers(len(axes))]
            across = unit(np.cross(direction, [0.3, -0.5, 0.8])) if kind == "axis+plane" else None
            three.append(Situation(kind, rng.integers(-3, 4, 3) * 0.3, direction, across))
        free = np.eye(6)
        want = []
        for s in three:
            after = common(free, invariant(s))
            want.append(free.shape[1] - after.shape[1])
            free = after
        upto = next((i + 1 for i, w in enumerate(want) if w == 0), None)
        if upto is not None:
            with pytest.raises(SettingsError, match=f"Datum {'ABC'[upto - 1]} constrains"):
                solve(three[:upto], 1.0)
            three, want = three[: upto - 1], want[: upto - 1]
        if three:
            solution = solve(three, 1.0)
            assert [len(t) for t in solution.taken] == want, three
            assert len(solution.free) == 6 - sum(want)
            seen.add((*[s.kind for s in three], *want))
            # Three datums that each constrain something always fix the part.
            assert len(three) < 3 or not solution.free
    assert len(seen) > 60


def test_incomplete_frame_keeps_what_is_known() -> None:
    frame, _ = solved(choice("main"), posed(block(), pose(4)))
    assert not frame.complete
    assert frame.covariance is None
    assert any("tz" in r and "rz" in r for r in frame.reasons)
    np.testing.assert_allclose(frame.matrix @ np.linalg.inv(frame.matrix), np.eye(4), atol=1e-12)


def test_compound_datums() -> None:
    features = block()
    ids = {f.id: shape_of(f) for f in features}
    middle = situation(choose("middle of top and bottom", features, {}), ids, {})
    np.testing.assert_allclose(middle.point[2], -22.5)
    axis = situation(choose("common axis of main and coax", features, {}), ids, {})
    np.testing.assert_allclose(np.cross(axis.direction, [0, 0, 1]), 0, atol=1e-12)
    crossing = situation(choose("crossing of far and top", features, {}), ids, {})
    np.testing.assert_allclose(crossing.point, [45, 0, 0], atol=1e-12)
    between = situation(choose("middle of main and far", features, {}), ids, {})
    np.testing.assert_allclose([between.point[0], abs(between.direction[0])], [22.5, 1.0])
    holes = [
        bore(f"h{i}", (30 * np.cos(a), 30 * np.sin(a) + 7, i * 0.1), (0, 0, 1), 3) for i, a in enumerate((0.2, 2, 4))
    ]
    ring = situation(choose("pitch circle of h0 and h1 and h2", holes, {}), {f.id: shape_of(f) for f in holes}, {})
    np.testing.assert_allclose(ring.point[:2], [0, 7], atol=1e-9)
    for text, why in [
        ("middle of top and front", "not parallel"),
        ("common axis of main and cross", "not parallel"),
        ("crossing of cross and top", "along the plane"),
    ]:
        with pytest.raises(SettingsError, match=why):
            situation(choose(text, features, {}), ids, {})
    for text in (
        "middle of top and main",
        "common axis of main and main",
        "centre of top",
        "crossing of main and far",
    ):
        with pytest.raises(SettingsError):
            choose(text, features, {})


def test_a_bore_told_the_other_way_round_weighs_the_same_in_a_common_axis() -> None:
    """The same bore, its direction turned round: what leans it to +u leans the turned direction to -u."""
    from dataclasses import replace

    axis = choose("common axis of main and coax", block(), {})
    known = uncertainty("cylinder", (0, 0, 1), seed=3)
    turn = np.diag([1.0, 1.0, -1.0, -1.0, 1.0])
    assert known.names == ("u", "v", "a", "b", "r")
    told = []
    for way, spread in ((1.0, known.covariance), (-1.0, turn @ known.covariance @ turn)):
        coax = bore("coax", (0, 0, -42), (0, 0, way), 15, 6, uncertainty=replace(known, covariance=spread))
        features = tuple(coax if f.id == "coax" else f for f in block())
        told.append(axis_weights(Datums((axis,), features, reach_of(features)))["coax"])
    np.testing.assert_allclose(told[1], told[0], rtol=1e-9)


def test_words_for_a_datum() -> None:
    features = block()
    assert choose("main", features, {}).members == ("main",)
    assert choose("seat", features, {"seat": "main"}).members == ("main",)
    assert choose("bore nearest scan: [25, 0, -20]", features, {}).members == ("main",)
    assert choose("the hole nearest scan: [45.5, 0, -14]", features, {}).members == ("far",)
    assert choose("plane nearest scan: [0, 0, -44]", features, {}).members == ("bottom",)
    assert choose("sphere nearest scan: [40, 25, 10]", features, {}).members == ("ball",)
    for text, why in [
        ("bore-1", "no feature 'bore-1'"),
        ("slot nearest scan: [0, 0, 0]", "no kind of feature"),
        ("cone nearest scan: [0, 0, 0]", "has no cone"),
        ("bore nearest [0, 0, -20]", "in part coordinates"),
        ("bore nearest scan: [0, 0, -90]", "too far to be meant"),
        ("bore nearest scan: [0, 0]", "three numbers"),
        ("bore nearest scan: [0, 0, nan]", "three numbers"),
    ]:
        with pytest.raises(SettingsError, match=why):
            choose(text, features, {})
    with pytest.raises(SettingsError, match=r"could mean a .3.00 mm away. or b"):
        nearest("bore", (5, 0, 0), [bore("a", (0, 0, 0), (0, 0, 1), 2), bore("b", (10, 0, 0), (0, 0, 1), 2)])


def shaken(features, rng):
    """The features as another scan would give them: drawn from their own covariances."""
    from dataclasses import replace

    out = []
    for f in features:
        u = f.uncertainty
        step = rng.multivariate_normal(np.zeros(len(u.names)), u.covariance, method="cholesky")
        s = moved(shape_of(f), step, u.basis)
        out.append(replace(f, point=s.point, direction=s.direction, radius=s.radius))
    return out


@pytest.mark.parametrize(
    "members",
    [
        ("top", "front", "left"),
        ("top", "main", "far"),
        ("main", "top", "ball"),
        (Choice("common axis", ("main", "coax")), "top", "left"),
        ("top", Choice("middle", ("main", "far")), "front"),
    ],
)
def test_covariance_against_simulation(members) -> None:
    """The frame's 95 % region and the features' part coordinates over 200 draws (law of propagation, JCGM 100)."""
    rng = np.random.default_rng(11)
    truth = posed(
        [f if f.direction is None else feature(
            f.id, f.kind, f.point, f.direction, f.radius, f.side, f.extent.area, f.extent.length,
            uncertainty=uncertainty(f.kind, f.direction, seed=i)) for i, f in enumerate(block())],
        pose(3),
    )  # fmt: skip
    exact, _ = solved(choice(*members), truth)
    shift, turn, place, both = [], [], [], []
    for _ in range(200):
        drawn = shaken(truth, rng)
        frame, gains = solved(choice(*members), drawn)
        error = frame.matrix @ np.linalg.inv(exact.matrix)
        e = np.array([*error[:3, 3], error[2, 1], error[0, 2], error[1, 0]])
        v = frame.covariance
        shift.append(e[:3] @ np.linalg.solve(v[:3, :3], e[:3]))
        turn.append(e[3:] @ np.linalg.solve(v[3:, 3:], e[3:]))
        both.append(e @ np.linalg.solve(v, e))
        by_id = {f.id: f for f in drawn}
        known = in_part(by_id["ball"], frame, gains, by_id)
        want = exact.matrix[:3, :3] @ truth[-1].point + exact.matrix[:3, 3]
        miss = known.point - want
        place.append(miss @ np.linalg.solve(known.covariance, miss) if "ball" not in members else 0.0)
    for squared, freedoms in ((shift, 3), (turn, 3), (both, 6), (place, 3)):
        inside = float(np.mean(np.array(squared) <= chi2.ppf(0.95, freedoms)))
        # 95 % of 200 give or take three binomial standard deviations (1.5 % each).
        assert inside >= 0.917 or (squared is place and not any(place))
        assert inside <= 0.997 or not any(squared)


def test_what_the_frame_shares_with_a_datum_cancels() -> None:
    frame, gains = solved(choice("top", "main", "left"), block())
    by_id = {f.id: f for f in block()}
    top = in_part(by_id["top"], frame, gains, by_id)
    assert top.position == pytest.approx(0.0, abs=1e-9)
    assert top.direction_uncertainty == pytest.approx(0.0, abs=1e-9)
    main = in_part(by_id["main"], frame, gains, by_id)
    assert main.position == pytest.approx(0.0, abs=1e-9)
    assert main.direction_uncertainty > 5e-5
    far = in_part(by_id["far"], frame, gains, by_id)
    assert far.position > 0.004


def test_the_scale_stretches_the_part_from_its_own_origin() -> None:
    from dataclasses import replace

    share, away = 1e-3, np.array([45.0, 0.0, 0.0])  # of the bore "far" across its axis
    made = posed(block(), pose(5))
    frame, gains = solved(choice("top", "main", "left"), made)
    by_id = {f.id: f for f in made}
    was = in_part(by_id["far"], frame, gains, by_id)
    scaled = replace(by_id["far"], uncertainty=replace(by_id["far"].uncertainty, scale=share))
    now = in_part(scaled, frame, gains, by_id)
    assert np.trace(now.covariance) - np.trace(was.covariance) == pytest.approx(share**2 * away @ away, rel=1e-6)


def test_unknown_uncertainty_is_said() -> None:
    from dataclasses import replace

    from pipeline.values import Uncertainty

    features = [replace(f, uncertainty=Uncertainty(None, None, None, "")) if f.id == "main" else f for f in block()]
    frame, gains = solved(choice("top", "main", "left"), features)
    assert frame.covariance is None
    assert any("main" in r for r in frame.reasons)
    by_id = {f.id: f for f in features}
    assert in_part(by_id["far"], frame, gains, by_id).position is None
    frame, _ = solved((*choice("top"), Choice("point", (), (1.0, 2.0, 3.0)), *choice("left")), block())
    assert frame.covariance is None


def test_motion_between_frames() -> None:
    a, b = np.eye(4), np.eye(4)
    c, s = np.cos(0.01), np.sin(0.01)
    b[:2, :2] = [[c, -s], [s, c]]
    b[:3, 3] = [0.0, 0.0, 0.5]
    assert motion_between(a, b) == pytest.approx((0.5, 0.01, False))
    quarter = np.eye(4)
    quarter[:3, :3] = [[0, 1, 0], [0, 0, 1], [1, 0, 0]]
    assert motion_between(a, quarter @ b) == pytest.approx((0.5, 0.01, True))


def test_a_turn_between_two_frames_is_told_wherever_they_stand() -> None:
    turn = np.eye(4)
    turn[:2, :2] = [[np.cos(0.02), -np.sin(0.02)], [np.sin(0.02), np.cos(0.02)]]
    _, angle, renamed = motion_between(pose(4), turn @ pose(4))
    assert (angle, renamed) == (pytest.approx(0.02, rel=1e-9), False)


def test_nearly_square_datums_are_taken_as_square() -> None:
    tilted = plane("front", (1, -40, -20), (0, -1, 0.02))
    features = [f for f in block() if f.id != "front"] + [tilted]
    frame, _ = solved(choice("top", "front", "left"), features)
    # At the height of the middle of what was seen, not where the tilted face would meet A.
    np.testing.assert_allclose(np.linalg.inv(frame.matrix)[:3, 3], [-60, -40, 0], atol=1e-9)


def test_all_words_for_a_datum_that_the_readme_has_are_read() -> None:
    """Each of the table's first column, and each of its two examples, on a part that has such features."""
    text = README.read_text(encoding="utf-8")
    section = text[text.index("### Words for a datum") :].split("\n### ")[0]
    up, along = (0.0, 0.0, 1.0), (1.0, 0.0, 0.0)
    part = [
        plane("F1", (0, 0, 0), up),
        plane("F2", (-30, 0, 0), (-1.0, 0.0, 0.0)),
        plane("F3", (30, 0, 0), along),
        plane("F4", (0, 0, -98), (0.0, 0.0, -1.0)),
        bore("H1", (0, 0, 10), up, 20.0),
        feature("S1", "cylinder", (0, 0, 40), up, 30.0, "boss"),
        *(bore(f"H{n}", (25 * np.cos(n), 25 * np.sin(n), 0), up, 4.0) for n in range(3, 9)),
        feature("B1", "sphere", (5, 6, 7), None, 8.0, "boss"),
        feature("T1", "cone", (0, 0, 200), up, 8.0, "bore", half_angle=0.3),
        feature("G1", "torus", (0, 0, 400), up, 2.0, "bore", major_radius=20.0),
    ]
    names = {"H1": "seat A"}
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    words = [word.replace("[x, y, z]", "scan: [0, 20, 10]") for row in rows for word in re.findall(r'"([^"]+)"', row)]
    made = {choose(word, part, names).make for word in words}
    assert made == {"feature", "middle", "common axis", "pitch circle", "centre", "crossing", "point"}
    sorts = re.findall(r"`([\w ]+)`", next(line for line in section.splitlines() if "nearest [x, y, z]" in line))
    assert len(sorts) >= 11
    near = {sort: [0, 20, 10] for sort in ("bore", "hole", "cylinder")} | {"face": [10, 10, 0], "plane": [10, 10, 0]}
    near |= {word: [0, 30, 40] for word in ("outside diameter", "spigot", "journal")}
    near |= {"cone": [0, 0, 200], "sphere": [5, 6, 15], "torus": [20, 0, 400]}
    for sort in sorts:
        assert choose(f"{sort} nearest scan: {near[sort]}", part, names).make == "feature"
    blocks = re.findall(r"    \[frame\]\n(?:    .+\n)+", section)
    # Here no run has told yet where part coordinates are.
    blocks = [textwrap.dedent(lines).replace("nearest [", "nearest scan: [") for lines in blocks]
    examples = [tomllib.loads(lines) for lines in blocks]
    assert len(examples) == 2
    for example in examples:
        chosen = FrameSettings.model_validate(example["frame"])
        choices = [choose(word, part, names) for word in (chosen.A, chosen.B, chosen.C) if word]
        assert complete(choices, part, (), chosen.z, chosen.x).frame.complete
