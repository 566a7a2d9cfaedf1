"""The job file: what to do with one scan, one settings class per stage.

A job is TOML; `load_job` reads it, `Job` checks it, `dump_job` spells every default out again. Lengths
are mm and angles degrees here, since this is the file that the user writes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

import tomlkit
from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    SerializerFunctionWrapHandler,
    field_validator,
    model_serializer,
    model_validator,
)
from tomlkit.items import Table

from pipeline.errors import SettingsError
from pipeline.places import Length, Place, Point, in_words, place_or_name
from pipeline.settings_file import Settings, checked, plain_toml

Row = tuple[float, float, float, float]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class ReadSettings(Settings):
    """units "auto" takes the unit that the file states (3MF, glTF), else millimetres. scale_uncertainty: of the
    scanner's own scale, mm per m, standard (k = 1), from its calibration; it goes into every size and distance."""

    units: Literal["auto", "mm", "cm", "m", "in"] = "auto"
    scale_uncertainty: Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)] | None = None


class Zone(Settings):
    """A region whose facets are not the part.

    shape box: `low`, `high`; cylinder: `start`, `end`, `radius`; sphere: `centre`, `radius`;
    half-space: `point`, `direction` (what lies on the side that `direction` points to is left out);
    inside: `feature`, `beyond` (what lies inside that bore, more than `beyond` mm from its mouth).

    Points and the direction are in part coordinates, or all of them "scan: [x, y, z]" (`coordinates` = "scan" says the
    same of all at once). part_frame: which part coordinates, the four rows of `frame.matrix` of a datums.json; None
    takes those of the last run.

    >>> Zone.model_validate({"shape": "sphere", "centre": "scan: [0, 1.5, -2]", "radius": 3}).coordinates
    'scan'
    """

    POINTS: ClassVar = ("low", "high", "start", "end", "centre", "point", "direction")

    shape: Literal["box", "cylinder", "sphere", "half-space", "inside"]
    coordinates: Literal["scan", "part"] = "part"
    low: Point | None = None
    high: Point | None = None
    start: Point | None = None
    end: Point | None = None
    centre: Point | None = None
    radius: Positive | None = None
    point: Point | None = None
    direction: Point | None = None
    feature: str | None = None
    beyond: NotNegative | None = None
    part_frame: tuple[Row, Row, Row, Row] | None = None

    @model_validator(mode="before")
    @classmethod
    def _placed(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        marked = {k: Place.model_validate(data[k]) for k in cls.POINTS if isinstance(data.get(k), str)}
        if any(place.coordinates == "scan" for place in marked.values()):
            given = [k for k in cls.POINTS if data.get(k) is not None]
            plain = [k for k in given if k not in marked or marked[k].coordinates != "scan"]
            if data.get("coordinates") == "part" or plain:
                raise ValueError(f'points of a zone are all "scan: [x, y, z]" or none is: look at {", ".join(given)}')
            data = {**data, "coordinates": "scan"}
        elif "direction" in marked:
            raise ValueError("a direction has no unit; write it as [x, y, z]")
        elif marked:
            data = {**data, "coordinates": "part"}
        return {**data, **{k: place.at for k, place in marked.items()}}

    @model_validator(mode="after")
    def _complete(self) -> Zone:
        needs = {
            "box": ("low", "high"),
            "cylinder": ("start", "end", "radius"),
            "sphere": ("centre", "radius"),
            "half-space": ("point", "direction"),
            "inside": ("feature", "beyond"),
        }[self.shape]
        missing = [name for name in needs if getattr(self, name) is None]
        if missing:
            raise ValueError(f"a zone of shape {self.shape!r} needs {', '.join(missing)}")
        if self.shape == "cylinder" and self.start == self.end:
            raise ValueError("a zone of shape 'cylinder' needs a length: start and end are the same point")
        if self.shape == "half-space" and not any(self.direction or ()):
            raise ValueError("a zone of shape 'half-space' needs a direction other than [0, 0, 0]")
        if self.part_frame is not None and not is_rigid(self.part_frame):
            raise ValueError("part_frame must be frame.matrix of a datums.json: a rotation and a shift")
        return self

    @model_serializer(mode="wrap")
    def _marked(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        made = {key: value for key, value in handler(self).items() if key != "coordinates"}
        points = {k: list(made[k]) for k in self.POINTS if made.get(k) is not None}
        if self.coordinates == "scan":
            return made | {k: f"scan: {point}" for k, point in points.items()}
        return made | ({"coordinates": "part"} if points else {})

    @property
    def open_points(self) -> tuple[Point, ...]:
        """Its points that are in part coordinates of the last run, mm; directions are none."""
        if self.coordinates == "scan" or self.part_frame is not None:
            return ()
        return tuple(v for k in self.POINTS if k != "direction" and (v := getattr(self, k)) is not None)


class CleanSettings(Settings):
    """debris_share: loose pieces smaller than this share of the whole area are removed as debris."""

    debris_share: Annotated[float, Field(ge=0, le=0.5)] = 0.005
    exclude: tuple[Zone, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _moved(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("part_frame") is not None:
            raise ValueError(
                "part_frame stands in each zone now, and only where a zone is not in part coordinates of the last run; "
                'move it there, and mark the points of zones in scan coordinates "scan: [x, y, z]"'
            )
        return data


def is_rigid(rows: tuple[Row, ...]) -> bool:
    turn = [row[:3] for row in rows[:3]]
    products = [sum(a * b for a, b in zip(p, q, strict=True)) for p in turn for q in turn]
    unit = [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]
    (a, b, c), (d, e, f), (g, h, i) = turn
    right_handed = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g) > 0
    same = all(abs(p - u) < 1e-6 for p, u in zip(products, unit, strict=True))
    return right_handed and same and rows[3] == (0.0, 0.0, 0.0, 1.0)


def _all_kinds() -> tuple[str, ...]:
    # The registry brings the compiler along, which most commands don't want.
    from pipeline.surfaces import names_of

    return names_of()


def _known_kind(name: str) -> str:
    """The kind that a word of the outputs means: its own name, or what a shop calls it."""
    from pipeline.surfaces import KINDS, is_word_for

    for kind in KINDS.values():
        if is_word_for(kind, name):
            return kind.name
    *others, last = (repr(kind) for kind in _all_kinds())
    raise ValueError(f"input should be {', '.join(others)} or {last}")


KindName = Annotated[str, AfterValidator(_known_kind)]


def _without_nul(path: Path) -> Path:
    if "\0" in str(path):
        raise ValueError("no file can have that name")
    return path


FilePath = Annotated[Path, AfterValidator(_without_nul)]


class Accept(Settings):
    """A refused surface that is to be a feature all the same, of low confidence: where it is, and what kind it is.

    near: a point on it, mm, as the report gives it beside its number. radius: mm, within 5 %, where surfaces of one
    kind lie close together.
    """

    near: Place
    kind: KindName
    radius: Positive | None = None


class RecoverSettings(Settings):
    """kinds that are looked for, by default all; coating_thickness mm on every scanned face; min_area mm2 below which
    no feature is looked for; list_refused mm2 from which on a refused surface is listed in report and summary; accept
    makes features of refused surfaces."""

    kinds: tuple[KindName, ...] = Field(default_factory=_all_kinds, min_length=1)
    coating_thickness: NotNegative = 0.0
    min_area: NotNegative = 0.0
    list_refused: NotNegative = 60.0
    accept: tuple[Accept, ...] = ()


FeatureOrPlace = Annotated[Place | str, BeforeValidator(place_or_name)]


class Measured(Settings):
    """A size that the user measured on the real part.

    what         diameter of one feature; distance between two faces or axes; thickness of the metal between two faces
    features     one or two of them, each by its number, by its name, or by a place as in `Place`: the nearest
    value        mm, or "2.4411 in"; so is uncertainty, of the measuring, standard (k = 1)
    instrument   what it was measured with, in the user's words
    """

    what: Literal["diameter", "distance", "thickness"]
    features: tuple[FeatureOrPlace, ...]
    value: Length
    uncertainty: Length
    instrument: str = ""

    @field_validator("features", mode="before")
    @classmethod
    def _listed(cls, data: Any) -> Any:
        one_place = isinstance(data, (list, tuple)) and len(data) == 3 and all(isinstance(v, int | float) for v in data)
        return [data] if one_place or isinstance(data, str | Place) else data

    @model_validator(mode="after")
    def _as_many(self) -> Measured:
        wanted = 1 if self.what == "diameter" else 2
        if len(self.features) != wanted:
            told = 'one feature, as features = ["H1"]' if wanted == 1 else 'two features, as features = ["F1", "F2"]'
            raise ValueError(f"a {self.what} is measured on {told}")
        return self


class Refit(Settings):
    """A feature to be fitted again under what the user vouches for; features by id or by a name of [names].

    parallel_to, square_to: another feature that gives the direction. Faces and axes are meant as on a drawing: a bore
    is square to a face when its axis is along the face's normal. radius: mm, of the real part.
    """

    feature: str
    parallel_to: str | None = None
    square_to: str | None = None
    radius: Positive | None = None

    @model_validator(mode="after")
    def _some(self) -> Refit:
        if self.parallel_to is None and self.square_to is None and self.radius is None:
            raise ValueError("a refit needs parallel_to, square_to or radius")
        if self.parallel_to is not None and self.square_to is not None:
            raise ValueError("a refit takes either parallel_to or square_to")
        return self


class Across(Settings):
    """A size measured over two parallel faces, one of the job's own scan and one of the set-up, by the numbers that a
    run of each scan alone gives them; mm, or "1.378 in"; the uncertainty is that of the measuring, standard (k = 1)."""

    faces: tuple[str, str]
    distance: Length
    uncertainty: Length


class Ball(Settings):
    """Reference balls that were stuck to the part, or to a frame clamped to it, before it was scanned: set-ups are laid
    on each other by them first, and they are taken out after. mm, or "0.7874 in".

    diameter     of each, and its standard uncertainty (k = 1)
    count        how many there are of this diameter; three tell a place, a fourth checks it
    """

    diameter: Length
    uncertainty: Length
    count: int = Field(ge=1)

    @model_validator(mode="after")
    def _positive(self) -> Ball:
        if not 0.0 < self.uncertainty.mm < 0.1 * self.diameter.mm:
            raise ValueError("the uncertainty of a ball's diameter is above 0 and below a tenth of it")
        return self


class SetUp(Settings):
    """Another scan of the part, from another side; it is laid on the job's own one by what both show.

    scan         its mesh file
    units        of its coordinates; None: as the job's own scan
    same         pairs of features that are one, of the job's own scan and of this one, by the numbers that a run of
                 each scan alone gives them: where several places are as good as each other
    turned_over  the part was turned over: it does not show the side that the job's own scan shows
    across       sizes measured over a face of each: where what both show lets it slide
    exclude      zones of it that are not the part, in its own coordinates: "scan: [x, y, z]"
    """

    scan: FilePath
    units: Literal["auto", "mm", "cm", "m", "in"] | None = None
    same: tuple[tuple[str, str], ...] = ()
    turned_over: bool = False
    across: tuple[Across, ...] = ()
    exclude: tuple[Zone, ...] = ()

    @field_validator("exclude")
    @classmethod
    def _its_own(cls, zones: tuple[Zone, ...]) -> tuple[Zone, ...]:
        if any(zone.shape == "inside" or zone.open_points or zone.part_frame is not None for zone in zones):
            raise ValueError('zones of a set-up are in its own coordinates: write their points as "scan: [x, y, z]"')
        return zones


class GapChoice(Settings):
    """What to do with one gap, by its id."""

    id: str
    do: Literal["close", "leave", "cap"]


class FillSettings(Settings):
    """watertight caps what is still open flat, marked as filled.

    ask_above  mm2: a gap larger than this is closed unasked only where nothing speaks against it; else its closing is
               proposed, with a picture
    """

    close: Literal["safe", "none"] = "safe"
    ask_above: Annotated[float, Field(ge=0.0)] = 100.0
    watertight: bool = False
    gaps: tuple[GapChoice, ...] = ()


def _words(text: str) -> str:
    return in_words(text, lambda place: place)


Words = Annotated[str, AfterValidator(_words)]


class FrameSettings(Settings):
    """Datums in their order, and the user's words for two axes; None lets the stage choose.

    A, B, C  a feature's number, a name from [names], or "bore nearest [x, y, z]" (bore, hole, outside diameter, face,
             or a kind's name; a place as in `Place`, "bore nearest scan: [x, y, z]"); or made of such: "middle of U and
             V", "common axis of U and V", "pitch circle of U and V and W", "centre of U", "crossing of U and V",
             "point [x, y, z]"
    x, z     "out of A", "into A" (faces), "along B", "against B" (axes), "towards C", "away from C"
    """

    A: Words | None = None
    B: Words | None = None
    C: Words | None = None
    x: str | None = None
    z: str | None = None


class LightenSettings(Settings):
    """To a count, to a tolerance (mm, two-sided, scan noise removed), or to whichever of both binds.

    Neither given means 100,000 facets.
    """

    # No mesh has more than can be numbered.
    facets: Annotated[int, Field(ge=100, le=700_000_000)] | None = None
    tolerance: Positive | None = None
    edges: Literal["as-scanned", "sharp"] = "as-scanned"

    @model_validator(mode="before")
    @classmethod
    def _some_goal(cls, data: Any) -> Any:
        if isinstance(data, dict) and data.get("facets") is None and data.get("tolerance") is None:
            return {**data, "facets": 100_000}
        return data


class AuditSettings(Settings):
    """The budget, mm (tilt in degrees); None asks nothing.

    second_opinion  have another library measure the distances as well, and say where it doesn't agree
    """

    max_deviation: Positive | None = None
    max_axis_shift: Positive | None = None
    max_radius_change: Positive | None = None
    max_tilt: Positive | None = None
    second_opinion: bool = False


class ExportSettings(Settings):
    """units: of light meshes, tables, drawings, prints, summary and report; datums.json and STEP are always in mm,
    light-scan.ply in the scan's millimetres, glTF in metres. meshes: forms besides STL and PLY. dxf: a drawing and a
    1:1 print of each flange. solid: a solid with exact recovered faces, whose skin is within `skin` mm; unsure: what
    becomes of features of low confidence in it, faces of a colour of their own or skin.
    """

    units: Literal["mm", "in"] = "mm"
    meshes: tuple[Literal["obj", "3mf", "glb"], ...] = ()
    step: Literal["AP242", "AP214", "none"] = "AP242"
    dxf: bool = True
    report: bool = True
    solid: bool = False
    skin: Positive = 0.5
    unsure: Literal["faces", "skin"] = "faces"


class Job(Settings):
    """Everything that decides the result of one run, apart from the scan's content: one section a stage.

    scan     the scan's mesh file
    out      the output folder; None: beside the scan, named after it
    title    of the outputs; None: the scan's name
    read     the scan's unit, and how well the scanner's scale is known
    clean    what is no part of it
    recover  what is looked for
    set_up   further scans of the part, from other sides
    ball     reference balls that all of them show
    measured sizes measured on the real part, to hold the scan's against
    refit    features to be fitted again under what the user vouches for
    names    a feature's number and the user's name for it, either way round
    fill     what to do with gaps
    frame    the datums
    lighten  how far to thin out
    audit    the budget
    export   what to write

    Lengths in mm, angles in degrees, places in part coordinates of the last run in the output folder unless they are
    marked as `Place` says. Jobs are frozen: `model_copy(update=...)` makes another. A wrong key or value raises
    pydantic's ValidationError here, and SettingsError from a file (`load_job`).

    >>> job = Job(scan="housing.stl", lighten={"tolerance": 0.05}, names={"H1": "main bore"})
    >>> job.lighten.tolerance, job.lighten.facets, job.frame.A, job.export.units
    (0.05, None, None, 'mm')
    """

    scan: FilePath
    out: Path | None = None
    title: str | None = None
    read: ReadSettings = ReadSettings()
    clean: CleanSettings = CleanSettings()
    recover: RecoverSettings = Field(default_factory=RecoverSettings)
    set_up: tuple[SetUp, ...] = ()
    ball: tuple[Ball, ...] = ()
    measured: tuple[Measured, ...] = ()
    refit: tuple[Refit, ...] = ()
    names: dict[str, str] = Field(default_factory=dict)
    fill: FillSettings = FillSettings()
    frame: FrameSettings = FrameSettings()
    lighten: LightenSettings = LightenSettings(facets=100_000)
    audit: AuditSettings = AuditSettings()
    export: ExportSettings = ExportSettings()

    @model_validator(mode="after")
    def _balls_join(self) -> Job:
        if self.ball and not self.set_up:
            raise ValueError("[[ball]] is for a job of several scans: name the others, each under [[set_up]]")
        if self.ball and sum(ball.count for ball in self.ball) < 3:
            raise ValueError("three reference balls are needed to tell a place; one or two leave it free to turn")
        return self


def load_job(path: str | Path) -> Job:
    r"""Read a job file; relative paths in it are taken from the job file's folder.

    Raises InputError when the file can't be read or isn't TOML, SettingsError when a key or value is wrong.

    >>> import tempfile
    >>> from pipeline.errors import SettingsError
    >>> path = Path(tempfile.mkdtemp()) / "job.toml"
    >>> _ = path.write_text('''scan = "housing.stl"
    ... [audit]
    ... max_deviation = 0.1
    ... ''')
    >>> job = load_job(path)
    >>> job.scan == path.resolve().parent / "housing.stl", job.audit.max_deviation
    (True, 0.1)
    >>> _ = path.write_text('scan = "housing.stl"\nlihgten.facets = 5000')
    >>> try:
    ...     load_job(path)
    ... except SettingsError as error:
    ...     print(str(error).partition(": ")[2])
    there is no setting 'lihgten'; did you mean 'lighten'?
    """
    job = make_job(plain_toml(path, "job file", "make one with: datumlift new SCAN"), str(path))
    base = Path(path).resolve().parent
    updates: dict[str, Any] = {"scan": base / job.scan}
    updates["set_up"] = tuple(one.model_copy(update={"scan": base / one.scan}) for one in job.set_up)
    if job.out is not None:
        updates["out"] = base / job.out
    return job.model_copy(update=updates)


def make_job(data: dict[str, Any], where: str = "the settings") -> Job:
    """Check plain data against the job's shape; SettingsError names the first thing that is wrong."""
    if data.get("caliper"):
        raise SettingsError(_no_caliper(data, where))
    # A job as version 0.1.0 spelled it out has the empty list.
    data = {key: value for key, value in data.items() if key != "caliper"}
    job = checked(data, Job, where)
    if job.set_up and job.refit:
        raise SettingsError(
            f"{where}: a [[refit]] holds a fit to one scan, and this job has several set-ups; take the one or the "
            "other out."
        )
    if job.export.units == "in":
        _units_said(job, where)
    return job


def _units_said(job: Job, where: str) -> None:
    for number, size in enumerate(job.measured, 1):
        for key, length in (("value", size.value), ("uncertainty", size.uncertainty)):
            if not length.unit_said:
                raise SettingsError(
                    f"{where}: measured {number}: this job's outputs are in inches and its lengths in mm; write "
                    f'{key} = "{length.mm:g} in" or "{length.mm:g} mm".'
                )


def _no_caliper(data: dict[str, Any], where: str) -> str:
    """What to write instead of the tables of version 0.1.0, which knew diameters only and took 0.01 mm for granted."""
    old = data["caliper"]
    exported = data.get("export")
    inches = isinstance(exported, dict) and exported.get("units") == "in"
    lines = []
    for row in old if isinstance(old, list) else [old]:
        row = row if isinstance(row, dict) else {}
        value, uncertainty = _held(row.get("diameter"), 50.0), _held(row.get("uncertainty"), 0.01)
        if inches:
            value, uncertainty = f"{value} mm", f"{uncertainty} mm"
        doubt = "" if "uncertainty" in row else "  # [[caliper]] took this for granted: put in yours"
        lines.append(
            measured_text(
                "diameter",
                [_held(row.get("near", row.get("feature")), "its number")],
                tomlkit.item(value).as_string(),
                tomlkit.item(uncertainty).as_string() + doubt,
            )
        )
    return (
        f"{where}: [[caliper]] is [[measured]] now, which takes distances and thicknesses as well and believes no "
        "uncertainty unasked; write these lines instead:\n\n" + "\n".join(lines)
    )


def _held(value: Any, instead: Any) -> Any:
    """A value of an old table; what can't be one, and none, gives place to an example."""
    plain = isinstance(value, (str, int, float)) or (
        isinstance(value, list) and all(isinstance(part, (int, float)) for part in value)
    )
    return value if plain else instead


def dump_job(job: Job) -> str:
    """The job as TOML with every default spelled out; what is None, or a list of nothing, stands as a comment.

    >>> print("\\n".join(dump_job(make_job({"scan": "housing.stl"})).splitlines()[:3]))
    scan = "housing.stl"
    # out =
    # title =
    """
    document = tomlkit.document()
    _fill(document, job.model_dump(mode="json"))
    return tomlkit.dumps(document)


def zone_text(zone: Zone) -> str:
    """A zone as the table that is pasted into a job file.

    >>> print(zone_text(Zone(shape="sphere", coordinates="scan", centre=(0.0, 1.5, -2.0), radius=3.0)), end="")
    [[clean.exclude]]
    shape = "sphere"
    centre = "scan: [0.0, 1.5, -2.0]"
    radius = 3.0
    """
    document = tomlkit.document()
    _fill(document, {"clean": {"exclude": [zone.model_dump(mode="json", exclude_defaults=True)]}})
    return tomlkit.dumps(document).lstrip()


def closing_text(gap: str) -> str:
    """What has a gap closed, as the table that is pasted into a job file.

    >>> print(closing_text("gap-x7d"))
    [[fill.gaps]]
    id = "gap-x7d"
    do = "close"
    """
    return f'[[fill.gaps]]\nid = "{gap}"\ndo = "close"'


def measured_text(
    what: str, features: Sequence[Any], value: str = "", uncertainty: str = "", instrument: str = ""
) -> str:
    """A measured size as the table that is pasted into a job file; value and uncertainty as TOML has them, empty ones
    are to be filled in.

    >>> print(measured_text("distance", ["F1", "seat A"], "40.02", instrument="height gauge"), end="")
    [[measured]]
    what = "distance"
    features = ["F1", "seat A"]
    value = 40.02
    uncertainty =
    instrument = "height gauge"
    """
    rows = {
        "what": tomlkit.item(what).as_string(),
        "features": tomlkit.item(list(features)).as_string(),
        "value": value,
        "uncertainty": uncertainty,
        **({"instrument": tomlkit.item(instrument).as_string()} if instrument else {}),
    }
    return "[[measured]]\n" + "".join(f"{key} = {text}".rstrip() + "\n" for key, text in rows.items())


def accept_text(accept: Accept) -> str:
    """An accepted surface as the table that is pasted into a job file.

    >>> print(accept_text(Accept(near=(12.5, 0.0, -3.0), kind="plane")), end="")
    [[recover.accept]]
    near = [12.5, 0.0, -3.0]
    kind = "plane"
    """
    document = tomlkit.document()
    _fill(document, {"recover": {"accept": [accept.model_dump(mode="json", exclude_defaults=True)]}})
    return tomlkit.dumps(document).lstrip()


def zone_of(text: str) -> Zone:
    """The zone that `zone_text` wrote; one from before places could be marked is in scan coordinates. Raises ValueError
    where the text is not one such table.

    >>> zone_of(zone_text(Zone(shape="sphere", centre=(0.0, 1.5, -2.0), radius=3.0))).radius
    3.0
    """
    try:
        (found,) = tomllib.loads(text)["clean"]["exclude"]
    except (KeyError, TypeError, ValueError):
        raise ValueError("it is not one [[clean.exclude]] table of a job file") from None
    bare = isinstance(found, dict) and "part_frame" not in found and "coordinates" not in found
    if bare and any(isinstance(found.get(k), list) for k in Zone.POINTS):
        found["coordinates"] = "scan"
    return Zone.model_validate(found)


def _fill(table: tomlkit.TOMLDocument | Table, values: dict[str, Any]) -> None:
    """Put values into a TOML table: plain ones first, then tables, then lists of tables."""
    tables = {key: value for key, value in values.items() if isinstance(value, dict)}
    lists = {key: value for key, value in values.items() if _are_tables(value)}
    for key, value in values.items():
        # Beside an empty list the tables of that name which a user pastes would be an error.
        if value is None or value == []:
            table.add(tomlkit.comment(f"{key} ="))
        elif key not in tables and key not in lists:
            table.add(key, value)
    for key, value in tables.items():
        table.add(key, _filled(value))
    for key, rows in lists.items():
        made = tomlkit.aot()
        for row in rows:
            made.append(_filled({name: value for name, value in row.items() if value is not None}))
        table.add(key, made)


def _filled(values: dict[str, Any]) -> Table:
    # A table that holds nothing but tables needs no heading of its own.
    made = tomlkit.table(is_super_table=bool(values) and all(map(_are_tables, values.values())))
    _fill(made, values)
    return made


def _are_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)
