"""A run's datum file as a part: what the file says of a feature and a flange comes back as it went in.

Covers: pipeline.formats.parts_in.run_folder

Truth is the made outcome (`tests.outcomes`), exact by construction, that the file is built from.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.formats.datum_file import build
from pipeline.formats.parts_in.run_folder import feature_of, flange_of
from pipeline.geometry import transformed
from tests.outcomes import outcome


def alike(one: tuple[float | None, ...], other: tuple[float | None, ...]) -> bool:
    return [v is None for v in one] == [v is None for v in other] and all(
        a == pytest.approx(b, rel=1e-9) for a, b in zip(one, other, strict=True) if a is not None
    )


def test_what_is_known_of_a_feature_comes_back_in_radians() -> None:
    made = outcome()
    for was, record in zip(made.recover.features, build(made).features, strict=True):
        now = feature_of(record)
        own, its = was.uncertainty, now.uncertainty
        assert alike((own.position, own.direction, own.radius), (its.position, its.direction, its.radius))
        assert alike((was.half_angle, was.extent.arc), (now.half_angle, now.extent.arc))


def test_a_flange_stands_in_part_coordinates_where_it_stood_in_the_scan() -> None:
    made = outcome()
    data = build(made)
    to_part = made.frame.frame.matrix
    assert np.abs(to_part - np.eye(4)).max() > 0.1
    place = np.array([12.0, -7.0, 3.0])  # any, in the scan
    for was, record in zip(made.frame.flanges, data.flanges, strict=True):
        there = transformed(flange_of(record, data).matrix, transformed(to_part, place))
        assert there == pytest.approx(transformed(was.matrix, place), abs=1e-9)
