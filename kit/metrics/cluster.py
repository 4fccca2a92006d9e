"""Work sent to other processes or machines through dask.distributed.

What is sent are functions of the kit and plain data. A worker that dies costs the time of what it
was doing: the scheduler gives that to another one. Whoever can reach the scheduler can run code on
every worker, so it belongs on a network of one's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from kit.errors import ExecutionError, UsageError

T = TypeVar("T")
R = TypeVar("R")

BATCH = 50  # logs a task; one alone costs less than the 1.6 ms it takes to send a task
CONNECT_S = 20


def do_on_cluster(
    function: Callable[[T], R], items: Sequence[T], *, address: str
) -> Iterator[tuple[int, R]]:
    """Yield the number of each item and what the function gives for it, as they are done.

    Parameters
    ----------
    function : callable
        Pure, and importable by the workers.
    items : sequence
        One task each; numbered from 0.
    address : str
        Of a scheduler, ``tcp://HOST:PORT``; or ``local:N`` for N processes of this machine.

    Raises
    ------
    UsageError
        If `distributed` is not installed, or no scheduler answers at the address.
    ExecutionError
        If a task cost several workers their lives, or the connection was lost.
    KitError
        What the function raises.
    """
    with _connected(address) as client:
        from distributed import as_completed
        from distributed.client import FutureCancelledError
        from distributed.scheduler import KilledWorker

        futures = client.map(function, items, pure=False)
        numbers = {future.key: number for number, future in enumerate(futures)}
        try:
            for future in as_completed(futures, loop=client.loop):
                result = future.result()
                number = numbers[future.key]
                future.release()  # the scheduler need not hold what came back
                yield number, result
        except KilledWorker as error:
            raise ExecutionError(
                f"{error.allowed_failures + 1} workers died at one task; they may be short of "
                "memory. What was finished is kept; see the last worker's log"
            ) from None
        except (FutureCancelledError, OSError) as error:
            raise ExecutionError(f"lost the cluster at {address}: {error}") from None


@contextmanager
def _connected(address: str) -> Iterator[Any]:
    """Give a client of the cluster at an address, and close it and what was started for it."""
    try:
        from distributed import Client, LocalCluster
    except ImportError:
        raise UsageError(
            'this needs dask.distributed; install "marginbook[cluster]", here and on the workers'
        ) from None
    kind, _, rest = address.partition(":")
    started = None
    if kind == "local":
        if not rest.isdigit() or int(rest) < 1:
            raise UsageError(
                f"--cluster {address}: write local:N with N processes, such as local:4"
            )
        started = LocalCluster(
            n_workers=int(rest),
            threads_per_worker=1,
            processes=True,
            dashboard_address="127.0.0.1:0",
            host="127.0.0.1",
        )  # fmt: skip
    elif kind not in {"tcp", "tls"}:
        raise UsageError(f"--cluster {address}: write tcp://HOST:PORT or local:N")
    try:
        try:
            client = Client(started or address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise UsageError(
                f"no scheduler answers at {address} ({error}); start one with `dask scheduler`"
            ) from None
        with client:
            yield client
    finally:
        if started is not None:
            started.close()
