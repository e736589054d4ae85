"""How often something happens, over the last seconds."""

from collections import deque
from threading import Lock

__all__ = ["Rate"]

_OVER_S = 3.0


class Rate:
    """Counts moments; may be used from any thread."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._times: deque[float] = deque()

    def count(self, now_s: float) -> None:
        """It happened once more."""
        with self._lock:
            self._times.append(now_s)
            self._forget(now_s)

    def per_s(self, now_s: float) -> float:
        """How often a second."""
        with self._lock:
            self._forget(now_s)
            return len(self._times) / _OVER_S

    def _forget(self, now_s: float) -> None:
        while self._times and now_s - self._times[0] > _OVER_S:
            self._times.popleft()
