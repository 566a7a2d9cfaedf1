"""Dask workers, here or elsewhere, and how scans are given out to them.

Each worker offers its memory and does one scan at a time; a scan goes only to one that has the memory that it may
want. No more scans are given out than there are workers, so that when one dies, only what it was at is done again, and
a scan that takes its workers down with it takes down no other. A worker that has died is replaced by its nanny.
"""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import dask
import psutil
from distributed import Client, LocalCluster, Worker, WorkerPlugin, as_completed
from distributed.comm import CommClosedError
from distributed.scheduler import KilledWorker

from pipeline.errors import InputError
from pipeline.meter import cores
from pipeline.runner import code_digest

_T = TypeVar("_T")
_SHARE = 0.8  # of a machine's memory that is free: the rest is the system's
_ANSWERS = 20.0  # s


class WorkerLost(Exception):
    """The workers that were at a piece of work died over and over."""


@dataclass(frozen=True)
class Work:
    """A function and what it is called with; memory: bytes that it may want."""

    call: tuple[Any, ...]
    memory: float


@contextlib.contextmanager
def workers(memories: Sequence[float], scheduler: str | None) -> Iterator[Any]:
    """A Dask client of workers for pieces of work that want so much memory, bytes, each.

    scheduler  address of one that is there; None: a cluster on this machine of as many workers as there are cores, as
               the largest pieces fit into the memory that is free, and as there is work for

    Raises InputError where no scheduler answers, or its workers don't have this very datumlift.
    """
    calm: dict[str, Any] = {
        "logging": {"distributed": "critical"},
        "distributed.scheduler.worker-ttl": None,  # a kernel may hold a worker for minutes
    }
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with contextlib.ExitStack() as stack:
        stack.enter_context(dask.config.set(calm))
        if scheduler is None:
            count, memory, threads = local_size(memories)
            cluster = LocalCluster(
                n_workers=count,
                threads_per_worker=1,
                memory_limit=int(memory),
                dashboard_address=None,
                silence_logs=logging.CRITICAL,
                env={"NUMBA_NUM_THREADS": str(threads), "OMP_NUM_THREADS": str(threads)},
            )
            client = stack.enter_context(Client(stack.enter_context(cluster)))
        else:
            try:
                client = stack.enter_context(Client(scheduler, timeout=_ANSWERS))
            except (OSError, ValueError, TimeoutError) as error:
                raise InputError(
                    f"No Dask scheduler answers at {scheduler} ({type(error).__name__}); check the address, or leave "
                    "--scheduler out."
                ) from None
            _same_code(client, scheduler)
        client.register_plugin(_Offer())
        yield client


def local_size(memories: Sequence[float]) -> tuple[int, float, int]:
    """How many workers, how much memory for each, bytes, and how many threads.

    >>> local_size([1e9])[0], local_size([1e15] * 5)[0]
    (1, 1)
    """
    free = _SHARE * _free_memory()
    count = max(1, min(cores(), int(free // max(memories)), len(memories)))
    return count, free / count, max(1, cores() // count)


def given_out(client: Any, function: Callable[..., _T], work: Sequence[Work]) -> Iterator[tuple[int, _T | Exception]]:
    """Have all work done, and tell of each, as it ends, its number and what came of it: WorkerLost where workers died.

    Raises InputError where the scheduler goes away.
    """
    waiting = list(range(len(work)))
    numbers: dict[Any, int] = {}
    ended = as_completed(with_results=False)
    while waiting or numbers:
        offers = _offers(client)
        if not offers and not numbers:
            time.sleep(0.1)  # the last worker has died, and its nanny has it made anew
            continue
        while waiting and len(numbers) < len(offers):
            number = waiting.pop(0)
            # More than any worker has: it goes to the largest, alone.
            memory = min(work[number].memory, max(offers))
            future = client.submit(
                function, *work[number].call, resources={"scan": 1, "memory": memory}, pure=False, retries=0
            )
            numbers[future] = number
            ended.add(future)
        future = next(ended)
        number = numbers.pop(future)
        try:
            yield number, future.result()
        except KilledWorker:
            yield number, WorkerLost()
        except (CommClosedError, TimeoutError) as error:
            raise InputError(
                f"The Dask scheduler has gone ({type(error).__name__}); what was finished is kept, run it again."
            ) from None
        future.release()


class _Offer(WorkerPlugin):
    """Every worker, also one that comes later, offers its memory and one scan at a time."""

    name = "datumlift"
    idempotent = True

    async def setup(self, worker: Worker) -> None:
        limit = worker.memory_manager.memory_limit or _SHARE * _free_memory()
        await worker.set_resources(scan=1, memory=float(limit))


def _offers(client: Any) -> list[float]:
    """Memory of each worker that there is."""
    there = client.scheduler_info(n_workers=-1)["workers"].values()
    return [float(worker["resources"]["memory"]) for worker in there if "scan" in worker["resources"]]


def _same_code(client: Any, scheduler: str) -> None:
    client.wait_for_workers(1, timeout=_ANSWERS)
    try:
        found = client.run(code_digest)
    except Exception as error:  # whatever a worker without this package raises
        told = " ".join(f"{type(error).__name__}: {error}".split())[:200]
        raise InputError(
            f"The workers of {scheduler} have no datumlift that answers ({told}); install it there."
        ) from None
    if set(found.values()) != {code_digest()}:
        raise InputError(
            f"The workers of {scheduler} have another version of datumlift or of a library that it computes with; "
            "install the same there."
        )


def _free_memory() -> float:
    return float(psutil.virtual_memory().available)
