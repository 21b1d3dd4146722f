"""Whether the service is here to stay: told to stop, it first says so, then lets no more in.

A load balancer learns of a stop by asking ``/readyz``. Were the door shut at once, whatever it
still sends would be refused.
"""

import asyncio
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Presence:
    """Here, until told to stop; every answer after that asks for the connection to be closed.

    Parameters
    ----------
    seconds : between being told and letting no more in; told a second time, it waits no longer
    """

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self.leaving = False

    @contextmanager
    def told_by_signal(self) -> Iterator[None]:
        """Stand before the server's own handling of SIGTERM, where there is one."""
        stop = signal.getsignal(signal.SIGTERM)
        if threading.current_thread() is not threading.main_thread() or not callable(stop):
            yield
            return
        loop = asyncio.get_running_loop()

        def told(number: int, frame: FrameType | None) -> None:
            if self.leaving:
                stop(number, frame)
                return
            self.leaving = True
            loop.call_soon_threadsafe(loop.call_later, self._seconds, stop, number, None)

        signal.signal(signal.SIGTERM, told)
        try:
            yield
        finally:
            signal.signal(signal.SIGTERM, stop)
