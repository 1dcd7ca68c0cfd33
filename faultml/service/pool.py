"""Work that would hold up the event loop: a fixed number of threads, a bounded queue, a time limit."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from threading import Lock
from typing import ParamSpec, TypeVar

from faultml.service.problems import Refusal

_NEWEST = 0.1
"""Weight of the newest call in the mean of how long calls take."""

P = ParamSpec("P")
T = TypeVar("T")


class Pool:
    """Runs calls in threads.

    Parameters
    ----------
    running
        Calls at once.
    waiting
        Calls that wait; beyond, `run` refuses.
    max_s
        From `run` to its result.
    """

    def __init__(self, name: str, *, running: int, waiting: int, max_s: float) -> None:
        self._threads = ThreadPoolExecutor(running, thread_name_prefix=name)
        self._most = running + waiting
        self._max_s = max_s
        self._running = running
        self._taken = 0
        self._mean_s = 0.0
        self._lock = Lock()

    async def run(self, call: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """The result of a call.

        Raises
        ------
        Refusal
            ``busy`` (503) where too many wait, ``too-slow`` (503) where it takes too long. A call that runs already
            cannot be stopped, and takes its place until it ends.
        """
        with self._lock:
            if self._taken >= self._most:
                raise Refusal(503, "busy", "Too much work is waiting.", retry_s=self._wait_s())
            self._taken += 1
        future = self._threads.submit(self._timed, partial(call, *args, **kwargs))
        future.add_done_callback(lambda _: self._free())
        try:
            return await asyncio.wait_for(asyncio.wrap_future(future), self._max_s)
        except TimeoutError as error:
            raise Refusal(
                503,
                "too-slow",
                f"No answer within {self._max_s:g} s. Ask for less at once.",
                retry_s=self._wait_s(),
            ) from error

    def close(self) -> None:
        """Let go of the threads; what waits is dropped."""
        self._threads.shutdown(wait=False, cancel_futures=True)

    def _timed(self, call: Callable[[], T]) -> T:
        started = time.monotonic()
        try:
            return call()
        finally:
            spent_s = time.monotonic() - started
            with self._lock:
                self._mean_s += _NEWEST * (spent_s - self._mean_s)

    def _wait_s(self) -> float:
        """How long what is taken on will take, by how long calls took of late."""
        return self._taken * self._mean_s / self._running

    def _free(self) -> None:
        with self._lock:
            self._taken -= 1
