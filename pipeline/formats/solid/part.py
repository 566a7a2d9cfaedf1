"""part.step from a light mesh and a datum file, and what there is to tell about it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.features.naming import counted
from pipeline.features.solid import CUT_OFF_RIGHT, NEVER_SEEN, Model, model_of, step_of, volume_of, without_faces
from pipeline.formats.datum_file import DatumFile, FaceShare, FallenFeature, FeatureRecord, SolidRecord
from pipeline.formats.solid.build import built
from pipeline.formats.solid.checks import Verdict, areas_of, checked
from pipeline.formats.solid.document import Named, write_body
from pipeline.formats.step import label_of
from pipeline.lengths import mm, mm2, mm3, place_in_mm
from pipeline.palette import Colour, colour
from pipeline.progress import Progress, silent
from pipeline.surfaces import Shape, kind_of, names_of
from pipeline.values import FILLED, Surface

NAME = "part.step"

# So often faces that the kernel does not take are made otherwise.
_AGAIN = 6
# mm: a solid whose edges need more than this is told.
_WIDE = 0.01
# Of the light mesh's volume: what is more has to be explained by chords.
_VOLUME_SHARE = 1e-3
_NEVER_SEEN_COLOUR = colour("suspect")
_FILLED_COLOUR = colour("filled")
_SKIN_COLOUR = colour("no feature")
_UNSURE_COLOUR = colour("unsure")


@dataclass(frozen=True)
class PartReport:
    """What part.step holds as the datum file tells it (`record`), and sentences for the user (`cautions`)."""

    record: SolidRecord
    cautions: tuple[str, ...]


def with_solid(data: DatumFile, report: PartReport) -> DatumFile:
    """The datum file with what there is to tell of the solid, in place of what was told of an earlier one.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> record = SolidRecord(
    ...     file=NAME, closed=True, valid=True, free_edges=0, faces=7, edges=15, by_kind=(), skin=0.5, skin_held=0.02,
    ...     edge_depth=0.8, largest_tolerance=1e-6, features=("H1",), as_facets=(), openings_closed=0,
    ...     area_never_seen=0.0, bytes=20000,
    ... )  # fmt: skip
    >>> told = with_solid(build(outcome()), PartReport(record, ("part.step has edges that are wide.",)))
    >>> told.solid.faces, told.cautions[-1]
    (7, 'part.step has edges that are wide.')
    """
    kept = tuple(text for text in data.cautions if not text.startswith(NAME))
    files = data.files if data.files is None else tuple(sorted({*data.files, NAME}))
    return data.model_copy(update={"solid": report.record, "cautions": (*kept, *report.cautions), "files": files})


def make_part(
    path: Path, data: DatumFile, light: Surface, labels: NDArray[np.int32], skin: float, *,
    schema: str = "AP242", unsure: str = "faces", colours: dict[str, Colour] | None = None,
    progress: Progress = silent,
) -> PartReport:  # fmt: skip
    """Write the solid of a light mesh in part coordinates, whose labels count into the features of a datum file.

    skin     mm: how far its skin may be from the light mesh
    unsure   what becomes of features of low confidence: "faces" of their own colour, or "skin"
    colours  of features by the key of their look

    Raises GeometryError where the mesh bounds no solid, OSError where the place can't be written.

    Method: `pipeline.features.solid` makes ready what the CAD kernel's builder then puts together face by face. Below,
    a plate with a chamfered bore and six holes; a ball and a ring that lie beside it are no part of its solid.

    >>> import tempfile
    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome, part_mesh
    >>> vertices, faces, labels = part_mesh()
    >>> path = Path(tempfile.mkdtemp()) / NAME
    >>> report = make_part(path, build(outcome()), Surface.measured(vertices, faces), labels, 0.5)
    >>> made = report.record
    >>> made.closed, made.valid, made.faces, [(share.kind, share.faces) for share in made.by_kind]
    (True, True, 14, [('cone', 1), ('cylinder', 7), ('plane', 6)])
    >>> report.cautions[0]
    'part.step leaves out 2 loose pieces (4,512 facets) beside the part.'
    """
    features = data.features
    shapes = [shape_in_part(f) for f in features]
    drawable = [step_of(s, light.vertices[light.faces[labels == k]].reshape(-1, 3)) for k, s in enumerate(shapes)]
    faceless = {k: "STEP has no surface for its kind" for k, step in enumerate(drawable) if step is None}
    used = np.array([_is_used(f, unsure) and k not in faceless for k, f in enumerate(features)] + [False])
    labels = np.where(used[labels], labels, -1).astype(np.int32)
    noise, spacing = data.source.noise_sigma or 0.0, data.source.mean_edge or 0.0
    model = model_of(light, labels, shapes, skin, noise, _below(progress, 0.8), spacing)
    model.fallen.update(faceless)
    progress(0.8, "building the solid")
    body = built(model.outline, model.closed)
    progress(0.88, "checking it")
    verdict = checked(body.shape, body.faces)
    for attempt in range(_AGAIN):
        if verdict.valid or not verdict.invalid_faces:
            break
        model = without_faces(model, verdict.invalid_faces, thorough=attempt >= _AGAIN // 2)
        body = built(model.outline, model.closed)
        verdict = checked(body.shape, body.faces)
    progress(0.94, "writing it")
    names = _names(model, features)
    model.fallen.update(_lost(model, np.flatnonzero(used), labels, names, skin))
    write_body(
        path, body.shape, "part" if model.closed else "part (open shell)", _SKIN_COLOUR,
        [Named(face, *_look(names[n], features, colours or {})) for n, face in body.faces.items()],
        "Solid recovered from a scan: exact recovered faces, coarse skin", schema,
    )  # fmt: skip
    record = _record(model, verdict, areas_of(body.faces), names, features, skin, path.stat().st_size)
    return PartReport(record, tuple(_cautions(model, verdict, record, spacing)))


def _below(progress: Progress, share: float) -> Progress:
    def told(fraction: float, text: str = "") -> None:
        progress(share * fraction, text)

    return told


def _is_used(feature: FeatureRecord, unsure: str) -> bool:
    return feature.machined and (unsure == "faces" or feature.confidence == "good")


def shape_in_part(feature: FeatureRecord) -> Shape:
    """The surface of a feature of the datum file, in part coordinates: mm and radians.

    >>> from pipeline.formats.datum_file import build
    >>> from tests.outcomes import outcome
    >>> bore = shape_in_part(build(outcome()).features[6])
    >>> bore.kind, bore.radius
    ('cylinder', 20.0)
    """
    place = feature.in_part_frame
    return Shape(
        feature.kind,
        np.array(place.point),
        None if place.direction is None else np.array(place.direction),
        feature.radius,
        None if feature.half_angle is None else math.radians(feature.half_angle),
        feature.major_radius,
        None if place.orientation is None else np.array(place.orientation),
    )


def _names(model: Model, features: Sequence[FeatureRecord]) -> dict[int, int | str]:
    """Of each face the number of its feature, or what else it is: "skin" | "filled" | "never seen"."""
    faces, mesh = model.outline.faces, model.mesh
    first = np.zeros(len(faces.shapes), np.int64)
    first[mesh.labels] = np.arange(len(mesh.labels))
    origin = mesh.origin[first]
    out: dict[int, int | str] = {}
    for n, feature in enumerate(faces.feature.tolist()):
        if 0 <= feature < len(features):
            out[n] = feature
        elif feature >= len(features) or origin[n] == NEVER_SEEN:
            out[n] = "never seen"
        else:
            out[n] = "filled" if origin[n] == FILLED else "skin"
    return out


def _lost(
    model: Model, used: NDArray[np.intp], labels: NDArray[np.int32], names: dict[int, int | str], skin: float
) -> dict[int, str]:
    """Why features have no face though nothing spoke against one; those on loose pieces are told with these."""
    kept = {*model.fallen, *names.values()}
    there, in_part = set(labels.tolist()), set(model.capped.labels.tolist())
    out = {}
    for k in used.tolist():
        if k not in kept and k not in there:
            out[k] = "the light mesh has no facet of it"
        elif k not in kept and k in in_part:
            out[k] = f"it is so small or narrow that a skin of {mm(skin, 'g')} left none of its facets"
    return out


def _look(what: int | str, features: Sequence[FeatureRecord], colours: dict[str, Colour]) -> tuple[str, Colour | None]:
    if what == "skin":
        return "skin", None
    if isinstance(what, str):
        return what, _FILLED_COLOUR if what == "filled" else _NEVER_SEEN_COLOUR
    feature = features[what]
    if feature.confidence != "good":
        return label_of(feature), _UNSURE_COLOUR
    return label_of(feature), colours.get(kind_of(feature).called(feature.side))


def _record(
    model: Model, verdict: Verdict, areas: dict[int, float], names: dict[int, int | str],
    features: Sequence[FeatureRecord], skin: float, size: int,
) -> SolidRecord:  # fmt: skip
    light = model.capped.surface
    kinds = {n: features[w].kind if isinstance(w, int) else w for n, w in names.items()}
    by_kind: dict[str, list[float]] = {}
    for n, kind in kinds.items():
        by_kind.setdefault(kind, []).append(areas[n])
    shares = [FaceShare(kind=k, faces=len(by_kind[k]), area=math.fsum(by_kind[k])) for k in sorted(by_kind)]
    drawn = sorted({w for w in names.values() if isinstance(w, int)})
    return SolidRecord(
        file=NAME,
        closed=model.closed,
        valid=verdict.valid,
        free_edges=verdict.free_edges,
        faces=len(names),
        edges=len(model.outline.edges),
        by_kind=tuple(shares),
        skin=skin,
        skin_held=model.deviation,
        **(
            {}
            if model.at_edges is None
            else {"edges_cut_off": model.at_edges[0], "skin_held_at_edges": model.at_edges[1]}
        ),
        edge_depth=model.depth,
        largest_tolerance=verdict.tolerance,
        **(
            {"volume": verdict.volume, "volume_of_light_mesh": volume_of(light.vertices, light.faces)}
            if model.closed
            else {}
        ),
        features=tuple(features[k].id for k in drawn),
        as_facets=tuple(
            FallenFeature(feature=features[k].id, why=why)
            for k, why in sorted(model.fallen.items())
            if k < len(features)
        ),
        openings_closed=model.capped.ends + model.capped.lids,
        area_never_seen=math.fsum(by_kind.get("never seen", ())),
        bytes=size,
    )


def _cautions(model: Model, verdict: Verdict, record: SolidRecord, spacing: float) -> list[str]:
    out = []
    capped = model.capped
    if capped.left:
        where = "; ".join(place_in_mm(place, ".1f") for place, _ in capped.left[:4])
        longest = max(length for _, length in capped.left)
        out.append(
            f"{NAME} is an open shell, no solid: {counted(len(capped.left), 'opening')} could not be closed without "
            f"crossing the surface, the largest {mm(longest, '.0f')} round; at {where}."
        )
    if record.openings_closed:
        walls = f"; walls of bores are carried on to them by up to {mm(capped.carried)}" if capped.ends else ""
        out.append(
            f'{NAME} has faces named "never seen" ({mm2(record.area_never_seen)}) that close '
            f"{counted(record.openings_closed, 'opening')} of the scan{walls}; nothing is known of what is there."
        )
    out += [
        f"{NAME} has {fallen.feature}, or part of it, as facets and not as an exact face: {fallen.why}."
        for fallen in record.as_facets
    ]
    if model.left_out[0]:
        out.append(
            f"{NAME} leaves out {model.left_out[0]} loose pieces ({model.left_out[1]:,} facets) beside the part."
        )
    if not verdict.valid:
        out.append(
            f"{NAME} is not valid by the CAD kernel's own checks ({len(verdict.invalid_faces)} faces); "
            "use the light mesh, or try another skin tolerance."
        )
    if model.closed and verdict.free_edges:
        out.append(f"{NAME} has {verdict.free_edges} free edges: it does not close.")
    if verdict.tolerance > _WIDE:
        out.append(f"{NAME} has edges that are only within {mm(verdict.tolerance, '.3f')} of their faces.")
    if record.skin_held > record.skin:
        out.append(
            f"{NAME} has a skin that is up to {mm(record.skin_held, '.3f')} off, more than the {mm(record.skin, 'g')} "
            "asked."
        )
    if CUT_OFF_RIGHT * spacing > record.skin and any(share.kind == "skin" for share in record.by_kind):
        out.append(
            f"{NAME} has the edges within its skin as the scan has them, whose facets are {mm(spacing, '.1f')} long "
            f"and cut off a right angle by about {mm(CUT_OFF_RIGHT * spacing, '.2f')}; its skin is within "
            f"{mm(record.skin, 'g')} of the scan, not of such edges."
        )
    return [*out, *_volume_cautions(record)]


def _volume_cautions(record: SolidRecord) -> list[str]:
    if record.volume is None or record.volume_of_light_mesh is None:
        return []
    if record.volume <= 0:
        return [f"{NAME} has no positive volume: the scan is inside out or passes through itself."]
    curved = sum(s.area for s in record.by_kind if s.kind in names_of(lambda kind: not kind.flat))
    chords = curved * record.skin + _VOLUME_SHARE * record.volume
    off = record.volume - record.volume_of_light_mesh
    if abs(off) <= chords:
        return []
    return [
        f"{NAME} holds {mm3(off, '+.0f')} against the light mesh, more than its chords explain: look at it closely."
    ]
