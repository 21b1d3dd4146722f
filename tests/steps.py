"""Work counted in lines of Python that are run, so that a busy machine makes no difference.

It counts every turn of a loop and nothing of what the C of a library does, so it tells how work
grows, not what it costs.
"""

import sys
import threading
from collections.abc import Callable
from types import FrameType
from typing import Any


def steps(work: Callable[[], object]) -> int:
    """The lines that some work runs, in this thread and in those that it starts."""
    count = 0

    def trace(frame: FrameType, event: str, arg: Any) -> Any:
        nonlocal count
        count += event == "line"
        return trace

    before = sys.gettrace(), threading.gettrace()
    threading.settrace(trace)
    sys.settrace(trace)
    try:
        work()
    finally:
        sys.settrace(before[0])
        threading.settrace(before[1])  # type: ignore[arg-type]
    return count
