"""Memory returned to the system, measured in a separate process."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

CODE = """
import sys, threading
import numpy as np
from pathlib import Path
from benchtest.operating_system import return_freed_memory, share_one_arena

def resident_kib():
    rows = Path("/proc/self/status").read_text("ascii").splitlines()
    return int(next(row for row in rows if row.startswith("VmRSS")).split()[1])

def work():
    kept = [np.ones(12_000) for _ in range(400)]  # below the size that is mapped by itself
    last.append(kept[-1])

if sys.argv[1] == "bounded":
    assert share_one_arena()
last = []
work()
before = resident_kib()
for _ in range(8):
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
if sys.argv[1] == "bounded":
    return_freed_memory()
print(resident_kib() - before)
"""


def _growth_kib(how: str) -> int:
    done = subprocess.run(
        [sys.executable, "-c", CODE, how], capture_output=True, text=True, check=True
    )
    return int(done.stdout)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries keep none of it")
def test_threads_leave_no_memory_behind() -> None:
    one_thread_kib = 400 * 12_000 * 8 // 1024
    assert _growth_kib("bounded") < one_thread_kib // 2
