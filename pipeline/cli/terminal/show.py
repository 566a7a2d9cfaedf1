"""Progress on a terminal or in a pipe, and the closing summary; shared by the commands that run stages."""

from __future__ import annotations

import contextlib
import json
import math
import sys
import time
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import click

from pipeline.lengths import in_unit, mm, mm2, size_in_mm
from pipeline.lengths import um as in_um
from pipeline.progress import Progress, silent

if TYPE_CHECKING:
    from pipeline.runner import Result, StageProgress


MOST_LINES = 20
MOST_SIZES = 4
MOST_PLACES = 4
MOST_LETTERS = 300
# Columns of a bar: the most, and fewer than the least are none; and what is kept for the text beside it.
_BAR = 30
_LEAST_BAR = 6
_TEXT = 37


def stage_progress(quiet: bool) -> StageProgress:
    """A bar a stage on a terminal, two plain lines a stage in a pipe, nothing when quiet; on standard error."""
    if quiet:
        return _nothing
    return _bars if sys.stderr.isatty() else _lines


@contextlib.contextmanager
def _nothing(name: str) -> Iterator[Progress]:
    yield silent


@contextlib.contextmanager
def _lines(name: str) -> Iterator[Progress]:
    started = time.perf_counter()
    click.echo(f"{name} ...", err=True)
    yield silent
    click.echo(f"{name} done in {time.perf_counter() - started:.1f} s", err=True)


@contextlib.contextmanager
def _bars(name: str) -> Iterator[Progress]:
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    console, started = Console(stderr=True), time.perf_counter()
    done, what = 0.0, ""

    def line() -> Text:
        text = progress_line(name, done, time.perf_counter() - started, what, console.width)
        return Text(text, no_wrap=True, overflow="crop", end="")

    def show(fraction: float, text: str = "") -> None:
        nonlocal done, what
        done, what = fraction, text

    with Live(get_renderable=line, console=console, refresh_per_second=8):
        yield show
        done, what = 1.0, ""


def progress_line(name: str, fraction: float, seconds: float, text: str, width: int) -> str:
    """One line of at most `width` columns: stage, bar, per cent, time, and what comes next.

    There is a bar where it leaves room for most texts; a text that doesn't fit is cut between words.

    >>> progress_line("lighten", 0.25, 83.0, "putting vertices on their features", 80)
    'lighten  [####-------------]  25 %   1:23  putting vertices on their features'
    >>> progress_line("lighten", 0.25, 83.0, "putting vertices on their features", 40)
    'lighten   25 %   1:23  putting ...'
    """
    share = min(max(fraction, 0.0), 1.0)
    minutes, rest = divmod(int(seconds), 60)
    head, figures = f"{name:<8} ", f"{100 * share:3.0f} % {minutes:3d}:{rest:02d}"
    bar = min(_BAR, width - len(head) - len(figures) - _TEXT - 5)
    if bar >= _LEAST_BAR:
        head += f"[{'#' * round(share * bar):-<{bar}}] "
    room = width - len(head) - len(figures) - 2
    if len(text) > room:
        while len(text) > room - 4 and " " in text:
            text = text.rpartition(" ")[0].rstrip(",")
        text += " ..."
    return f"{head}{figures}  {text}".rstrip()[:width]


def summary_json(result: Result) -> str:
    """The one JSON object that --json prints; `datumlift schema run` is its schema."""
    from pipeline.formats.datum_file import plain_data, read_datums, run_record

    stages = [(s.name, s.seconds, s.peak_mb, s.reused) for s in result.stages]
    record = run_record(read_datums(result.out / "datums.json"), str(result.out), result.cautions, stages)
    return json.dumps(plain_data(record))


def within_budget(result: Result) -> bool:
    """Whether every line of the budget held and every size measured on the part agrees with the scan's."""
    measured = result._shelf.get("recover", "measured")
    return result.audit.within_budget and all(check.agrees is not False for check in measured)


def summary_lines(result: Result, then: str = "") -> list[str]:
    """What the run came to, in at most `MOST_LINES` lines and in the order of the report; `then` is what to do next."""
    audit, source, frame = result.audit, result.source, result.frame
    scanned = source.noise_sigma > 0
    size = [high - low for low, high in zip(*source.bounds, strict=True)]
    features = {feature.id: feature for feature in result.features}
    lines = [
        verdict(result),
        f"scan     {source.facets:,} facets, {size[0]:.1f} x {size[1]:.1f} x {mm(size[2], '.1f')}, "
        + (f"noise {in_um(source.noise_sigma)}" if scanned else "no noise: a tessellation, no scan")
        + f", edges {mm(source.mean_edge)}",
        f"light    {audit.facets_after:,} facets{_hardly(result)}; scan to light rms {um(audit.scan_to_light.rms)}, "
        f"p99 {um(audit.scan_to_light.p99)}, max {um(audit.scan_to_light.max)}",
    ]
    if audit.second_opinion is not None:
        other = audit.second_opinion.scan_to_light
        lines.append(f"         by pymeshlab: rms {um(other.rms)}, p99 {um(other.p99)}, max {um(other.max)}")
    broken_first = sorted(audit.budget, key=lambda line: line.held)
    for line in broken_first[:4]:
        value = "no figure" if line.value is None else budgeted(line.value, line.unit)
        limit = budgeted(line.limit, line.unit)
        lines.append(f"budget   {line.what}: {value} of {limit} {'held' if line.held else 'NOT HELD'}")
    for datum in frame.datums[:4]:
        feature = features.get(datum.feature)
        lines.append(f"datum {datum.letter}  {datum.feature}" + (f"  {described(feature, scanned)}" if feature else ""))
    if not frame.complete:
        lines.append("frame    incomplete: " + ("; ".join(frame.reasons) or "too few datums"))
    lines.append(f"features {_kinds(features.values())}")
    gaps = result._shelf.get("fill", "gaps")
    closed = sum(gap.count for gap in gaps if gap.done != "left open")
    proposed = sum(bool(gap.proposed) for gap in gaps)
    whole = audit.area_filled + audit.area_measured
    lines.append(
        f"invented {mm2(audit.area_filled)} filled of {mm2(whole)}; gaps closed: {closed}, "
        f"left open: {sum(gap.count for gap in gaps) - closed}"
        + (f", of which {proposed} proposed for closing" if proposed else "")
    )
    lines += _places(result)
    lines.append(f"by hand  {_to_measure(result)}")
    first = "; open report.html" if result.job.export.report else ""
    last = [f"outputs  {result.out}{first}", *([f"next     {then}"] if then else [])]
    # The cautions take what room is left.
    room = MOST_LINES - len(lines) - len(last)
    cautions = result.cautions
    shown = cautions if len(cautions) <= room else cautions[: room - 1]
    lines += [f"caution  {_short(text)}" for text in shown]
    if len(cautions) > len(shown):
        lines.append(f"caution  {len(cautions) - len(shown)} more, see summary.md")
    return [in_unit(line, result.job.export.units) for line in lines + last]


def _hardly(result: Result) -> str:
    """Where the scan had no more facets than were asked for: nothing was lightened, and how to have it so."""
    goal, source = result.job.lighten, result.source
    if goal.tolerance is None and goal.facets is not None and source.facets <= goal.facets:
        return f", as many as there were: {goal.facets:,} were asked for, --facets or --tolerance asks for less"
    return ""


def _short(text: str) -> str:
    """A caution that names very many features, cut between words; summary.md has all of it."""
    return (
        text if len(text) <= MOST_LETTERS else text[:MOST_LETTERS].rpartition(" ")[0].rstrip(",") + " ... (summary.md)"
    )


def _kinds(features: Iterable[Any]) -> str:
    from pipeline.features.naming import counted, term_of

    kinds: dict[str, int] = {}
    for feature in features:
        name = term_of(feature)
        kinds[name] = kinds.get(name, 0) + 1
    return ", ".join(counted(count, name) for name, count in sorted(kinds.items())) or "none"


def _places(result: Result) -> list[str]:
    """What was taken for the points of the job, a line each."""
    taken = [*result._shelf.get("recover", "taken"), *result._shelf.get("frame", "taken")]
    lines = [f"place    {t.setting}: {t.feature}, {mm(t.distance)} from the point" for t in taken]
    more = len(lines) - MOST_PLACES
    return lines if more <= 0 else [*lines[:MOST_PLACES], f"place    {more} more, see summary.md"]


def _to_measure(result: Result) -> str:
    """What the report tells to measure on the part, in a line."""
    wanted = [size for size in result._shelf.get("frame", "to_measure") if size.what == "diameter"]
    sizes = [f"{size.features[0]} D{mm(size.size)}" for size in wanted[:MOST_SIZES]]
    if len(wanted) > MOST_SIZES:
        sizes.append(f"and {len(wanted) - MOST_SIZES} more, see summary.md")
    weak = sum(feature.confidence != "good" for feature in result.features)
    failed = [check.feature for check in result._shelf.get("recover", "measured") if check.agrees is False]
    said = [
        f"find out why {', '.join(failed)} disagrees with the scan" if failed else "",
        f"gauge {', '.join(sizes)}" if sizes else "",
        f"features of low confidence: {weak}" if weak else "",
    ]
    return "; ".join(filter(None, said)) or "the sizes that your fits hang on"


def verdict(result: Result) -> str:
    audit = result.audit
    if not within_budget(result):
        return "DONE, BUT NOT WITHIN BUDGET: do not build on the light mesh before you have read summary.md"
    if audit.budget:
        return "Done, within budget"
    return "Done; no budget was set, so judge the deviations yourself"


def described(feature: Any, scanned: bool = True) -> str:
    """One feature in a few words, millimetres and degrees; a tessellation's uncertainties are none of a part."""
    from pipeline.features.naming import term_of
    from pipeline.surfaces import kind_of, shape_of

    kind, term = kind_of(feature), term_of(feature)
    if kind.flat:
        size = f"{term} {mm2(feature.extent.area)}"
    elif kind.invariance == "prismatic":
        size = f"{term} {size_in_mm(kind.size(shape_of(feature)))}"
    else:
        size = f"{term} D{mm(2 * feature.radius, '.3f')}"
    spread = feature.uncertainty.direction
    if spread is not None and scanned:
        size += f", direction +-{math.degrees(spread):.4f} deg (k=1)"
    return size


def um(value: float) -> str:
    """A distance, for a sentence, in micrometres, from a millimetre on in millimetres."""
    return in_um(value, ".1f") if value < 1.0 else mm(value)


def budgeted(value: float, unit: str) -> str:
    """A limit of the budget, or what was held against it: a length or, of "rad", an angle in degrees."""
    return f"{math.degrees(value):.4f} deg" if unit == "rad" else mm(value, ".4f")
