"""The campaign: mutants of every form of input and folders in every state; each runs or is refused in one sentence.

No traceback, no hang, no file of the user's lost, within limits of time and memory (see `trial.py`). A slice of it runs
by default; `-m slow` runs the whole.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.campaign.campaign import table, trials
from tests.campaign.mutators import MUTATORS
from tests.campaign.trial import GOOD, KINDS, file_trial, trial

WHOLE = 200  # mutants a kind


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(kind=st.sampled_from(sorted(MUTATORS)), seed=st.integers(0, 10**6))
def test_a_slice_of_the_mutants(kind: str, seed: int) -> None:
    made = file_trial(kind, seed)
    # A first run may have kernels to compile; hangs are the whole campaign's to find.
    assert made.verdict in (*GOOD, "too long", "too much memory"), made


@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(kind=st.sampled_from(["folder", "layout.toml", "compare", "solid", "line"]), seed=st.integers(0, 10**6))
def test_a_slice_of_folders_and_layouts(kind: str, seed: int) -> None:
    """Lists of a batch start workers; they are the whole campaign's."""
    made = trial(kind, seed)
    assert made.verdict in (*GOOD, "too long", "too much memory"), made


@pytest.mark.slow
def test_the_whole_campaign() -> None:
    made = list(trials((kind, seed) for seed in range(WHOLE) for kind in KINDS))
    print(table(made))
    assert [t for t in made if t.verdict not in GOOD] == []
