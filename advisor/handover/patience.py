"""A limit of time for each look: a file may be made so that a pattern tries for hours."""

from __future__ import annotations

import signal
import threading
from contextlib import AbstractContextManager
from types import FrameType, TracebackType

LONGEST_LOOK_S = 30.0
"""Longest that one rule may take for one file [s]; to unpack a start image of 256 MB by xz takes some 10."""


class TooLong(BaseException):
    """A look took too long; no Exception, so that nothing that passes by a damaged file takes it for one."""


class Patience(AbstractContextManager["Patience"]):
    """Ends looks by the alarm clock of the process; each that had to be ended halves the time of those to come.

    Only the main thread has an alarm: in another one nothing is ended.
    """

    def __init__(self) -> None:
        self._works = threading.current_thread() is threading.main_thread()
        self._running = False
        self._limit = LONGEST_LOOK_S

    def __enter__(self) -> Patience:
        if self._works:
            self._handler = signal.signal(signal.SIGALRM, self._ring)
            self._timer = signal.getitimer(signal.ITIMER_REAL)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()
        if self._works:
            signal.signal(signal.SIGALRM, self._handler if self._handler is not None else signal.SIG_DFL)
            signal.setitimer(signal.ITIMER_REAL, *self._timer)

    def start(self) -> None:
        """Begin the time of one look."""
        if self._works:
            self._running = True
            signal.setitimer(signal.ITIMER_REAL, self._limit)

    def stop(self) -> None:
        """End it; an alarm that is on its way rings no more."""
        if self._running:
            self._running = False
            signal.setitimer(signal.ITIMER_REAL, 0)

    def _ring(self, number: int, frame: FrameType | None) -> None:
        if self._running:
            self._running = False
            self._limit = max(self._limit / 2, LONGEST_LOOK_S / 30)
            raise TooLong
