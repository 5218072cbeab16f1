"""Stitching stands back for everything else: idle processor and disk time only."""

import contextlib
import ctypes
import os
import platform
from collections.abc import Iterator
from contextlib import contextmanager

# ioprio_set(2): its number is the architecture's (arch/x86/entry/syscalls/syscall_64.tbl, asm-generic/unistd.h); the
# class stands above bit 13, 3 is idle, and "who" 0 of kind 1 is the calling thread.
_IOPRIO_SET = {"x86_64": 251, "aarch64": 30}
_ONE_THREAD, _IDLE = 1, 3 << 13


def lower() -> None:
    """Put this process into the idle classes, as far as it may; call it before threads start, as they inherit it."""
    with contextlib.suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, 19)
    number = _IOPRIO_SET.get(platform.machine())
    if number is not None:
        ctypes.CDLL(None).syscall(number, _ONE_THREAD, 0, _IDLE)


@contextmanager
def keep_rank() -> Iterator[None]:
    """Put all threads of this process back to the scheduling that the calling one has now.

    An encoder that is opened by root may make itself and its caller real-time, ahead of whatever else the computer
    does: libsvtav1 takes SCHED_FIFO at 99, the highest there is (sched(7)), and the caller's later children inherit it.
    """
    policy, priority = os.sched_getscheduler(0), os.sched_getparam(0)
    try:
        yield
    finally:
        for thread in os.listdir("/proc/self/task"):  # noqa: PTH208 - names alone are wanted
            with contextlib.suppress(OSError):  # it has just ended
                os.sched_setscheduler(int(thread), policy, priority)
