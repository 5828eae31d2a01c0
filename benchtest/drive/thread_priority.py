"""Real-time priority for the frame-clock thread."""

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
    """Give this thread real-time priority; return whether the system allows it.

    Needs root or an `rtprio` limit. Processes that the thread starts do not inherit the priority.
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
    """Return whether the system allows real-time priority, by trying it in a short-lived thread."""
    allowed: list[bool] = []
    asking = threading.Thread(target=lambda: allowed.append(raise_thread_priority()))
    asking.start()
    asking.join()
    return allowed == [True]
