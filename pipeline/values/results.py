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
from pipeline.values.joined import SetUpJoin
from pipeline.values.names import NameBook
from pipeline.values.sketches import Flange
from pipeline.values.surface import Surface

if TYPE_CHECKING:  # only types: the compiler, which geometry brings along, takes a second to import
    from pipeline.geometry import Bytes, Floats, Ints, Singles

if TYPE_CHECKING:
    from pipeline.job import Job
    from pipeline.part_frame import ReadPlace


@dataclass(frozen=True)
class ReadResult:
    """The scan as read.

    surface   welded, in mm
    source    where it came from, its noise and its size
    cautions  in sentences
    """

    surface: Surface
    source: Source
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class CleanResult:
    """The scan without what isn't the part.

    surface   what is left, facets turned outwards
    removals  what was taken away or mended
    area_in   mm2, of the scan before
    cautions  in sentences
    """

    surface: Surface
    removals: tuple[Removal, ...]
    area_in: float
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Taken:
    """What was taken for a place that the job names.

    setting   where the place stands in the job: "measured 1", "frame.A"
    place     (3,) mm
    feature   id of the feature, or of the gap, that was taken
    distance  mm of the place from its surface or axis
    """

    setting: str
    place: Floats
    feature: str
    distance: float


@dataclass(frozen=True)
class RecoverResult:
    """The features of the cleaned surface, and their patterns.

    features   in the order that labels refer to
    labels     (m,) int32: index into `features` of the facet, -1 none; facets of the cleaned surface
    noise      what the scan's large faces say about its noise
    rejected   patches that were looked at and not made features
    patterns   of several
    measured   sizes measured on the real part against the scan's
    cautions   in sentences
    book       the numbers that were given, as the next run needs them
    taken      for places of the job's measured sizes
    """

    features: tuple[Feature, ...]
    labels: Ints
    noise: NoiseModel
    rejected: tuple[Rejected, ...] = ()
    patterns: tuple[Pattern, ...] = ()
    measured: tuple[SizeCheck, ...] = ()
    cautions: tuple[str, ...] = ()
    book: NameBook = field(default_factory=NameBook)
    taken: tuple[Taken, ...] = ()


SEAM = 255
"""In `JoinResult.scan`: a facet that closes a seam between scans, on points of both."""


@dataclass(frozen=True)
class JoinResult:
    """All set-ups of the part together; scan coordinates are those of the job's own scan.

    clean    the surface: of each place the facets of the set-up that saw it best
    recover  features fitted on all set-ups together; labels are of that surface
    scan     (m,) uint8 which set-up a facet is of, 0 the job's own scan, SEAM of none: it joins points of two
    seen     for each feature the set-ups that saw it, 1 the job's own scan
    set_ups  where the others lie
    cautions in sentences
    book     the numbers that were given, as the next run needs them
    """

    clean: CleanResult
    recover: RecoverResult
    scan: Bytes
    seen: tuple[tuple[int, ...], ...]
    set_ups: tuple[SetUpJoin, ...]
    cautions: tuple[str, ...] = field(default=())
    book: NameBook = field(default_factory=NameBook)


@dataclass(frozen=True)
class SizeCheck:
    """A size measured on the real part against the scan's; mm.

    feature               its id; of a distance or a thickness the first, `other` the second
    measured              on the part; `measured_uncertainty` k = 1
    scanned               of the scan; `scanned_uncertainty` k = 1; None where there is none
    agrees                whether the two agree; None where it can't be told
    note                  why, in words
    what                  "diameter" | "distance" | "thickness"
    instrument            in the user's words
    """

    feature: str
    measured: float
    measured_uncertainty: float
    scanned: float | None
    scanned_uncertainty: float | None
    agrees: bool | None
    note: str = ""
    what: str = "diameter"
    other: str | None = None
    instrument: str = ""


@dataclass(frozen=True)
class ToMeasure:
    """A size worth measuring on the part, since something hangs on it; mm.

    features  one id of a diameter, two of a distance
    what      "diameter" | "distance" | "thickness"
    why       what hangs on it
    how       with what, where, and what that tells beyond the size
    size      of the scan, and sigma its standard uncertainty; None where it has none
    open      95 % either way of the scan's size as a share of the tolerance that hangs on it; None where it has none
    instrument, rows, columns  of the table to fill in by the machine
    """

    features: tuple[str, ...]
    what: str
    why: str
    how: str
    size: float
    sigma: float | None
    open: float | None
    instrument: str
    rows: tuple[str, ...]
    columns: tuple[str, ...]


@dataclass(frozen=True)
class FillResult:
    """The surface with filled facets appended after the measured ones.

    surface    (m,) facets, `origin` says which are filled
    labels     (m,) int32: index of the feature, -1 none, for all of them
    gaps       the boundary loops, and what was done with each
    proposals  patches that look as if they were not the part
    cautions   in sentences
    carved     what was taken out inside bores before the gaps were looked for
    book       that of the recover stage, with the gaps' numbers
    """

    surface: Surface
    labels: Ints
    gaps: tuple[Gap, ...]
    proposals: tuple[Proposal, ...] = ()
    cautions: tuple[str, ...] = ()
    carved: tuple[Removal, ...] = ()
    book: NameBook = field(default_factory=NameBook)


@dataclass(frozen=True)
class FrameResult:
    """The part frame, and what refers to it.

    frame        the datum system and its matrix
    proposals    other frames that the part offers, best first
    cautions     in sentences
    flanges      flat faces with outlines and holes, ready to draw
    suggestions  standard sizes near measured ones
    square_up    how far features are from parallel, square or coaxial to the datums
    in_part      each feature in part coordinates
    taken        for places in the job's datums
    relations    of two features each
    tests        how many deviations were held against nothing, in square_up and relations together
    to_measure   sizes worth measuring on the part, what gains most first
    """

    frame: Frame
    proposals: tuple[Frame, ...] = ()
    cautions: tuple[str, ...] = ()
    flanges: tuple[Flange, ...] = ()
    suggestions: tuple[SizeSuggestion, ...] = ()
    square_up: tuple[SquareUp, ...] = ()
    in_part: tuple[InPart, ...] = ()
    taken: tuple[Taken, ...] = ()
    relations: tuple[Relation, ...] = ()
    tests: int = 0
    to_measure: tuple[ToMeasure, ...] = ()


@dataclass(frozen=True)
class LightenResult:
    """The light surface.

    surface   in scan coordinates
    labels    (m,) int32: index of the feature that a facet lies on, -1 none
    bound_by  what bound the facet count, in words
    cautions  in sentences
    left      (k,) int32: vertices of the filled scan that were not put onto their features, lest facets cross
    sharp     whether rounded edges between features were made sharp
    """

    surface: Surface
    labels: Ints
    bound_by: str
    cautions: tuple[str, ...] = ()
    left: Ints | tuple[()] = ()
    sharp: bool = False


@dataclass(frozen=True)
class AuditResult:
    """What lightening cost, as figures and for pictures.

    audit             the figures
    vertex_deviation  (n,) float32: signed distance of each light vertex to the scan, mm
    """

    audit: Audit
    vertex_deviation: Singles


@dataclass(frozen=True)
class ExportResult:
    """What was written.

    files     names of the files in the output folder
    cautions  in sentences
    """

    files: tuple[str, ...]
    cautions: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class Outcome:
    """All that the outputs are written from; of the early stages only the small parts, not their surfaces.

    job        as run
    source, removals, area_in, recover, gaps, proposals, frame, lighten, audit  of the stages' results
    cautions   of all stages in their order, each once
    measured   the cleaned scan, whose facets recover.labels tell of: for the report's residual maps only
    places     points of the job as they were read; kept_places: those of other jobs, for later runs
    join       where the set-ups of a job lie; None of one scan
    ladder     the curve that an earlier ladder of facet counts left, SVG text; None where there is none
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
    places: tuple[ReadPlace, ...] = ()
    kept_places: tuple[ReadPlace, ...] = ()
    join: JoinResult | None = None
