"""Many scans run with the same job on Dask workers: which they are, where each is run, and what they came to."""

from __future__ import annotations

from pipeline.batch.batches import run_batch

__all__ = ["run_batch"]
