"""Scoring by the workers of a Dask cluster: the same chunks in the same order, so the same bytes."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from concurrent.futures import Executor

from advisor.errors import InputError, library

_SECONDS = 10
"""How long a scheduler may take to answer [s]."""


@contextlib.contextmanager
def executor_of(address: str | None, workers: int | None) -> Iterator[Executor]:
    """Where new machines are scored: workers of a scheduler, or so many processes of this machine.

    A chunk whose worker dies goes to another one.

    Raises
    ------
    InputError
        When Dask is not installed, or nobody answers at the address.
    """
    distributed = library("distributed", "A cluster needs the extra 'many'.", "many", InputError)
    with contextlib.ExitStack() as stack:
        if address is None:
            local = distributed.LocalCluster(
                n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
            )
            address = stack.enter_context(local).scheduler_address
        try:
            client = stack.enter_context(distributed.Client(address, timeout=_SECONDS, set_as_default=False))
        except (OSError, ValueError) as problem:
            raise InputError(
                f"No Dask scheduler answers at {address!r}.", "Give it as its log does, such as tcp://host:8786."
            ) from problem
        yield client.get_executor(pure=False)
