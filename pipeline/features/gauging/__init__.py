"""Sizes measured on the real part: what they say of the scan, and which are worth measuring."""

from __future__ import annotations

from pipeline.features.gauging.checks import check_measured
from pipeline.features.gauging.worth_measuring import worth_measuring

__all__ = ["check_measured", "worth_measuring"]
