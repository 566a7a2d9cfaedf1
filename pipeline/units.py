"""Units of length."""

from __future__ import annotations

# The inch is 25.4 mm exactly (international yard and pound agreement of 1959).
MM_PER_INCH = 25.4
