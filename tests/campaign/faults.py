"""Faults that a person could make, one small edit each, in code that users rely on: the default suite must catch them.

None of them is in a compiled kernel, or in a number that one reads: kernels are taken over as they are. `test_faults`
makes them, one at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["sign", "unit", "side", "k", "order", "one-sided", "resume", "provenance"]


@dataclass(frozen=True)
class Fault:
    """One small edit.

    kind   of mistake: "k" is a coverage factor, variance for standard deviation, degrees of freedom
    file   below pipeline/
    was    the text as it is, once in the file; put: what stands in its place
    why    what it would do to the user
    tests  of the default suite, below tests/, that should catch it, the cheapest first
    """

    kind: Kind
    file: str
    was: str
    put: str
    why: str
    tests: tuple[str, ...]


_PROPAGATION = "features/uncertainty/test_propagation.py"
_TOGETHER = "features/uncertainty/test_several_scans.py"
_COMBINED = "features/uncertainty/test_combined.py"
_PAIR_ROWS = "features/joining/test_pair_rows.py"
_SCALE = "features/uncertainty/test_scale.py"
_DATUMS = "features/datums/test_datum_system.py"
_PAIRS = "features/relations/test_pairs.py"
_COATING = "features/fitting/test_coating.py"
_CHECKS = "features/gauging/test_checks.py"
_BUILD = "formats/datum_file/test_build.py"
_TABLES = "formats/tables/test_csv_tables.py"
_WRITERS = "formats/meshes_out/test_writers.py"
_SPREAD = "formats/batch_file/test_spread.py"
_DISTANCES = "features/simplification/test_distances.py"
_BUDGET = "stages/test_budget.py"
_READ = "stages/test_read.py"
_EXPORT = "stages/test_export.py"
_JOIN = "stages/test_join.py"
_TOLD = "stages/test_join_told.py"
_CLEARANCE = "fitup/test_clearance.py"
_PLACING = "fitup/test_placing.py"
_ENVELOPE = "fitup/test_envelope.py"
_TRAVEL = "fitup/motions/test_travel.py"
_AGAIN = "cli/test_fit_again.py"
_ASKED = "questions/test_travel.py"
_RUNNER = "test_runner.py"
_FOLDER = "test_output_folder.py"
_PLACES = "test_part_frame.py"
_ARTEFACTS = "test_artefacts.py"

FAULTS = (
    # Uncertainty
    Fault(
        "k", "features/uncertainty/propagation.py",
        "return float(np.sqrt(variance - left_over)) if variance > EXCESS**2 * left_over else 0.0",
        "return variance - left_over if variance > EXCESS**2 * left_over else 0.0",
        "form of 30 um would count as 1 um", (_PROPAGATION,),
    ),
    Fault(
        "one-sided", "features/uncertainty/propagation.py",
        "resolution = 2.0**-25 * float(np.abs(points).max())", "resolution = 2.0**-25 * max(float(points.max()), 0.0)",
        "a scan in negative coordinates would be known better than its file's last bit", (_PROPAGATION,),
    ),
    Fault(
        "sign", "features/uncertainty/propagation.py",
        "lever[free] = -gains[:, free].T @ rows[:, index]", "lever[free] = gains[:, free].T @ rows[:, index]",
        "what a held fit was held to would widen its place where it narrows it, and the other way round",
        ("features/fitting/test_constrained_fit.py", _PROPAGATION),
    ),
    Fault(
        "k", "features/uncertainty/propagation.py",
        "return np.asarray(stdtrit(np.minimum(freedom, 1e9), 0.975) / ndtri(0.975))",
        "return np.asarray(stdtrit(np.minimum(freedom, 1e9), 0.95) / ndtri(0.975))",
        "a one-sided t in place of the two-sided: 90 % told as 95 %", (_PROPAGATION,),
    ),
    Fault(
        "k", "features/uncertainty/propagation.py",
        "left_over = noise.sigma_white**2 * (1.0 - parameters / count)",
        "left_over = noise.sigma_white**2 * (1.0 + parameters / count)",
        "degrees of freedom the wrong way: form hidden in noise on small faces", (_PROPAGATION,),
    ),
    Fault(
        "order", "features/uncertainty/several_scans.py",
        "np.hstack([normals, np.cross(share.points, normals)])",
        "np.hstack([normals, np.cross(normals, share.points)])",
        "what a set-up's turn does would count against its shift, not with it", (_TOGETHER,),
    ),
    Fault(
        "order", "features/uncertainty/several_scans.py",
        'np.cross(along, u if name == "a" else v)', 'np.cross(along, v if name == "a" else u)',
        "an axis would tilt the other way with its set-up than it does", (_TOGETHER,),
    ),
    Fault(
        "k", "features/uncertainty/several_scans.py",
        "of_white = share.noise.sigma_white**2 * (own.T @ own)", "of_white = share.noise.sigma_white * (own.T @ own)",
        "standard deviation for variance: features of several scans far too unsure", (_TOGETHER,),
    ),
    Fault(
        "k", "features/uncertainty/combined.py",
        "key = scan, count[scan]", "key = len(waves), count[scan]",
        "a wave's size would count as learnt anew for each face: what rests on it too sure", (_COMBINED,),
    ),
    Fault(
        "order", "features/joining/set_up_pose.py",
        "(sums[1], laid.fits_in_parts.waves[index[:, 1]], gains @ carry)",
        "(sums[1], laid.fits_in_parts.waves[index[:, 1]], gains)",
        "the laid scan's waves would move the pose as if it lay where it was scanned", (_PAIR_ROWS,),
    ),
    Fault(
        "k", "features/joining/together.py",
        "weight = 1.0 / max(scan.noise.sigma_form, 1e-6) ** 2", "weight = 1.0 / max(scan.noise.sigma_form, 1e-6)",
        "a rough scan would pull features of a fine one towards it", ("features/joining/test_together.py",),
    ),
    Fault(
        "one-sided", "features/uncertainty/form_significance.py",
        "good = np.abs(residuals - np.median(residuals)) <=", "good = residuals - np.median(residuals) <=",
        "spikes into the material would count as form", ("features/uncertainty/test_form_significance.py",),
    ),
    # Datums
    Fault(
        "k", "features/datums/datum_system.py",
        "columns.append((ends[0] - ends[1]) / (2.0 * STEP))", "columns.append((ends[0] - ends[1]) / STEP)",
        "the frame twice as unsure as it is", (_DATUMS,),
    ),
    Fault(
        "sign", "features/datums/datum_system.py",
        "full[:2, :2], full[2:, 2:] = turn, np.sign(f.direction @ w) * turn", "full[:2, :2], full[2:, 2:] = turn, turn",
        "of a common axis, the bore that looks the other way would be weighed wrongly", (_DATUMS,),
    ),
    Fault(
        "provenance", "features/datums/datum_system.py",
        "away = feature.uncertainty.scale * point", "away = feature.uncertainty.scale * feature.point",
        "the scale would stretch the part from the scanner's origin, not from its own", (_DATUMS,),
    ),
    Fault(
        "side", "features/datums/datum_system.py",
        "keep = np.outer(direction, direction) if kind.flat else across",
        "keep = across if kind.flat else np.outer(direction, direction)",
        "a face's place would be told along it, a bore's along its axis", (_DATUMS,),
    ),
    Fault(
        "order", "features/datums/freedoms.py",
        "return np.array([flat, cross(up, flat), up])", "return np.array([flat, cross(flat, up), up])",
        "a left-handed frame: the part mirrored", (_DATUMS,),
    ),
    Fault(
        "sign", "features/datums/freedoms.py",
        'sign = -1.0 if verb in ("into", "against", "away from") else 1.0',
        'sign = -1.0 if verb in ("into", "away from") else 1.0',
        "z against an axis would run along it", (_DATUMS, "stages/test_frame.py"),
    ),
    Fault(
        "order", "features/datums/datum_system.py",
        "between = b[:3, :3] @ a[:3, :3].T", "between = b[:3, :3] @ a[:3, :3]",
        "a frame that has turned would be told as turned by another angle", (_DATUMS,),
    ),
    Fault(
        "provenance", "stages/frame.py",
        "in_part=tuple(in_part(f, chosen.frame, chosen.gains, by_id) for f in features)",
        "in_part=tuple(in_part(f, chosen.frame, {}, by_id) for f in features)",
        "what the datums share with the frame would not cancel: datum A unsure of its own height",
        ("stages/test_frame.py",),
    ),
    # Relations, and sizes measured by hand
    Fault(
        "one-sided", "features/relations/pairs.py",
        "return Apart(abs(value), sigma, low, high)", "return Apart(value, sigma, low, high)",
        "a face on the other side would be a negative distance away", (_PAIRS, _CHECKS),
    ),
    Fault(
        "one-sided", "features/relations/pairs.py",
        "return max(low, -high, 0.0), max(high, -low)", "return max(low, 0.0), max(high, -low)",
        "the least distance of a face that lies below another would be told as nought", (_PAIRS, _CHECKS),
    ),
    Fault(
        "side", "features/relations/pairs.py",
        "np.pi / 2 - angle if a.plane != b.plane else angle", "np.pi / 2 - angle if a.plane == b.plane else angle",
        "60 degrees between faces would be told as 30", (_PAIRS,),
    ),
    Fault(
        "sign", "features/relations/pairs.py",
        "by_a = a.turns.T @ gap - a.shifts.T @ a.direction", "by_a = a.turns.T @ gap + a.shifts.T @ a.direction",
        "a face's tilt and height, which go together, would count against each other", (_PAIRS,),
    ),
    Fault(
        "side", "features/fitting/coating.py",
        'return float((1.0 if feature.side == "bore" else -1.0) * thickness * lift)',
        'return float((-1.0 if feature.side == "bore" else 1.0) * thickness * lift)',
        "spray would be put onto bores, not taken off", (_COATING,),
    ),
    Fault(
        "sign", "features/fitting/coating.py",
        "point=feature.point - thickness * feature.direction", "point=feature.point + thickness * feature.direction",
        "faces would move out of the material by the spray that covers them", (_COATING,),
    ),
    Fault(
        "k", "features/fitting/coating.py",
        "lift = 1.0 if feature.half_angle is None else 1.0 / np.cos(feature.half_angle)",
        "lift = 1.0 if feature.half_angle is None else np.cos(feature.half_angle)",
        "too little spray taken off tapers", (_COATING,),
    ),
    Fault(
        "unit", "features/gauging/checks.py",
        'sense = 2.0 if feature.side == "bore" else -2.0', 'sense = 1.0 if feature.side == "bore" else -1.0',
        "a coating of 10 um proposed as 20: radius for diameter", (_CHECKS,),
    ),
    Fault(
        "k", "features/gauging/checks.py",
        "spread = (exact.high - exact.low) / np.sqrt(12.0)", "spread = (exact.high - exact.low) / 12.0",
        "variance for standard deviation: a caliper on a tilted face contradicts the scan falsely", (_CHECKS,),
    ),
    Fault(
        "one-sided", "features/gauging/checks.py",
        "return abs(made.value - value) <= max(", "return made.value - value <= max(",
        "a size measured on a much larger bore would be taken for this one's", (_CHECKS,),
    ),
    Fault(
        "provenance", "features/gauging/checks.py",
        "own = without_scale(made.sigma, made.value, made.scale)", "own = made.sigma",
        "what was believed of the scale would answer for the sizes that are to tell it", (_CHECKS, _SCALE),
    ),
    Fault(
        "unit", "features/gauging/worth_measuring.py",
        "None if sigma is None or width is None else 2.0 * SINGLE * sigma / width,",
        "None if sigma is None or width is None else SINGLE * sigma / width,",
        "sizes that the scan leaves open by half their tolerance told as a quarter",
        ("features/gauging/test_worth_measuring.py",),
    ),
    Fault(
        "unit", "features/relations/patterns.py",
        "diameter=2.0 * ring.radius,", "diameter=ring.radius,",
        "pitch circles of half their size", ("features/relations/test_patterns.py",),
    ),
    Fault(
        "side", "features/exclusion/zones.py",
        "return within & (depth > zone.beyond)", "return within & (depth < zone.beyond)",
        "a zone inside a bore would cut its mouth and leave what stands in it", ("features/exclusion/test_zones.py",),
    ),
    # What lightening cost
    Fault(
        "provenance", "features/simplification/audit.py",
        "weight = vertex_areas(scan.vertices, scan.faces, measured)",
        "weight = vertex_areas(scan.vertices, scan.faces, np.ones(len(scan.faces), bool))",
        "distances of what was filled would be told as those of the scan", (_DISTANCES,),
    ),
    Fault(
        "provenance", "features/simplification/audit.py",
        "ours &= measured[facet] if unknown is None else measured[facet] & ~unknown[facet]",
        "ours &= True if unknown is None else ~unknown[facet]",
        "the light mesh would be held against what was filled, as if it had been measured", (_DISTANCES,),
    ),
    Fault(
        "sign", "features/simplification/audit.py",
        "sense = 1.0 if np.dot(was.direction, now.direction) >= 0 else -1.0", "sense = 1.0",
        "an axis that a fit gives the other way round would have tilted by 180 degrees", (_DISTANCES,),
    ),
    Fault(
        "sign", "features/simplification/audit.py",
        "float(now.radius - along * float(np.tan(now.half_angle or 0.0)) * sense - was.radius)",
        "float(now.radius + along * float(np.tan(now.half_angle or 0.0)) * sense - was.radius)",
        "a taper whose point slid along its axis would have changed its size", (_DISTANCES,),
    ),
    Fault(
        "one-sided", "stages/audit.py",
        "worst = forth if forth.max >= back.max else back", "worst = forth",
        "bulges of the light mesh that no vertex of the scan is near would be within the budget", (_BUDGET,),
    ),
    Fault(
        "one-sided", "stages/audit.py",
        "known = [(abs(figure(c)), c.feature) for c in changes", "known = [(figure(c), c.feature) for c in changes",
        "a bore that lightening made too small would be within the budget", (_BUDGET,),
    ),
    Fault(
        "unit", "stages/audit.py",
        "None if settings.max_tilt is None else math.radians(settings.max_tilt)",
        "None if settings.max_tilt is None else settings.max_tilt",
        "a budget of 0.1 degrees held against radians", (_BUDGET,),
    ),
    Fault(
        "provenance", "stages/fill.py",
        "np.full(len(owner), FILLED, np.uint8)", "np.zeros(len(owner), np.uint8)",
        "what was filled would count as measured everywhere", ("stages/test_fill.py",),
    ),
    Fault(
        "provenance", "stages/clean.py",
        'bench.remove(read.surface.origin == FILLED, "facets that a run had filled"',
        'bench.remove(read.surface.origin > FILLED, "facets that a run had filled"',
        "features fitted to what an earlier run filled", ("stages/test_clean.py",),
    ),
    # Stages
    Fault(
        "unit", "stages/read.py",
        "scale_uncertainty=1e-3 * (settings.scale_uncertainty or 0.0)",
        "scale_uncertainty=settings.scale_uncertainty or 0.0",
        "mm per metre taken as a share: sizes a thousand times as unsure", (_READ,),
    ),
    Fault(
        "unit", "stages/read.py",
        'unit = settings.units if settings.units != "auto" else mesh.unit or "mm"',
        'unit = settings.units if settings.units != "auto" else "mm"',
        "a file in inches read as mm", (_READ,),
    ),
    Fault(
        "provenance", "stages/recover.py",
        "made = without_coating(_feature(again.piece, free.id, model, again.held), coating)",
        "made = _feature(again.piece, free.id, model, again.held)",
        "a refit on request would bring the spray back", ("features/fitting/test_constrained_fit.py",),
    ),
    Fault(
        "unit", "stages/export.py",
        'sized = in_part if unit == "mm" else in_part / MM_PER_INCH',
        'sized = in_part if unit == "mm" else in_part * MM_PER_INCH',
        "meshes in inches 645 times too large", (_EXPORT,),
    ),
    Fault(
        "unit", "stages/export.py",
        'write_glb(folder / "light.glb", in_part, surface.faces)',
        'write_glb(folder / "light.glb", sized, surface.faces)',
        "glTF of a job in inches 25 times too small", (_EXPORT,),
    ),
    Fault(
        "provenance", "stages/export.py",
        "(light.origin == FILLED), 0, whose + 1)", "(light.origin == FILLED), 0, whose)",
        "facets would name the set-up before the one that saw them", (_TOLD,),
    ),
    Fault(
        "sign", "features/joining/overlap.py",
        "(normals @ way > ALIKE)", "(normals @ way < -ALIKE)",
        "the floor of a blind hole taken for what stands across it", ("features/joining/test_set_up_pose.py",),
    ),
    Fault(
        "k", "features/joining/feature_pose.py",
        "return float(np.sqrt(worst))", "return worst",
        "a far corner of a set-up told as known to nanometres", (_TOLD,),
    ),
    Fault(
        "order", "features/joining/feature_pose.py",
        "lever = np.array([[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]])",
        "lever = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])",
        "turn and shift of a set-up, which go together, would count against each other at its corners", (_TOLD,),
    ),
    Fault(
        "provenance", "stages/join.py",
        "onto + 1,\n        order[k].motion,", "onto,\n        order[k].motion,",
        "the report would name the wrong set-up as the one that another was laid on", (_JOIN,),
    ),
    Fault(
        "one-sided", "stages/join.py",
        "if one.scale is not None and abs(one.scale[0]) > 3.0 * one.scale[1]:",
        "if one.scale is not None and one.scale[0] > 3.0 * one.scale[1]:",
        "of a set-up that is too small by its scale nothing would be said", (_TOLD,),
    ),
    # Formats
    Fault(
        "unit", "formats/datum_file/feature_parts.py",
        "half_angle=plain(feature.half_angle, degrees=True),", "half_angle=plain(feature.half_angle),",
        "radians in a file of degrees", (_BUILD,),
    ),
    Fault(
        "unit", "formats/datum_file/feature_parts.py",
        "rotation=known_vector(np.degrees(spread[3:])),", "rotation=known_vector(spread[3:]),",
        "a set-up's turn told as known 57 times better than it is", (_TOLD,),
    ),
    Fault(
        "provenance", "formats/datum_file/feature_parts.py",
        "point=known_vector(transformed(matrix, feature.point)),", "point=known_vector(feature.point),",
        "scan coordinates under the name of part coordinates", (_BUILD,),
    ),
    Fault(
        "unit", "formats/datum_file/build.py",
        '"arc": None if patch.arc is None else known(np.degrees(patch.arc)),',
        '"arc": None if patch.arc is None else known(patch.arc),',
        "arcs of refused surfaces in radians in a file of degrees", (_BUILD, "formats/tables/test_summary.py"),
    ),
    Fault(
        "order", "formats/datum_file/build.py",
        "FrameUncertainty(translation=known_vector(spread[:3]), rotation=known_vector(np.degrees(spread[3:])))",
        "FrameUncertainty(translation=known_vector(spread[3:]), rotation=known_vector(np.degrees(spread[:3])))",
        "the frame's shift told as its turn", (_BUILD,),
    ),
    Fault(
        "unit", "formats/tables/csv_tables.py",
        'f"area_{unit}2": lambda f: times(f.extent.area, scale),', 'f"area_{unit}2": lambda f: times(f.extent.area),',
        "areas in square inches 25 times too large", (_TABLES,),
    ),
    Fault(
        "unit", "formats/tables/csv_tables.py",
        "lambda f: times(f.uncertainty.radius, 2),", "lambda f: times(f.uncertainty.radius),",
        "the uncertainty of a radius beside a diameter", (_TABLES,),
    ),
    Fault(
        "unit", "formats/tables/csv_tables.py",
        "factor = 1.0 if angle else scale", "factor = scale",
        "angles divided by 25.4 in tables in inches", (_TABLES,),
    ),
    Fault(
        "order", "formats/meshes_out/writers.py",
        "[0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]]", "[0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]]",
        "glTF standing on its head: a rotation transposed", (_WRITERS,),
    ),
    Fault(
        "provenance", "formats/meshes_in/reader.py",
        "origin = None if origin is None else origin[stood]", "origin = None if origin is None else origin",
        "which facets were filled told of others, after they were put in order", ("formats/meshes_in/test_reader.py",),
    ),
    Fault(
        "order", "formats/meshes_in/reader.py",
        "normals = np.nan_to_num(normals[first[order]].astype(np.float64)",
        "normals = np.nan_to_num(normals[first].astype(np.float64)",
        "points with the normals of others", ("formats/meshes_in/test_points.py",),
    ),
    Fault(
        "order", "formats/meshes_in/gltf.py",
        "matrix = above @ self._matrix(node)", "matrix = self._matrix(node) @ above",
        "nodes in nodes of a glTF scene in the wrong place", ("formats/meshes_in/test_lies.py",),
    ),
    Fault(
        "k", "formats/batch_file/spread.py",
        "_told(known.std(ddof=1))", "_told(known.std())",
        "the spread of ten castings told too small", (_SPREAD,),
    ),
    Fault(
        "unit", "formats/fit_file/travel.py",
        "size = math.degrees if turns else float", "size = float",
        "radians in a file of degrees", (_ASKED,),
    ),
    Fault(
        "unit", "formats/parts_in/run_folder.py",
        "tilt = None if known.direction is None else math.radians(known.direction)", "tilt = known.direction",
        "degrees taken as radians: clearances far from a face 57 times as unsure",
        ("formats/parts_in/test_run_folder.py",),
    ),
    Fault(
        "order", "formats/parts_in/run_folder.py",
        "matrix = np.array(record.matrix) @ undone(np.array(data.frame.matrix))",
        "matrix = undone(np.array(data.frame.matrix)) @ np.array(record.matrix)",
        "made parts laid out from flanges that stand elsewhere", ("formats/parts_in/test_run_folder.py",),
    ),
    # Parts put together
    Fault(
        "unit", "fitup/clearance.py",
        "expanded = 2.0 * EXPANDED * float(np.hypot(radii[0], radii[1]))",
        "expanded = EXPANDED * float(np.hypot(radii[0], radii[1]))",
        "the play of a fit, which is of diameters, told with the doubt of radii", (_CLEARANCE,),
    ),
    Fault(
        "unit", "fitup/clearance.py",
        "gap = 0.5 * fit.play - fit.eccentric", "gap = fit.play - fit.eccentric",
        "a shaft in its own bore would be too near to it", (_CLEARANCE,),
    ),
    Fault(
        "one-sided", "fitup/clearance.py",
        "for inner, outer in ((one, other), (other, one)):", "for inner, outer in ((one, other),):",
        "a part that lies wholly inside the first one would be clear of it", (_CLEARANCE,),
    ),
    Fault(
        "k", "fitup/clearance.py",
        "if spot.distance - spot.expanded < least:", "if spot.distance < least:",
        "clear, where the doubt is larger than what is left", (_CLEARANCE,),
    ),
    Fault(
        "provenance", "fitup/clearance.py",
        "return bool(one.body.seen[facets[0]] and other.body.seen[facets[1]])",
        "return bool(one.body.seen[facets[0]])",
        "a clearance from what was never scanned told as measured", (_CLEARANCE,),
    ),
    Fault(
        "sign", "fitup/placing.py",
        "aim = aim + line.gap * line.target.direction", "aim = aim - line.gap * line.target.direction",
        "a gasket of 1 mm would set a part 1 mm into the other", (_PLACING,),
    ),
    Fault(
        "order", "fitup/placing.py",
        "return small_motion(other @ undone(pose)) / _STEP", "return small_motion(undone(pose) @ other) / _STEP",
        "what a placing isn't known by would act in the part's axes, not where it stands", (_PLACING,),
    ),
    Fault(
        "provenance", "fitup/items.py",
        "return rigid(rotation, move.about + move.shift - rotation @ move.about)", "return rigid(rotation, move.shift)",
        "a feature's tilt would turn it about the origin, not about its own place", (_PLACING, _CLEARANCE),
    ),
    Fault(
        "provenance", "fitup/bodies.py",
        "return np.isin(self.surface.origin, (MEASURED, SNAPPED, PLANNED))",
        "return np.isin(self.surface.origin, (MEASURED, SNAPPED, 3, PLANNED))",
        "lids over what was never seen would count as metal that was measured", (_CLEARANCE, "fitup/test_walls.py"),
    ),
    Fault(
        "order", "fitup/bodies.py",
        "float(along @ (m[:3] + cross(m[3:], place)))", "float(along @ (m[:3] + cross(place, m[3:])))",
        "the doubt of a placing would cancel where it adds up", (_CLEARANCE, _PLACING),
    ),
    Fault(
        "provenance", "fitup/bodies.py",
        "self.body.scale * float(along @ turned(self.pose.matrix, own))", "self.body.scale * float(along @ place)",
        "a scan's scale would stretch its part from where others stand", (_CLEARANCE,),
    ),
    Fault(
        "unit", "fitup/figures.py",
        "holes = [(x, y, hole.diameter / 2) for hole in plate.holes for x, y in hole.places]",
        "holes = [(x, y, hole.diameter) for hole in plate.holes for x, y in hole.places]",
        "holes of plates twice as large as they were given", ("fitup/test_figures.py",),
    ),
    Fault(
        "side", "fitup/envelope.py",
        "surface, strip = revolved(profile, around=True)", "surface, strip = revolved(profile)",
        "the swept body inside what the part sweeps", (_ENVELOPE,),
    ),
    Fault(
        "sign", "fitup/envelope.py",
        "moves[key] = np.concatenate([shift - cross(turn, axis.point), turn])",
        "moves[key] = np.concatenate([shift + cross(turn, axis.point), turn])",
        "an axis far from the origin: its inclination would shift it twice", (_ENVELOPE,),
    ),
    Fault(
        "order", "fitup/envelope.py",
        "return float(z), float(np.arctan2(y, x) % (2.0 * np.pi))",
        "return float(z), float(np.arctan2(x, y) % (2.0 * np.pi))",
        "the place to relieve told at another angle", (_ENVELOPE, "cli/test_fit_motions.py"),
    ),
    Fault(
        "sign", "fitup/motions/motion.py",
        "turned(pose, move[:3]) - cross(turn, pose[:3, 3])", "turned(pose, move[:3]) + cross(turn, pose[:3, 3])",
        "the doubt of a part that has moved would be that of one moved the other way", (_TRAVEL,),
    ),
    Fault(
        "k", "fitup/motions/travel.py",
        "if sure >= at_least:", "if run >= at_least:",
        "far enough, where it is so in half of all cases", (_TRAVEL,),
    ),
    Fault(
        "unit", "fitup/cuts.py",
        "volume * question.density * 1e-3,", "volume * question.density * 1e-6,",
        "kilograms told as grams", ("fitup/test_cuts.py",),
    ),
    Fault(
        "unit", "fitup/rescan/against_plan.py",
        "size = 2.0 * (there.radius - feature.radius)", "size = there.radius - feature.radius",
        "a bore half as much too large as it is", ("fitup/rescan/test_sizes.py",),
    ),
    # Questions
    Fault(
        "resume", "questions/keeping.py",
        "artefacts.fingerprint((self._code, kind.table, question.model_dump_json()))",
        "artefacts.fingerprint((kind.table, question.model_dump_json()))",
        "answers of an older version told after an update", (_AGAIN,),
    ),
    Fault(
        "resume", "questions/keeping.py",
        "artefacts.fingerprint((self._of_body(part.body), part.pose))",
        "artefacts.fingerprint(self._of_body(part.body))",
        "clearances told of where a part stood before", (_AGAIN,),
    ),
    Fault(
        "resume", "questions/keeping.py",
        "artefacts.fingerprint((plain, body.exact is None, solid, uncut))",
        "artefacts.fingerprint((plain, body.exact is None, uncut))",
        "cuts of an exact solid whose file has changed", (_AGAIN,),
    ),
    Fault(
        "resume", "questions/keeping.py",
        "if not isinstance(kept, Kept) or (kept.names is not None and kept.names != tuple(parts)):",
        "if not isinstance(kept, Kept):",
        "an answer about all parts that doesn't know the new one", (_AGAIN,),
    ),
    Fault(
        "unit", "questions/travel.py",
        "None if question.at_least is None else float(size(question.at_least))", "question.at_least",
        "30 degrees asked for, 30 radians held against", (_ASKED,),
    ),
    # Resume and bookkeeping
    Fault(
        "resume", "runner.py",
        'made_of: dict[str, Any] = {"stage": name, "code": self._code}', 'made_of: dict[str, Any] = {"stage": name}',
        "results of an older version kept after an update", (_RUNNER,),
    ),
    Fault(
        "resume", "runner.py",
        'made_of["scan"] = [self._content, self._job.scan.name]', 'made_of["scan"] = [self._job.scan.name]',
        "a new scan under an old name gives the old part", (_RUNNER,),
    ),
    Fault(
        "resume", "runner.py",
        'elif parameter in ("settings", "measured", "refits", "names", "exclude", "job", "recovery", "balls"):',
        'elif parameter in ("settings", "measured", "names", "exclude", "job", "recovery", "balls"):',
        "a refit put into the job does nothing", (_RUNNER,),
    ),
    Fault(
        "resume", "runner.py",
        "[[_digest_of(s.scan), s.scan.name, self._plain(s)] for s in self._job.set_up]",
        "[[s.scan.name, self._plain(s)] for s in self._job.set_up]",
        "a set-up scanned again under its name is not looked at", (_RUNNER,),
    ),
    Fault(
        "resume", "runner.py",
        'made_of["set_ups"].append([self._plain(self._job.read), self._plain(self._job.clean)])', "pass",
        "set-ups keep what the job's [read] and [clean] said before", (_RUNNER,),
    ),
    Fault(
        "resume", "runner.py",
        'digest.update(f"{library} {version}".encode())', "pass",
        "results of another version of a library kept", (_RUNNER,),
    ),
    Fault(
        "resume", "artefacts.py",
        'digest.update(f"{array.dtype.str} {array.shape}".encode())', "pass",
        "two meshes whose arrays have the same bytes are taken for one", (_ARTEFACTS,),
    ),
    Fault(
        "provenance", "output_folder.py",
        "return bool(known) and self._digest(name) in known", "return bool(known)",
        "a file that the user has changed since is written over", (_FOLDER,),
    ),
    Fault(
        "provenance", "output_folder.py",
        "if os.path.samefile(path, self.path / name):", "if path == self.path / name:",
        "the scan written over through a link", (_FOLDER,),
    ),
    Fault(
        "provenance", "output_folder.py",
        'if told["seal"] == _seal(files):', 'if told["seal"]:',
        "a marker from elsewhere believed", (_FOLDER,),
    ),
    Fault(
        "order", "part_frame.py",
        "x, y, z = (sum(frame[i][k] * off[i] for i in range(3)) for k in range(3))",
        "x, y, z = (sum(frame[k][i] * off[i] for i in range(3)) for k in range(3))",
        "places of a job in a turned frame mean others", (_PLACES,),
    ),
    Fault(
        "one-sided", "part_frame.py",
        "apart = max(abs(p - q) for p, q in zip(_back(one, at), _back(other, at), strict=True))",
        "apart = max(p - q for p, q in zip(_back(one, at), _back(other, at), strict=True))",
        "a frame that moved towards plus taken for the same", (_PLACES,),
    ),
    Fault(
        "unit", "part_frame.py",
        "last.sha256 == sha256 and last.unit_factor == unit_factor", "last.sha256 == sha256",
        "places copied from a run in inches taken for mm", (_PLACES,),
    ),
)  # fmt: skip
