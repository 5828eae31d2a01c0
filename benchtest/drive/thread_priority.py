"""Running first: whether this user's threads may go before all else the machine does."""

from __future__ import annotations

import os
import sys
import threading

REMEDY = (
    'echo "$USER - rtprio 1" | sudo tee /etc/security/limits.d/benchtest.conf, '
    "then log out and in again"
)
"""Source: pam_limits, limits.conf(5)."""


def raise_thread_priority() -> bool:
    """Let this thread run as soon as it has something to do; whether the system allows that.

    It takes rights (root, or an `rtprio` limit); without them the thread waits its turn. What it
    begins does not inherit it.
    """
    if sys.platform != "linux":
        return False
    policy = os.SCHED_RR | os.SCHED_RESET_ON_FORK
    try:
        os.sched_setscheduler(0, policy, os.sched_param(1))  # 0 is this thread
    except OSError:
        return False
    return True


def may_raise_thread_priority() -> bool:
    """Whether a thread would be let run first: one asks, and ends."""
    allowed: list[bool] = []
    asking = threading.Thread(target=lambda: allowed.append(raise_thread_priority()))
    asking.start()
    asking.join()
    return allowed == [True]
