"""The export stage: every output file, written whole or not at all.

All files are first written into a room of the output folder, and moved to their places one by one when the last of
them is done.
"""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import numpy as np

from pipeline.errors import GeometryError, OutputError
from pipeline.features.exclusion import inside
from pipeline.formats.datum_file import DatumFile, build, lengths_in, schema_text, text_of
from pipeline.formats.meshes_out import UNIT_COMMENTS, write_3mf, write_glb, write_obj, write_ply, write_stl
from pipeline.formats.names_file import NAMES_FILE
from pipeline.formats.tables import features_csv, relations_csv, summary_md
from pipeline.geometry import MM_PER_INCH, Bytes, Floats, Ints, transformed
from pipeline.interruption import held_back
from pipeline.job import Job, dump_job
from pipeline.mesh.query import self_intersections
from pipeline.mesh.repair import weld, zero_area_facets
from pipeline.output_folder import OutputFolder
from pipeline.part_frame import Placed
from pipeline.progress import Progress
from pipeline.values import (
    FILLED,
    SEAM,
    Audit,
    AuditResult,
    ExportResult,
    FrameResult,
    Gap,
    JoinResult,
    LightenResult,
    Outcome,
    Proposal,
    RecoverResult,
    Removal,
    Source,
    Surface,
)

# Mean edges between the middle of a facet shown and that of one of the patch that it lies on.
_ON_IT = 1.5
# Not made by an export: numbers were written when features were found, and ladders are their own command's.
OUTLIVING = (NAMES_FILE, "ladder.csv", "ladder.svg")


def export(
    job: Job,
    source: Source,
    read_cautions: tuple[str, ...],
    clean_surface: Surface,
    clean_removals: tuple[Removal, ...],
    clean_area_in: float,
    clean_cautions: tuple[str, ...],
    recover: RecoverResult,
    fill_gaps: tuple[Gap, ...],
    fill_carved: tuple[Removal, ...],
    fill_proposals: tuple[Proposal, ...],
    fill_cautions: tuple[str, ...],
    frame: FrameResult,
    lighten: LightenResult,
    audit: AuditResult,
    ladder: str | None,
    placed: Placed,
    folder: OutputFolder,
    keep: tuple[str, ...],
    progress: Progress,
    join: JoinResult | None = None,
) -> ExportResult:
    """Write all outputs into the folder; a job file of its own named in `keep` is left as it is.

    Raises OutputError when the folder can't be written; then no file in it has changed.
    """
    cautions = (
        *read_cautions,
        *clean_cautions,
        *recover.cautions,
        *fill_cautions,
        *frame.cautions,
        *lighten.cautions,
        *audit.audit.cautions,
    )
    outcome = Outcome(
        job,
        source,
        (*clean_removals, *fill_carved),
        clean_area_in,
        recover,
        fill_gaps,
        fill_proposals,
        frame,
        lighten,
        audit,
        tuple(dict.fromkeys(cautions)),
        clean_surface,
        ladder,
        placed.places,
        placed.others,
        join,
    )
    return write_outputs(outcome, folder, keep, progress)


def write_outputs(outcome: Outcome, folder: OutputFolder, keep: tuple[str, ...], progress: Progress) -> ExportResult:
    """Write what an outcome says; see `export`."""
    made = folder.room / "outputs"
    try:
        made.mkdir()
        cautions = _write_all(outcome, made, folder.path, keep, progress)
        names = _files_in(made)
    except OSError as error:
        raise OutputError(
            f"The outputs can't be written to {folder.path} ({error.strerror or error}); "
            "free some space or choose another --out."
        ) from None
    before = folder.written
    # The datum file goes first: it lists the files, so a run that is killed in between is known for what it is.
    folder.put({name: made / name for name in sorted(names, key=lambda name: name != "datums.json")})
    folder.drop(set(before) - set(names) - set(keep) - set(OUTLIVING))
    shutil.rmtree(made, ignore_errors=True)
    return ExportResult(tuple(names), cautions)


def _write_all(outcome: Outcome, folder: Path, out: Path, keep: tuple[str, ...], progress: Progress) -> tuple[str, ...]:
    """Write every file into `folder`; the cautions that come up in doing so."""
    settings = outcome.job.export
    progress(0.0, "light meshes")
    worse = _write_meshes(outcome, folder)
    data = _with_cautions(build(outcome), worse)
    if settings.step != "none":
        progress(0.3, "STEP")
        data = _with_cautions(data, _write_step(outcome, data, folder / "datums.step"))
    if settings.solid:
        data = _write_solid(outcome, data, folder, progress)
    section = ""
    if settings.dxf:
        progress(0.7, "drawings")
        data = _with_cautions(data, _write_drawings(data, folder, settings.units))
        section = _write_half_section(outcome, data, folder, settings.units)
    progress(0.9, "datum file and tables")
    _write(folder / "datums.schema.json", schema_text())
    _write(folder / "features.csv", features_csv(data, settings.units))
    _write(folder / "relations.csv", relations_csv(data, settings.units))
    job = dump_job(_as_run(outcome.job, out))
    if "job.toml" not in keep:
        _write(folder / "job.toml", job)
    if settings.report:
        progress(0.92, "report")
        _write_report(outcome, data, job, folder, section)
    names = [NAMES_FILE] if (out / NAMES_FILE).is_file() else []
    files = tuple(sorted([*_files_in(folder), "datums.json", "summary.md", *names]))
    _write(folder / "summary.md", summary_md(data, files, settings.units))
    _write(folder / "datums.json", text_of(data.model_copy(update={"files": files})))
    return tuple(text for text in data.cautions if text not in outcome.cautions)


def _with_cautions(data: DatumFile, cautions: list[str]) -> DatumFile:
    return data.model_copy(update={"cautions": (*data.cautions, *cautions)})


def _write(path: Path, text: str) -> None:
    """As UTF-8, with the line ends that the text has, on every system."""
    path.write_bytes(text.encode("utf-8"))


def _worse_in_stl(vertices: Floats, surface: Surface, audit: Audit) -> list[str]:
    """A caution where single precision, which is all that STL has, spoils the light mesh at vertices (n, 3)."""
    welded, faces = weld(vertices.astype(np.float32)[surface.faces])
    crossing = len(np.unique(self_intersections(welded, faces)))
    known = 0 if audit.soundness is None else audit.soundness.crossing[1]
    harm = [
        (len(np.unique(surface.faces)) - len(welded), "vertices fall together"),
        (int(zero_area_facets(welded, faces).sum()), "facets have no area"),
        (crossing - known, "more facets pass through others"),
    ]
    told = [f"{count:,} {what}" for count, what in harm if count > 0]
    if not told:
        return []
    return [f"In the single precision of light.stl {', '.join(told)}; take light.ply, which has double precision."]


def _write_meshes(outcome: Outcome, folder: Path) -> list[str]:
    """Write the light mesh in all its formats; cautions."""
    surface, labels = outcome.lighten.surface, outcome.lighten.labels
    features = outcome.recover.features
    settings = outcome.job.export
    unit = settings.units
    in_part = transformed(outcome.frame.frame.matrix, surface.vertices)
    sized = in_part if unit == "mm" else in_part / MM_PER_INCH
    order = f"feature counts into: {' '.join(f.id for f in features)}; -1 none"
    of_part, of_scan = UNIT_COMMENTS
    write_stl(folder / "light.stl", sized, surface.faces, unit)
    worse = _worse_in_stl(sized, surface, outcome.audit.audit)
    comments = (f"{of_part}{unit}", order)
    scan = _scan_of(surface, outcome)
    write_ply(folder / "light.ply", sized, surface.faces, labels, surface.origin, comments, scan)
    comments = (f"{of_scan}mm", order)
    write_ply(folder / "light-scan.ply", surface.vertices, surface.faces, labels, surface.origin, comments, scan)
    if "obj" in settings.meshes:
        names = [f.id for f in features]
        write_obj(folder / "light.obj", sized, surface.faces, labels, names, unit)
    if "3mf" in settings.meshes:
        write_3mf(folder / "light.3mf", sized, surface.faces, unit)
    if "glb" in settings.meshes:
        write_glb(folder / "light.glb", in_part, surface.faces)
    return worse


def _scan_of(light: Surface, outcome: Outcome) -> Bytes | None:
    """(m,) the set-up whose facet is nearest to each light one, 1 the job's own scan, 0 what was filled or closes a
    seam between scans; None of one scan."""
    if outcome.join is None:
        return None
    from scipy.spatial import cKDTree

    whole = outcome.join.clean.surface
    tree = cKDTree(whole.vertices[whole.faces].mean(axis=1))
    _, nearest = tree.query(light.vertices[light.faces].mean(axis=1))
    whose = outcome.join.scan[nearest]
    return np.where((whose == SEAM) | (light.origin == FILLED), 0, whose + 1).astype(np.uint8)


def _write_step(outcome: Outcome, data: DatumFile, path: Path) -> list[str]:
    try:
        with held_back():
            from pipeline.formats.step import Seen, write_step
    except ImportError as error:
        return [f"datums.step was not written: the CAD kernel does not start here ({error}); see the README's set-up."]
    surface, measured = outcome.lighten.surface, outcome.lighten.surface.origin != FILLED
    in_part = transformed(outcome.frame.frame.matrix, surface.vertices)
    seen = Seen(in_part, surface.faces[measured], outcome.lighten.labels[measured])
    faceless = write_step(path, data, seen, outcome.job.export.step)
    return (
        [
            f"datums.step has no face for {', '.join(faceless)}: too little of it is on the light mesh, or its border "
            "touches itself."
        ]
        if faceless
        else []
    )


def _write_solid(outcome: Outcome, data: DatumFile, folder: Path, progress: Progress) -> DatumFile:
    """The datum file with what there is to tell of the solid, or why there is none."""
    try:
        with held_back():
            from pipeline.formats.solid import NAME, make_part, with_solid
    except ImportError as error:
        return _with_cautions(
            data,
            [f"part.step was not written: the CAD kernel does not start here ({error}); see the README's set-up."],
        )
    from pipeline.palette import feature_looks, look_colour

    settings, light = outcome.job.export, outcome.lighten
    in_part = transformed(outcome.frame.frame.matrix, light.surface.vertices)
    surface = Surface(in_part, light.surface.faces, light.surface.origin)
    try:
        report = make_part(
            folder / NAME, data, surface, light.labels, settings.skin,
            schema="AP214" if settings.step == "AP214" else "AP242", unsure=settings.unsure,
            colours={name: look_colour(name) for name in feature_looks()},
            progress=lambda share, text="": progress(0.4 + 0.3 * share, text),
        )  # fmt: skip
    except GeometryError as error:
        return _with_cautions(data, [f"part.step was not written. {error}"])
    return with_solid(data, report)


def _write_report(outcome: Outcome, data: DatumFile, job: str, folder: Path, section: str) -> None:
    from pipeline.features.simplification import preview
    from pipeline.report import Shown, residual_maps, write_report

    light, recover, measured = outcome.lighten, outcome.recover, outcome.measured
    seen = preview(light.surface, light.labels, outcome.audit.vertex_deviation, recover.features)
    in_part = transformed(outcome.frame.frame.matrix, seen.surface.vertices)
    thinned = seen.surface.facets < light.surface.facets
    centroids = seen.surface.vertices[seen.surface.faces].mean(axis=1)
    suspects = tuple(inside(proposal.zone, centroids) for proposal in outcome.proposals)
    # What is round a gap: as far again as its middle is from its rim.
    closings = tuple(
        np.linalg.norm(centroids - gap.centre, axis=1) < gap.length / np.pi for gap in outcome.gaps if gap.proposed
    )
    refused = None if measured is None else _refused_on(seen.surface, seen.labels, recover, measured, outcome.source)
    shown = Shown(
        in_part,
        seen.surface.faces,
        seen.labels,
        seen.surface.origin,
        seen.deviation,
        thinned,
        suspects,
        refused=refused,
        closings=closings,
    )
    maps = () if measured is None else residual_maps(measured, recover.labels, recover.features)
    write_report(data, shown, maps, job, folder, outcome.job.export.units, outcome.ladder, section)


def _refused_on(shown: Surface, labels: Ints, recover: RecoverResult, measured: Surface, source: Source) -> Ints | None:
    """(m,) number of the listed refused surface that a facet lies on, 0 none; None where none is listed."""
    from scipy.spatial import cKDTree

    listed = [r for r in recover.rejected if r.number is not None and r.facets is not None and len(r.facets)]
    if not listed:
        return None
    facets = np.concatenate([r.facets for r in listed if r.facets is not None])
    numbers = np.concatenate([np.full(len(r.facets), r.number) for r in listed if r.facets is not None])
    out = np.zeros(shown.facets, dtype=np.int32)
    free = np.flatnonzero((labels < 0) & (shown.origin != FILLED))
    centres = shown.vertices[shown.faces[free]].mean(axis=1)
    tree = cKDTree(measured.vertices[measured.faces[facets]].mean(axis=1))
    away, nearest = tree.query(centres, distance_upper_bound=_ON_IT * source.mean_edge)
    near = np.isfinite(away)
    out[free[near]] = numbers[nearest[near]]
    return out


def _write_drawings(data: DatumFile, folder: Path, unit: str) -> list[str]:
    from pipeline.formats.drawings import pages_for, sheet_of, write_dxf, write_print

    cautions = []
    data = lengths_in(data, unit)
    for number, flange in enumerate(data.flanges, 1):
        drawn = sheet_of(flange, data, unit, (number, len(data.flanges)))
        if not drawn.front:
            cautions.append(f"No drawing of the flange {flange.feature}: no clean outline and no hole was found on it.")
            continue
        stem = f"flange-{re.sub(r'[^A-Za-z0-9._-]', '_', flange.feature)}"
        write_dxf(folder / f"{stem}.dxf", (*drawn.front, *drawn.below), unit)
        pages = pages_for(drawn.front, drawn.below, unit)
        if pages is None:
            cautions.append(f"No 1:1 print of the flange {flange.feature}: it is larger than any sheet; use its DXF.")
            continue
        if not pages.sheet.common:
            size = f"The print of the flange {flange.feature} needs a sheet {pages.sheet.name} at 100 %"
            cautions.append(f"{size}: on smaller paper it is not 1:1.")
        write_print(folder / f"{stem}.pdf", pages, f"Flange {flange.feature}", unit)
    return cautions


def _write_half_section(outcome: Outcome, data: DatumFile, folder: Path, unit: str) -> str:
    """Write section.dxf where the part has a main axis; the same as SVG, "" where it has none."""
    from pipeline.formats.drawings import Body, section_of, svg_of, write_dxf

    light = outcome.lighten
    in_part = transformed(outcome.frame.frame.matrix, light.surface.vertices)
    drawn = section_of(
        lengths_in(data, unit), Body(in_part, light.surface.faces, light.labels, light.surface.origin), unit
    )
    if not drawn:
        return ""
    write_dxf(folder / "section.dxf", drawn, unit)
    return svg_of(drawn, "Half-section along the main axis")


def _as_run(job: Job, out: Path) -> Job:
    """The job with its paths as seen from the output folder, so that the two can be moved together."""
    set_ups = tuple(one.model_copy(update={"scan": _seen_from(one.scan, out)}) for one in job.set_up)
    return job.model_copy(update={"scan": _seen_from(job.scan, out), "set_up": set_ups, "out": Path(".")})


def _seen_from(scan: Path, out: Path) -> Path:
    try:
        return Path(Path(os.path.relpath(scan.resolve(), out.resolve())).as_posix())
    except ValueError:  # another drive
        return Path(scan.resolve().as_posix())


def _files_in(folder: Path) -> list[str]:
    """Names of all files below `folder`, with forward slashes, sorted."""
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
