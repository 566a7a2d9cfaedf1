"""Flange drawings of a demo run, read again from their DXF files and held against the exact design.

What is on each face stands in `sample_meshes/design.py`; the exact thickness is that of its signed distance field.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
from ezdxf.path import make_path
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sample_meshes.design import Design
from tests.scorer import score

SHARP = 0.1  # mm, of circles that recovered features make
CAST = 0.4  # mm, mean radius of a rim that no feature makes
THICK = 0.1  # mm: the bar
ON_FACE = 0.03  # mm that the sketch's plane, which is fitted, may lie off the exact face


@dataclass(frozen=True)
class Face:
    """What a face has by the design: names of its holes, and radii, mm, of what is round in it."""

    holes: tuple[str, ...] = ()
    spigots: tuple[float, ...] = ()
    openings: tuple[float, ...] = ()
    pieces: tuple[float, ...] = ()


def faces_of(design: Design) -> dict[str, Face]:
    """The faces that may be drawn as flanges, by their names in the truth."""
    d = design
    through_spigot = ("seal bore",) if d.seal_depth > d.spigot_height + 1.0 else ()
    groove = (d.groove_radius + d.groove_tube,) if d.groove_tube else ()
    in_boss = next(
        (
            (name,)
            for name, depth in (
                ("bearing seat B", d.seat_b_depth),
                ("step bore B", d.seat_b_depth + d.step_b_depth),
            )
            if depth > d.end_boss_length
        ),
        (),
    )
    mouth = d.seat_b_radius + d.entry_depth * math.tan(math.radians(d.entry_half_angle))
    ball = math.sqrt(d.ball_radius**2 - (d.ball_radius - d.ball_depth) ** 2)
    return {
        "foot bottom": Face(tuple(f"foot hole {k}" for k in range(1, 5))),
        "flange face": Face(
            (*through_spigot, *(f"bolt hole {k}" for k in range(1, d.bolt_count + 1))), (d.spigot_radius,)
        ),
        "spigot end": Face(
            ("seal bore",), (), groove, (d.groove_radius - d.groove_tube,) if d.groove_tube else ()
        ),
        "coupling end face": Face(("bearing seat B",), (), (mouth,)),
        "end boss shoulder": Face(in_boss, (d.end_boss_radius,)),
        "inspection face": Face(("window bore", *(f"tapping hole {k}" for k in range(1, d.tapped_count + 1)))),
        "top boss face": Face(("cross bore",)),
        "ball seat face": Face((), (), (ball,)),
    }  # fmt: skip


BLIND = ("window bore", "tapping hole")


def hold(folder: Path, truth: dict[str, Any], design: Design, scan: NDArray) -> list[str]:
    """Assert that all flange drawings in an output folder are those of the design; the names of the faces drawn.

    `scan`: (n, 3) mm, the scan's vertices, by which what could be seen is told.
    """
    data = json.loads((folder / "datums.json").read_text())
    hits = {hit.found: hit.truth for hit in score(truth, data).hits}
    to_part = np.linalg.inv(np.array(truth["to_scan"]))
    seen = cKDTree(scan @ to_part[:3, :3].T + to_part[:3, 3])
    drawn: list[str] = []
    assert {f"flange-{f['feature']}.dxf" for f in data["flanges"]} == {p.name for p in folder.glob("flange-*.dxf")}
    for flange in data["flanges"]:
        name = hits.get(flange["feature"]) or _of_one_face(flange["feature"], data, hits)
        faces = faces_of(design)
        assert name in faces, f"{flange['feature']}, {name}, is no flange"
        # What a groove parts is one face, and has one drawing.
        assert name not in drawn, f"{name} is drawn twice"
        face = faces[name]
        space = ezdxf.readfile(folder / f"flange-{flange['feature']}.dxf").modelspace()
        sketch_to_part = to_part @ np.linalg.inv(np.array(flange["matrix"]))
        rims = _hold_holes(space, truth, face, hits, flange, np.linalg.inv(sketch_to_part))
        _hold_radii(f"{name}, spigots", _radii(space, "SPIGOTS"), face.spigots)
        # A bore that was not recovered has no size, but its rim is an opening all the same.
        # An edge that the drawing says could not be made out lies where its facets end, give or take one of them.
        bridged = any("an outline inside could not be seen" in text for text in flange["cautions"])
        within = data["source"]["mean_edge"] if bridged else CAST
        _hold_radii(f"{name}, openings", _radii(space, "OPENINGS"), face.openings, rims, within)
        extra = sum(o.get("what") == "piece" for o in flange["inner"])
        assert extra <= len(face.pieces), name
        _hold_table(space, flange)
        _hold_thickness(name, flange, sketch_to_part, design, lambda p: seen.query(p)[0] < data["source"]["mean_edge"])
        drawn.append(name)
    return drawn


def _of_one_face(ident: str, data: dict[str, Any], hits: dict[str, str]) -> str | None:
    """The name of the face that a plane is the rest of, which a groove parted from it."""
    places = {f["id"]: f["in_part_frame"] for f in data["features"] if f["kind"] == "plane"}
    point, normal = (np.array(places[ident][key]) for key in ("point", "direction"))
    for other, name in hits.items():
        there = places.get(other)
        if (
            there is not None
            and normal @ np.array(there["direction"]) > 0.99999
            and abs(normal @ (np.array(there["point"]) - point)) < SHARP
        ):
            return name
    return None


def _hold_holes(
    space: Any, truth: dict[str, Any], face: Face, hits: dict[str, str], flange: dict[str, Any], into_sketch: NDArray
) -> tuple[float, ...]:
    """Radii, mm, of true holes that were not recovered, and so are not drawn as holes."""
    circles = [(np.array(c.dxf.center.vec2), 2 * c.dxf.radius) for c in space.query("CIRCLE[layer=='HOLES']")]
    by_name = {f["name"]: f for f in truth["features"]}
    wanted = {n: _mouth(by_name[n], into_sketch) for n in face.holes if n in by_name}
    recovered = set(hits.values())
    for name, (place, size) in wanted.items():
        near = [c for c in circles if np.linalg.norm(c[0] - place) < SHARP and abs(c[1] - size) < SHARP]
        assert near or name not in recovered or not by_name[name]["required"], f"{name} is not drawn"
    for place, size in circles:
        assert any(np.linalg.norm(place - p) < SHARP and abs(size - s) < SHARP for p, s in wanted.values()), (
            f"{flange['feature']}: D{size:.2f} at {place} is no hole"
        )
    for hole in flange["holes"]:
        blind = hits[hole["feature"]].startswith(BLIND)
        assert hole.get("end") in (None, "blind" if blind else "through"), (hits[hole["feature"]], hole)
    return tuple(size / 2 for name, (_, size) in wanted.items() if name not in recovered)


def _mouth(feature: dict[str, Any], into_sketch: NDArray) -> tuple[NDArray, float]:
    """Where a true bore's axis meets the sketch's plane, and its diameter."""
    point = into_sketch[:3, :3] @ np.array(feature["point"]) + into_sketch[:3, 3]
    way = into_sketch[:3, :3] @ np.array(feature["direction"])
    return (point - way * point[2] / way[2])[:2], 2 * feature["radius"]


def _radii(space: Any, layer: str) -> list[float]:
    """Mean radius of what is drawn on a layer: circles, and closed runs of other lines about their middle."""
    found = [c.dxf.radius for c in space.query(f"CIRCLE[layer=='{layer}']")]
    rest = [e for e in space.query(f"*[layer=='{layer}']") if e.dxftype() != "CIRCLE"]
    if rest:
        points = np.array([tuple(p.vec2) for e in rest for p in make_path(e).flattening(0.05)])
        sides = np.ptp(points, axis=0)
        found.append(float(sides.mean() / 2))
    return found


def _hold_radii(
    what: str, found: list[float], wanted: tuple[float, ...], may: tuple[float, ...] = (), within: float = CAST
) -> None:
    """Each radius that is wanted was found, and what else was found is one of those that may be there, once each."""
    left = list(found)
    for radius in wanted:
        near = [r for r in left if abs(r - radius) < within]
        assert near, f"{what}: {found} drawn, {wanted} are there"
        left.remove(near[0])
    free = list(may)
    for radius in left:
        near = [r for r in free if abs(r - radius) < within]
        assert near, f"{what}: {radius} drawn, which is not there"
        free.remove(near[0])


def _hold_table(space: Any, flange: dict[str, Any]) -> None:
    """Each figure of the hole table is the datum file's, to the digit printed."""
    rows: dict[float, list[tuple[float, str]]] = {}
    for text in space.query("TEXT[layer=='TEXT']"):
        rows.setdefault(round(text.dxf.insert.y, 3), []).append((text.dxf.insert.x, text.dxf.text))
    table = {}
    for row in rows.values():
        cells = [text for _, text in sorted(row)]
        if len(cells) == 9 and cells[0] != "hole":
            table[cells[0]] = cells
    assert set(table) == {hole["feature"] for hole in flange["holes"]}
    for hole in flange["holes"]:
        _, x, y, size, end, depth, edge, thickness, _ = table[hole["feature"]]
        assert end == hole.get("end", "not seen")
        seen = hole["depth"] if end == "blind" else hole["depth_seen"]
        figures = (*hole["place"], hole["diameter"], seen, hole.get("edge"), hole.get("thickness"))
        for printed, figure in zip((x, y, size, depth, edge, thickness), figures, strict=True):
            assert (printed == "-") == (figure is None)
            if figure is not None:
                digits = len(printed.partition(".")[2])
                assert abs(float(printed) - figure) <= 0.5 * 10.0**-digits + 1e-9, (hole["feature"], printed, figure)


def _hold_thickness(
    name: str, flange: dict[str, Any], to_part: NDArray, design: Design, seen: Callable[[NDArray], NDArray]
) -> None:
    solid = design.part().solid
    inward = -to_part[:3, 2]

    def deep(places: NDArray, near: float) -> NDArray:
        """(n,) mm from the face to where the solid ends, looked for 2.5 mm round `near`; nan where it doesn't."""
        steps = np.arange(max(near - 2.5, 1.0), near + 2.5, 0.01)
        start = places @ to_part[:3, :2].T + to_part[:3, 3]
        points = start[:, None] + steps[None, :, None] * inward
        out = solid.distance(points.reshape(-1, 3)).reshape(len(places), -1) > 0.0
        first = np.argmax(out, axis=1)
        return np.where(out.any(axis=1) & ~out[:, 0], steps[first], np.nan)

    for hole in flange["holes"]:
        if "thickness" in hole:
            angles = np.arange(24) * 2 * math.pi / 24
            # The ring that the docstring of HoleRecord's maker speaks of: where a bolt's head would sit.
            ring = np.column_stack([np.cos(angles), np.sin(angles)]) * (hole["diameter"] / 2 + 2.0) + hole["place"]
            true = float(np.nanmedian(deep(ring, hole["thickness"])))
            assert abs(hole["thickness"] - true) < THICK, f"{name}, {hole['feature']}: {hole['thickness']}, not {true}"
    found = flange.get("thickness")
    if found is None:
        assert name not in ("flange face", "foot bottom"), f"{name} has a thickness"
        return
    # Places all over the face, off its edges; its back level there, as the drawing says it was looked for, and both
    # of them scanned: a cast back is no plane, and its middle another one where the rest of it is taken in.
    outer = np.array([p for s in flange["outer"]["segments"] for p in (s.get("points") or [s["start"], s["end"]])])
    reach = np.abs(outer).max() + 10.0
    rng = np.random.default_rng(1)
    places = rng.uniform(-reach, reach, (8000, 2))
    surface = places @ to_part[:3, :2].T + to_part[:3, 3]
    on_face = np.abs(solid.distance(surface)) < ON_FACE
    ring = np.linspace(0, 2 * math.pi, 12, endpoint=False)
    for a in ring:
        beside = surface + 2.0 * (np.cos(a) * to_part[:3, 0] + np.sin(a) * to_part[:3, 1])
        on_face &= np.abs(solid.distance(beside)) < ON_FACE
    places = places[on_face]
    true = deep(places, found["middle"])
    ends = (places @ to_part[:3, :2].T + to_part[:3, 3]) + np.nan_to_num(true)[:, None] * inward
    level = np.isfinite(true) & seen(places @ to_part[:3, :2].T + to_part[:3, 3]) & seen(ends)
    level &= solid.normals(ends) @ inward > math.cos(math.radians(12.0))
    # Other levels, as spotfaces are, belong to it up to 1.5 mm, which one may lie off by as much as the bar.
    true = true[level & (np.abs(true - found["middle"]) < 1.5 + THICK)]
    assert len(true) > 50
    assert abs(found["middle"] - np.median(true)) < THICK, (name, found, np.median(true))
    assert found["least"] > true.min() - THICK, (name, found, true.min())
    assert found["most"] < true.max() + THICK, (name, found, true.max())
