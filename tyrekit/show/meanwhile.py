"""Work done bit by bit between a person's clicks, and a look at the book now and then."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from typing import TypeVar

Attempt = Callable[[Callable[[], None]], bool]
Result = TypeVar("Result")
STEP_S = 0.01  # between two steps, for what a person does


class Meanwhile:
    """Runs the steps of an iterator one at a time; whatever a person does goes first.

    Without an event loop all steps run at once. Starting other work ends the one before.

    Parameters
    ----------
    attempt : callable
        Runs one step and says whether it went well; after one that did not the work ends.
    """

    def __init__(self, attempt: Attempt) -> None:
        self._attempt = attempt
        self._timer: asyncio.TimerHandle | None = None
        self._steps: Iterator[object] = iter(())

    def start(self, steps: Iterator[object], delay_s: float = 0.05) -> None:
        """Begin; the first step comes a moment later, when the screen has been drawn."""
        self.stop()
        self._steps = steps
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            while self._step(steps):
                pass
            return
        self._later(loop, steps, delay_s)

    def stop(self) -> None:
        """End the work under way, if any; a generator is closed."""
        if self._timer is not None:
            self._timer.cancel()
        steps, self._steps = self._steps, iter(())
        if isinstance(steps, Generator):
            steps.close()

    def _later(
        self, loop: asyncio.AbstractEventLoop, steps: Iterator[object], delay_s: float
    ) -> None:
        def go() -> None:
            if self._step(steps) and steps is self._steps:
                self._later(loop, steps, STEP_S)

        self._timer = loop.call_later(delay_s, go)

    def _step(self, steps: Iterator[object]) -> bool:
        """Run one step and return whether there may be another."""
        ended = []

        def work() -> None:
            try:
                next(steps)
            except StopIteration:
                ended.append(True)

        return self._attempt(work) and not ended


def aside(
    work: Callable[[], Result], give_up: Callable[[], object]
) -> Generator[None, None, Result]:
    """Run long work in a thread, a short wait a step, and return what it found.

    Closed before the end it calls `give_up`, which must make the work end soon.
    """
    with ThreadPoolExecutor(1) as pool:
        running: Future[Result] = pool.submit(work)
        try:
            while True:
                try:
                    return running.result(timeout=STEP_S)
                except NotYet:
                    yield
        finally:
            give_up()


class Regularly:
    """Calls `look` every few seconds while an event loop runs; never without one."""

    def __init__(self, look: Callable[[], object], every_s: float = 2.0) -> None:
        self._look, self._every_s = look, every_s
        self._timer: asyncio.TimerHandle | None = None
        try:
            self._loop = asyncio.get_running_loop()
        except RuntimeError:
            return
        self._next()

    def stop(self) -> None:
        """Look no more."""
        if self._timer is not None:
            self._timer.cancel()

    def _next(self) -> None:
        self._timer = self._loop.call_later(self._every_s, self._go)

    def _go(self) -> None:
        try:
            self._look()
        finally:
            self._next()
