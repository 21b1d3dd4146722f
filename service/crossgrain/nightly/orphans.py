"""Processes that must not outlive the one that started them.

A worker whose parent was killed would wait for work for ever, and hold its memory, its files and
the port that it listens at.
"""

import ctypes
import multiprocessing
import os
import sys

_PR_SET_PDEATHSIG = 1


def end_with_parent(number: int) -> None:
    """Linux: be sent a signal when the process that started this one ends, however it ends.

    A process that no other of ours started is left as it is.
    """
    parent = multiprocessing.parent_process()
    if parent is None or sys.platform != "linux":
        return
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, number)
    if os.getppid() != parent.pid:  # it ended before the system was asked
        os.kill(os.getpid(), number)
