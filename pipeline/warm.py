"""Compile ahead of the first run, in as many processes as there are cores: `python -m pipeline.warm`.

What a run compiles stands in `kernels.json`, one variant of a kernel a line, each after those that it calls: its
module and name, the types of its arguments, and the lines that it calls. `python -m pipeline.warm record` writes the
list from a run of the demo on an empty cache. The list saves time and decides nothing: a kernel that is not on it is
compiled on first use, and a line that no longer fits the code is passed over.

The kernels that call no other of the list come first, those at the bottom of the longest chain of callers before the
rest; so each variant is compiled once, by one process, and its callers take it from the cache.
"""

from __future__ import annotations

import concurrent.futures
import gc
import heapq
import importlib
import json
import multiprocessing
import os
import re
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numba
from numba.core.dispatcher import Dispatcher
from numba.core.sigutils import normalize_signature

from pipeline.meter import cores

LIST = Path(__file__).with_name("kernels.json")
_DONE = "compiled"
# The longest chain of callers takes about an eighth of all the time, and each process some 500 MB.
_MOST_PROCESSES = 8
_OURS = ("pipeline.", "sample_meshes.")


@dataclass(frozen=True)
class Variant:
    """A kernel with the types of its arguments, as written in the list, and the places of the variants it calls."""

    kernel: str
    takes: tuple[Any, ...]
    calls: tuple[int, ...]


def read_list(path: Path = LIST) -> list[Variant]:
    """The variants of the list, callees first."""
    return [Variant(kernel, tuple(takes), tuple(calls)) for kernel, takes, calls in json.loads(path.read_text())]


def write_list(variants: Sequence[Variant], path: Path = LIST) -> None:
    """One variant a line, so that a changed kernel is a changed line."""
    lines = (json.dumps([v.kernel, v.takes, v.calls]) for v in variants)
    path.write_text("[\n" + ",\n".join(lines) + "\n]\n")


def compile_all(variants: Sequence[Variant], tell: Callable[[int, int], None]) -> list[str]:
    """Compile each variant that the cache lacks, callees first; the kernels that could not be, with the reason.

    tell   called with how many are left, of how many, whenever one is done
    """
    failed = []
    count = min(cores(), _MOST_PROCESSES, max(1, len(variants)))
    # Forked workers share what the parent has imported; where there is no fork each imports it for itself.
    fork = "fork" in multiprocessing.get_all_start_methods()
    if fork:
        _import_all(variants)
    context = multiprocessing.get_context("fork" if fork else "spawn")
    with concurrent.futures.ProcessPoolExecutor(count, context, _begin_work) as pool:
        left = len(variants)
        running: dict[concurrent.futures.Future[str], int] = {}
        waits_for = [set(v.calls) for v in variants]
        height = heights(variants)
        ready = [(-height[i], i) for i, waits in enumerate(waits_for) if not waits]
        heapq.heapify(ready)
        callers: list[list[int]] = [[] for _ in variants]
        for i, v in enumerate(variants):
            for callee in v.calls:
                callers[callee].append(i)
        while ready or running:
            while ready and len(running) < count:
                _, i = heapq.heappop(ready)
                running[pool.submit(_compile, variants[i].kernel, variants[i].takes)] = i
            done, _ = concurrent.futures.wait(running, return_when=concurrent.futures.FIRST_COMPLETED)
            for future in done:
                i = running.pop(future)
                if reason := future.result():
                    failed.append(f"{variants[i].kernel}: {reason}")
                for caller in _set_free(i, callers[i], waits_for):
                    heapq.heappush(ready, (-height[caller], caller))
                left -= 1
                tell(left, len(variants))
    return failed


def _set_free(done: int, callers: list[int], waits_for: list[set[int]]) -> list[int]:
    """Those of the callers that wait for nothing more, now that one callee is done."""
    for caller in callers:
        waits_for[caller].discard(done)
    return [caller for caller in callers if not waits_for[caller]]


def heights(variants: Sequence[Variant]) -> list[int]:
    """For each variant the number of callers in the longest chain above it.

    >>> heights([Variant("a", (), ()), Variant("b", (), (0,)), Variant("c", (), (0, 1))])
    [2, 1, 0]
    """
    out = [0] * len(variants)
    for i in reversed(range(len(variants))):
        for callee in variants[i].calls:
            out[callee] = max(out[callee], out[i] + 1)
    return out


def _import_all(variants: Sequence[Variant]) -> None:
    for module in sorted({v.kernel.partition(":")[0] for v in variants}):
        try:
            importlib.import_module(module)
        except ImportError:
            continue  # its kernels will say so, one by one
    gc.freeze()


def _begin_work() -> None:
    """Make a new process a worker, which leaves interruptions to the process that gives out the work."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    # The compiler makes many small objects that live on: looking for cycles among them often costs a tenth.
    gc.set_threshold(100_000, 20, 20)


def _compile(kernel: str, takes: Sequence[Any]) -> str:
    """Compile one variant, or take it from the cache; the reason where that can't be done."""
    try:
        signature = tuple(_type_of(t) for t in takes)
        _find(kernel).compile(signature)
    except Exception as error:  # numba raises many; none may keep the others from being compiled
        return f"{type(error).__name__}: {str(error).strip().splitlines()[0] if str(error).strip() else ''}"
    return ""


def _find(name: str) -> Any:
    module, _, attribute = name.partition(":")
    return getattr(importlib.import_module(module), attribute)


def _written(numba_type: Any) -> Any:
    """A numba type as it stands in the list."""
    types: Any = numba.types
    if isinstance(numba_type, types.Array):
        letters = f"{numba_type.dtype} {numba_type.ndim} {numba_type.layout}"
        if not numba_type.aligned or not _SCALAR.fullmatch(str(numba_type.dtype)):
            raise ValueError(f"{numba_type} can't be written into the list of kernels; see pipeline/warm.py.")
        return letters if numba_type.mutable else letters + " readonly"
    if isinstance(numba_type, types.Literal):
        return {"constant": [numba_type.literal_value]}
    if isinstance(numba_type, types.BaseNamedTuple):
        made_by = numba_type.instance_class
        return {f"{made_by.__module__}:{made_by.__qualname__}": [_written(t) for t in numba_type]}
    if isinstance(numba_type, types.BaseTuple):
        return [_written(t) for t in numba_type]
    if isinstance(numba_type, types.List) and numba_type.reflected is False:
        return {"list": [_written(numba_type.dtype)]}
    if _SCALAR.fullmatch(str(numba_type)):
        return str(numba_type)
    raise ValueError(f"{numba_type} can't be written into the list of kernels; see pipeline/warm.py.")


def _type_of(written: Any) -> Any:
    """The numba type of what `_written` wrote."""
    types: Any = numba.types
    if isinstance(written, list):
        return types.BaseTuple.from_types([_type_of(t) for t in written])
    if isinstance(written, dict):
        ((made_by, parts),) = written.items()
        if made_by == "constant":
            return types.literal(parts[0])
        inner = [_type_of(t) for t in parts]
        if made_by == "list":
            return types.List(inner[0])
        return types.BaseTuple.from_types(inner, _find(made_by))
    dtype, *array = written.split()
    scalar = getattr(types, "boolean" if dtype == "bool" else dtype)
    if not array:
        return scalar
    return types.Array(scalar, int(array[0]), array[1], readonly="readonly" in array)


_SCALAR = re.compile(r"(u?int|float|complex)\d+|bool")


def record(run: Callable[[], None]) -> list[Variant]:
    """The variants that are compiled while `run` runs; on a cache that holds some, those loaded as well.

    Only a run on an empty cache tells all: a kernel that is loaded does not ask for those that it calls.
    """
    order: dict[tuple[str, str], int] = {}
    found: list[Variant] = []
    local = threading.local()
    dispatchers: Any = Dispatcher
    compile_one = dispatchers.compile

    def watched(dispatcher: Any, signature: Any) -> Any:
        function = dispatcher.py_func
        if not function.__module__.startswith(_OURS):
            return compile_one(dispatcher, signature)
        takes = tuple(_written(t) for t in normalize_signature(signature)[0])
        kernel = f"{function.__module__}:{function.__qualname__}"
        key = (kernel, json.dumps(takes))
        open_calls: list[set[int]] = local.__dict__.setdefault("open_calls", [])
        open_calls.append(set())
        try:
            entry = compile_one(dispatcher, signature)
        finally:
            calls = open_calls.pop()
        if key not in order:
            order[key] = len(found)
            found.append(Variant(kernel, takes, tuple(sorted(calls))))
        if open_calls:
            open_calls[-1].add(order[key])
        return entry

    dispatchers.compile = watched
    try:
        run()
    finally:
        dispatchers.compile = compile_one
    return found


def run_demo() -> None:
    """The whole job on the demo scan, its fit-up and its solid, their outputs thrown away."""
    from pipeline.cli.main import cli

    with tempfile.TemporaryDirectory() as folder:
        for command in (["demo", "--fit", "--out", folder], ["solid", str(Path(folder) / "bearing_housing_scan")]):
            cli.main(args=[*command, "--quiet"], standalone_mode=False)


def _tell(left: int, of: int) -> None:
    if sys.stdout.isatty():
        print(f"\rcompiling the kernels: {left} of {of} left ", end="" if left else "\n", flush=True)
    elif left % 25 == 0:
        print(f"compiling the kernels: {left} of {of} left", flush=True)


def _leave(*_: object) -> None:
    """Stop as an interruption does: no more work is given out, and the workers end with what they have in hand."""
    raise KeyboardInterrupt


def main(arguments: list[str]) -> int:
    """Compile what is on the list, once for each state of the code; or with `record` write the list anew."""
    if arguments == ["record"]:
        with tempfile.TemporaryDirectory() as cache:
            sys.modules["numba"].config.CACHE_DIR = os.environ["NUMBA_CACHE_DIR"] = cache
            write_list(record(run_demo))
        return 0
    done = Path(os.environ["NUMBA_CACHE_DIR"]) / _DONE
    if done.exists():
        return 0
    signal.signal(signal.SIGTERM, _leave)
    try:
        failed = compile_all(read_list(), _tell)
    except KeyboardInterrupt:
        return 130
    if failed:
        print(
            f"{len(failed)} kernels of {LIST.name} do not fit the code any more, so the first run takes longer; "
            f"the first of them is {failed[0]}",
            file=sys.stderr,
        )
    done.touch()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
