"""The datum file of a run: its figures, and what it does where there is no figure.

Covers: pipeline.formats.datum_file.audit_parts, pipeline.formats.datum_file.feature_parts
Covers: pipeline.formats.datum_file.flange_parts, pipeline.formats.datum_file.figures
Covers: pipeline.formats.datum_file.missing, pipeline.formats.datum_file.records.features
Covers: pipeline.formats.datum_file.records.flanges, pipeline.formats.datum_file.records.kinds
"""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from pipeline.formats.datum_file import DatumFile, FeatureRecord, build, schema_text, text_of
from pipeline.values import BudgetLine, Datum
from tests.outcomes import BORE, POSE, outcome


@pytest.fixture(scope="module")
def data() -> DatumFile:
    return build(outcome())


def feature(data: DatumFile, name: str) -> FeatureRecord:
    return next(f for f in data.features if f.id == name)


def test_angles_are_degrees_and_lengths_mm(data: DatumFile) -> None:
    assert feature(data, "cone-1").half_angle == pytest.approx(45)
    assert feature(data, "cylinder-1").extent.arc == pytest.approx(360)
    assert feature(data, "cylinder-1").radius == BORE
    assert feature(data, "plane-1").uncertainty.direction == pytest.approx(math.degrees(2.5e-5))
    assert feature(data, "plane-1").audit.tilt == pytest.approx(math.degrees(1e-5))
    assert data.frame.uncertainty.translation == pytest.approx([0.002] * 3)
    assert data.frame.uncertainty.rotation == pytest.approx([math.degrees(1e-5)] * 3)
    units = {r.kind: r.unit for r in data.relations}
    assert units == {"perpendicular": "deg", "parallel": "deg", "coaxial": "mm", "distance": "mm"}
    assert data.relations[0].value == pytest.approx(math.degrees(2e-5))


def test_a_budget_for_tilt_is_in_degrees_as_all_angles_are() -> None:
    made = outcome()
    line = BudgetLine("tilt", math.radians(0.02), math.radians(0.05), "rad", False, "plane-1")
    audit = dataclasses.replace(made.audit.audit, budget=(line,))
    kept = build(dataclasses.replace(made, audit=dataclasses.replace(made.audit, audit=audit))).audit.budget[0]
    assert (kept.unit, kept.limit, kept.value) == ("deg", pytest.approx(0.02), pytest.approx(0.05))


def test_part_coordinates_are_the_matrix_times_scan_coordinates(data: DatumFile) -> None:
    bore = feature(data, "cylinder-1")
    matrix = np.array(data.frame.matrix)
    np.testing.assert_allclose(matrix, POSE, atol=1e-15)
    moved = matrix @ [*bore.point, 1.0]
    np.testing.assert_allclose(moved[:3], bore.in_part_frame.point, atol=1e-12)
    np.testing.assert_allclose(bore.in_part_frame.point, [0, 0, 14], atol=1e-12)
    np.testing.assert_allclose(bore.in_part_frame.direction, [0, 0, 1], atol=1e-15)
    for f in data.features:
        if f.direction is not None:
            assert np.linalg.norm(f.in_part_frame.direction) == pytest.approx(1, abs=1e-15)


def test_no_figure_is_null_with_its_reason(data: DatumFile) -> None:
    weak = feature(data, "cylinder-7")
    assert weak.uncertainty.position is None
    assert weak.uncertainty.direction is None
    told = [c for c in data.cautions if "cylinder-7" in c]
    assert any("position" in c and "only 2 mm" in c for c in told)
    assert any("direction" in c for c in told)
    assert any("parallel" in c and "plane-1 and plane-2" in c for c in data.cautions)


def test_what_does_not_apply_is_null_without_a_caution(data: DatumFile) -> None:
    assert feature(data, "plane-1").uncertainty.radius is None
    assert feature(data, "sphere-1").uncertainty.direction is None
    assert not [c for c in data.cautions if "plane-3" in c or "sphere-1" in c]


def test_a_figure_that_is_no_number_never_gets_out() -> None:
    made = outcome()
    sick = dataclasses.replace(made.recover.features[0].form, peak_to_valley=float("nan"))
    first = dataclasses.replace(made.recover.features[0], form=sick)
    recover = dataclasses.replace(made.recover, features=(first, *made.recover.features[1:]))
    frame = dataclasses.replace(made.frame.frame, covariance=None, reasons=("datum C has no uncertainty",))
    made = dataclasses.replace(made, recover=recover, frame=dataclasses.replace(made.frame, frame=frame))
    data = build(made)
    text = text_of(data)
    assert "NaN" not in text
    assert data.features[0].form.peak_to_valley is None
    assert data.frame.uncertainty is None
    assert any("plane-1" in c and "peak to valley" in c for c in data.cautions)
    assert any("datum C has no uncertainty" in c for c in data.cautions)
    Draft202012Validator(json.loads(schema_text())).validate(json.loads(text))


def test_a_feature_that_the_audit_left_out_is_told() -> None:
    made = outcome()
    audit = dataclasses.replace(made.audit.audit, features=made.audit.audit.features[1:])
    data = build(dataclasses.replace(made, audit=dataclasses.replace(made.audit, audit=audit)))
    assert data.features[0].audit is None
    assert any("audit" in c and "plane-1" in c for c in data.cautions)


def test_a_datum_of_two_faces_is_their_middle_plane() -> None:
    made = outcome()
    datums = (*made.frame.frame.datums[:2], Datum("C", "middle of plane-3 and plane-5", ("rz",)))
    frame = dataclasses.replace(made.frame.frame, datums=datums)
    data = build(dataclasses.replace(made, frame=dataclasses.replace(made.frame, frame=frame)))
    first, second, third = (d.situation for d in data.frame.datums)
    assert (first.kind, second.kind, third.kind) == ("plane", "axis", "plane")
    np.testing.assert_allclose(first.direction, [0, 0, 1], atol=1e-12)
    # The plate's sides are y = -40 and y = 40: midway between them lies y = 0.
    assert third.point[1] == pytest.approx(0, abs=1e-9)
    np.testing.assert_allclose(np.abs(third.direction), [0, 1, 0], atol=1e-12)


def test_a_reason_is_told_once() -> None:
    made = outcome()
    audit = made.audit.audit
    lost = dataclasses.replace(
        audit.features[6], shift=None, tilt=None, radius_change=None, note="its 3 light vertices do not determine it"
    )
    audits = (*audit.features[:6], lost, *audit.features[7:])
    audit = dataclasses.replace(audit, features=audits)
    made = dataclasses.replace(made, audit=dataclasses.replace(made.audit, audit=audit))
    (told,) = [c for c in build(made).cautions if "3 light vertices" in c]
    assert all(word in told for word in ("shift", "tilt", "radius change", "cylinder-1"))
    already = "cylinder-1: its 3 light vertices do not determine it; what lightening did can't be vouched for"
    data = build(dataclasses.replace(made, cautions=(already,)))
    assert [c for c in data.cautions if "3 light vertices" in c] == [already]


def test_no_uncertainty_of_the_frame_leaves_none_in_part_coordinates() -> None:
    made = outcome()
    places = tuple(dataclasses.replace(p, position=None, direction_uncertainty=None) for p in made.frame.in_part)
    data = build(dataclasses.replace(made, frame=dataclasses.replace(made.frame, in_part=places)))
    assert all(f.in_part_frame.uncertainty is None for f in data.features)
    assert any("in part coordinates" in c and "plane-1" in c for c in data.cautions)
    assert feature(build(made), "plane-1").in_part_frame.uncertainty.position == 0.0025


def test_a_name_of_the_job_that_fits_nothing_is_told() -> None:
    made = outcome()
    first, second = (f.id for f in made.recover.features[:2])
    job = made.job.model_copy(update={"names": {first: "seal bore", "foot": second, "ghost": "nothing"}})
    told = [caution for caution in build(dataclasses.replace(made, job=job)).cautions if "The job names" in caution]
    assert told == ["The job names 'ghost' 'nothing', but no such feature was found."]


def test_old_ids_are_kept_and_a_job_that_says_them_is_told_the_new_ones() -> None:
    made = outcome()
    first, *others = made.recover.features
    was = dataclasses.replace(first, old_id="plane-k7fm")
    recover = dataclasses.replace(made.recover, features=(was, *others))
    job = made.job.model_copy(update={"names": {"plane-k7fm": "foot"}})
    data = build(dataclasses.replace(made, recover=recover, job=job))
    assert (data.features[0].id, data.features[0].old_id) == (first.id, "plane-k7fm")
    assert any(f"plane-k7fm is {first.id} now" in caution for caution in data.cautions)
    assert not any("now" in caution for caution in build(dataclasses.replace(made, recover=recover)).cautions)
