"""What each stage returns, and all of it together.

Lengths are mm, angles radians, directions unit vectors; points are in scan coordinates (after the unit conversion
of the read stage) unless a name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.values.audit import Audit
from pipeline.values.datums import Frame, InPart, SizeSuggestion, SquareUp
from pipeline.values.features import Feature, NoiseModel, Pattern, Rejected, Relation, Source
from pipeline.values.gaps import Gap, Proposal, Removal
from pipeline.values.sketches import Flange
from pipeline.values.surface import Surface

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Ints, Singles

if TYPE_CHECKING:
    from pipeline.job import Job


@dataclass(frozen=True)
class ReadResult:
    surface: Surface
    source: Source
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class CleanResult:
    surface: Surface
    removals: tuple[Removal, ...]
    area_in: float
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class RecoverResult:
    """labels (m,) int32: index into `features` of the facet, -1 none; facets of the cleaned surface."""

    features: tuple[Feature, ...]
    labels: Ints
    noise: NoiseModel
    rejected: tuple[Rejected, ...] = ()
    relations: tuple[Relation, ...] = ()
    patterns: tuple[Pattern, ...] = ()
    calipers: tuple[CaliperCheck, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class CaliperCheck:
    """A size measured on the real part against the scan's; mm."""

    feature: str
    measured: float
    measured_uncertainty: float
    scanned: float | None
    scanned_uncertainty: float | None
    agrees: bool | None
    note: str = ""


@dataclass(frozen=True)
class FillResult:
    """The surface with filled facets appended after the measured ones; labels (m,) int32 for all of them.

    carved  what was taken out inside bores before the gaps were looked for
    """

    surface: Surface
    labels: Ints
    gaps: tuple[Gap, ...]
    proposals: tuple[Proposal, ...] = ()
    cautions: tuple[str, ...] = ()
    carved: tuple[Removal, ...] = ()


@dataclass(frozen=True)
class FrameResult:
    """proposals: other frames that the part offers, best first."""

    frame: Frame
    proposals: tuple[Frame, ...] = ()
    cautions: tuple[str, ...] = ()
    flanges: tuple[Flange, ...] = ()
    suggestions: tuple[SizeSuggestion, ...] = ()
    square_up: tuple[SquareUp, ...] = ()
    in_part: tuple[InPart, ...] = ()


@dataclass(frozen=True)
class LightenResult:
    """Light surface in scan coordinates, its labels, and in words what bound the facet count."""

    surface: Surface
    labels: Ints
    bound_by: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class AuditResult:
    """vertex_deviation (n,) float32: signed distance of each light vertex to the scan, mm, for pictures."""

    audit: Audit
    vertex_deviation: Singles


@dataclass(frozen=True)
class ExportResult:
    files: tuple[str, ...]
    cautions: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Outcome:
    """All that the outputs are written from; of the early stages only the small parts, not their surfaces.

    measured  the cleaned scan, whose facets recover.labels tell of: for the report's residual maps only
    ladder    the curve that an earlier ladder of facet counts left, SVG text; None where there is none
    cautions  of all stages in their order, each once
    """

    job: Job
    source: Source
    removals: tuple[Removal, ...]
    area_in: float
    recover: RecoverResult
    gaps: tuple[Gap, ...]
    proposals: tuple[Proposal, ...]
    frame: FrameResult
    lighten: LightenResult
    audit: AuditResult
    cautions: tuple[str, ...] = ()
    measured: Surface | None = None
    ladder: str | None = None
