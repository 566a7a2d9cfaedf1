"""Flanges as records."""

from __future__ import annotations

from typing import Any

from pipeline.formats.datum_file.figures import known, known_place, matrix, place, plain
from pipeline.formats.datum_file.records import (
    FlangeRecord,
    HolePatternRecord,
    HoleRecord,
    OutlineRecord,
    SegmentRecord,
    ThicknessRecord,
)
from pipeline.values import Flange, Hole, HolePattern, Outline, Segment, Thickness


def flange_record(flange: Flange) -> FlangeRecord:
    """A flange in the file's units; its outlines and holes stay in its own sketch."""
    return FlangeRecord(
        feature=flange.feature,
        matrix=matrix(flange.matrix),
        origin_at=flange.origin_at,
        outer=None if flange.outer is None else _outline(flange.outer),
        inner=tuple(_outline(outline) for outline in flange.inner),
        holes=tuple(_hole(hole) for hole in flange.holes),
        patterns=tuple(_pattern(pattern) for pattern in flange.patterns),
        cautions=flange.cautions,
        **_given(thickness=None if flange.thickness is None else _thickness(flange.thickness)),
    )


def _given(**values: Any) -> dict[str, Any]:
    """Those that are there: the others are left out of the file."""
    return {name: value for name, value in values.items() if value is not None}


def _outline(outline: Outline) -> OutlineRecord:
    return OutlineRecord(
        segments=tuple(_segment(segment) for segment in outline.segments),
        rms=known(outline.rms),
        rounding=known(outline.rounding),
        tolerance=known(outline.tolerance),
        broken=outline.broken,
        **_given(what=outline.what),
    )


def _segment(segment: Segment) -> SegmentRecord:
    return SegmentRecord(
        kind=segment.kind,  # type: ignore[arg-type]  # held by the record
        start=known_place(segment.start),
        end=known_place(segment.end),
        centre=place(segment.centre),
        radius=plain(segment.radius),
        ccw=segment.ccw,
        points=None if segment.points is None else tuple(known_place(p) for p in segment.points),
        feature=segment.feature,
    )


def _hole(hole: Hole) -> HoleRecord:
    return HoleRecord(
        feature=hole.feature,
        place=known_place(hole.place),
        diameter=known(hole.diameter),
        depth_seen=known(hole.depth_seen),
        tilt=known(hole.tilt, degrees=True),
        place_uncertainty=plain(hole.place_uncertainty),
        diameter_uncertainty=plain(hole.diameter_uncertainty),
        **_given(end=hole.end, depth=plain(hole.depth), edge=plain(hole.edge), thickness=plain(hole.thickness)),
    )


def _pattern(pattern: HolePattern) -> HolePatternRecord:
    return HolePatternRecord(
        kind=pattern.kind,
        members=pattern.members,
        centre=known_place(pattern.centre),
        rms=known(pattern.rms),
        diameter=plain(pattern.diameter),
        count=pattern.count,
        missing=pattern.missing,
        phase=plain(pattern.phase, degrees=True),
        size=place(pattern.size),
        gaps_at=() if pattern.gaps_at is None else tuple(known_place(p) for p in pattern.gaps_at),
        **_given(
            size_uncertainty=plain(pattern.size_sigma), phase_uncertainty=plain(pattern.phase_sigma, degrees=True)
        ),
    )


def _thickness(thickness: Thickness) -> ThicknessRecord:
    return ThicknessRecord(
        least=known(thickness.least),
        middle=known(thickness.middle),
        most=known(thickness.most),
        places=thickness.places,
        share=known(thickness.share),
        **_given(back=thickness.back),
    )
