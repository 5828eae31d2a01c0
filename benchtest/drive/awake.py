"""Lock that keeps this machine from sleeping, so that a prop is not left dark or half tested."""

from __future__ import annotations

import contextlib
import warnings
from types import TracebackType


class AwakeLock:
    """Keeps the machine awake while it is held; the screen may still go dark.

    The library `wakepy` asks the system: systems without a desktop session often have no such
    service, and then the lock is held in vain.
    """

    def __init__(self) -> None:
        self._held: contextlib.ExitStack | None = None
        self.is_effective = False
        """True while the system has confirmed the lock."""

    def take(self) -> None:
        """Take the lock; a lock that is held stays."""
        if self._held is not None:
            return
        from wakepy import keep  # a third of a second, for long work only

        stack = contextlib.ExitStack()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            mode = stack.enter_context(keep.running(on_fail="pass"))
        self._held, self.is_effective = stack, bool(mode.active)

    def release(self) -> None:
        """Release the lock; the machine may sleep again. A second call has no effect."""
        held, self._held, self.is_effective = self._held, None, False
        if held is not None:
            with contextlib.suppress(Exception):  # a desktop that has ended has nothing to release
                held.close()

    def __enter__(self) -> AwakeLock:
        self.take()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()


def can_keep_awake() -> bool:
    """Return whether this system keeps the machine awake when asked; takes and releases a lock."""
    with AwakeLock() as lock:
        return lock.is_effective
