"""Units of length."""

from __future__ import annotations

# The inch is 25.4 mm exactly (international yard and pound agreement of 1959).
MM_PER_INCH = 25.4
MM_PER_UNIT = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "ft": 12 * MM_PER_INCH}
"""By what lengths of a unit are multiplied to become mm."""
