"""The frame stage: the datum system, and what is measured against it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.errors import SettingsError
from pipeline.features.datums import Choice, DatumProposal, choose, complete, exactness, in_part, proposals, reason
from pipeline.features.gauging import worth_measuring
from pipeline.features.sketches import flanges_of, prepare
from pipeline.job import FrameSettings
from pipeline.lengths import um
from pipeline.progress import Progress, silent
from pipeline.standards import suggest
from pipeline.values import Feature, FillResult, Frame, FrameResult, RecoverResult

BETTER = 0.5  # another choice that errs by less than this share is worth a word


def frame(
    recover: RecoverResult,
    fill: FillResult,
    settings: FrameSettings,
    names: dict[str, str],
    progress: Progress = silent,
) -> FrameResult:
    """Solve the frame that the job asks for, or propose one, and measure the part against it: features in part
    coordinates, flanges with their outlines and holes, square-up figures, standard sizes near the measured ones.

    Raises SettingsError when a datum is unknown, or constrains nothing that those before it left free.
    """
    features = recover.features
    patterns = recover.patterns
    given = _given(settings, features, names)
    if not features:
        return FrameResult(
            Frame(np.eye(4), (), False, ("no feature was recovered: part coordinates are the scan's own",)),
            cautions=("No datum frame: no feature was recovered, so part coordinates are the scan's own.",),
        )
    progress(0.1, "datum frame")
    chosen = complete(given, features, patterns, settings.z, settings.x)
    offered = [p for p in proposals(features, patterns) if p.datums.choices != chosen.datums.choices]
    by_id = {f.id: f for f in features}
    progress(0.4, "flanges")
    ground = prepare(fill.surface, fill.labels, features, recover.noise.sigma_form)
    flanges = flanges_of(ground, chosen.frame.matrix)
    progress(0.9, "square-up figures and standard sizes")
    found = exactness(chosen.datums)
    suggestions = suggest(features, patterns)
    letters = {m: d.letter for d, c in zip(chosen.frame.datums, chosen.datums.choices, strict=True) for m in c.members}
    return FrameResult(
        _reasoned(chosen),
        tuple(_reasoned(p) for p in offered),
        cautions=tuple(_cautions(chosen, offered, len(given), by_id)),
        flanges=flanges,
        suggestions=suggestions,
        square_up=found.square_up,
        in_part=tuple(in_part(f, chosen.frame, chosen.gains, by_id) for f in features),
        relations=found.relations,
        tests=found.tests,
        to_measure=worth_measuring(features, suggestions, letters, recover.measured),
        taken=tuple(taken for choice in given for taken in choice.taken),
    )


def _given(settings: FrameSettings, features: tuple[Feature, ...], names: Mapping[str, str]) -> list[Choice]:
    texts = (settings.A, settings.B, settings.C)
    for letter, before, text, earlier in zip("BC", "AB", texts[1:], texts[:-1], strict=True):
        if text is not None and earlier is None:
            raise SettingsError(
                f"Datum {letter} is chosen but {before} is not; choose {before} too, or leave out both."
            )
    return [
        choose(text, features, names, f"frame.{letter}")
        for letter, text in zip("ABC", texts, strict=True)
        if text is not None
    ]


def _reasoned(proposal: DatumProposal) -> Frame:
    made = proposal.frame
    error = proposal.merit if np.isfinite(proposal.merit) else None
    return replace(made, reasons=(*reason(proposal), *made.reasons), error=error)


def _cautions(
    chosen: DatumProposal, offered: Sequence[DatumProposal], given: int, by_id: Mapping[str, Feature]
) -> list[str]:
    out = []
    better = min((p for p in offered if p.frame.complete), key=lambda p: p.merit, default=None)
    if better is not None and better.merit < BETTER * chosen.merit:
        letters = ", ".join(f"{d.letter} = {d.feature}" for d in better.frame.datums)
        out.append(
            f"These datums put {um(chosen.merit)} (k=1, mean over the features) into places; "
            f"{letters} would put {um(better.merit)}."
        )
    for datum, choice in zip(chosen.frame.datums, chosen.datums.choices, strict=True):
        low = [m for m in choice.members if by_id[m].confidence != "good"]
        if low:
            why = "; ".join(r for m in low for r in by_id[m].reasons) or "its confidence is low"
            out.append(f"Datum {datum.letter} ({datum.feature}) is not to be relied on: {why}.")
    if 0 < given < len(chosen.frame.datums):
        more = ", ".join(f"{d.letter} = {d.feature}" for d in chosen.frame.datums[given:])
        out.append(f"Datums that the job leaves open were taken from the part: {more}.")
    if not chosen.frame.complete:
        out.append(f"The datum frame is incomplete: {'; '.join(chosen.frame.reasons)}.")
    elif chosen.frame.covariance is None:
        out.append(f"Part coordinates have no uncertainty: {'; '.join(chosen.frame.reasons)}.")
    return out
