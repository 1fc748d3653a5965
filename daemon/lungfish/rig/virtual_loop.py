"""An event loop whose clock jumps: whatever would be waited for happens at once, in the right order."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine, Mapping
from concurrent.futures import Executor
from typing import Any, TypeVar, TypeVarTuple

__all__ = ["VirtualLoop", "run_virtual"]

_T = TypeVar("_T")
_Ts = TypeVarTuple("_Ts")

_REAL_WAIT_S = 0.001
"""How long to look for the end of work in another thread before looking again; real time."""


class _JumpingSelector(selectors.BaseSelector):
    """Looks at the real files without waiting, and moves the virtual clock by what would have been waited."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.busy = 0
        self._real = selectors.DefaultSelector()

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:  # noqa: ANN401 - as in the base class
        return self._real.register(fileobj, events, data)

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:  # noqa: ANN401 - as in the base class
        return self._real.unregister(fileobj)

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        ready = self._real.select(0)
        if ready or (timeout is not None and timeout <= 0):
            return ready
        if self.busy:  # another thread is at work: its real time must not cost virtual time
            return self._real.select(_REAL_WAIT_S)
        if timeout is None:
            raise RuntimeError("everything waits and nothing is due: nobody will ever wake this loop")
        self.now_s += timeout
        return []

    def get_map(self) -> Mapping[Any, selectors.SelectorKey]:
        return self._real.get_map()

    def close(self) -> None:
        self._real.close()


class VirtualLoop(asyncio.SelectorEventLoop):
    """An asyncio loop in virtual time. Work handed to threads runs in real time while the clock stands still."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        """Virtual monotonic time, s; starts at 0."""
        return self._jumping.now_s

    def run_in_executor(self, executor: Executor | None, func: Callable[[*_Ts], _T], *args: *_Ts) -> asyncio.Future[_T]:
        """Run in a thread; the virtual clock stands still until it is done."""
        future = super().run_in_executor(executor, func, *args)
        self._jumping.busy += 1
        future.add_done_callback(self._one_less)
        return future

    async def shutdown_default_executor(self, *timeout: float) -> None:
        """Let the threads end; they do so in real time."""
        self._jumping.busy += 1
        try:
            await super().shutdown_default_executor(*timeout)
        finally:
            self._jumping.busy -= 1

    def _one_less(self, _future: asyncio.Future[Any]) -> None:
        self._jumping.busy -= 1


def run_virtual(main: Coroutine[Any, Any, _T]) -> _T:
    """Run a coroutine to its end in virtual time, as `asyncio.run` does in real time.

    Args:
        main: what to run.

    Raises:
        RuntimeError: everything waits for something that will never come.
    """
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(main)
