"""Reading and cleaning four million facets: CPU seconds and bytes a facet, in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from sample_meshes.make_scan import make_scan, write_stl

_MEASURED = """
import json, sys, time
from pathlib import Path
from pipeline.job import CleanSettings, ReadSettings
from pipeline.progress import silent
from pipeline.stages.clean import clean
from pipeline.stages.read import read

def peak():
    # Of this program alone: what getrusage tells starts from the peak of the process that started it.
    lines = Path("/proc/self/status").read_text().splitlines()
    return 1024 * int(next(line for line in lines if line.startswith("VmHWM")).split()[1])

# The small scan first: compiled kernels are loaded before anything is measured.
clean(read(Path(sys.argv[1]), ReadSettings(), silent), CleanSettings(), silent)
before, start = peak(), time.process_time()
scan = read(Path(sys.argv[2]), ReadSettings(), silent)
facets = scan.surface.facets
seconds, after = time.process_time() - start, peak()
mesh = scan.surface.vertices.nbytes + scan.surface.faces.nbytes + scan.surface.origin.nbytes
start = time.process_time()
clean(scan, CleanSettings(), silent)
print(json.dumps({
    "facets": facets,
    "read_seconds": seconds,
    "read_bytes": (after - before) / facets,
    "clean_seconds": time.process_time() - start,
    "clean_bytes": (peak() - before - mesh) / facets,
}))
"""


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from Linux's /proc")
def test_four_million_facets(tmp_path: Path) -> None:
    options = {"stub": True, "second_pass": True, "gaps": 40}
    write_stl(tmp_path / "small.stl", make_scan(60_000, 3, **options))
    write_stl(tmp_path / "big.stl", make_scan(4e6, 3, **options))
    command = [sys.executable, "-c", _MEASURED, str(tmp_path / "small.stl"), str(tmp_path / "big.stl")]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    figures = json.loads(done.stdout)
    print(figures)
    assert figures["facets"] > 3.8e6
    assert figures["read_seconds"] < 2.0
    assert 12 < figures["read_bytes"] < 150
    # Cleaning and filling together may take 15 s.
    assert figures["clean_seconds"] < 8.0
    assert 12 < figures["clean_bytes"] < 150
