"""Mean light of the skin from picture to picture, as a live source gives them: what flicker is found in."""

from collections import deque
from threading import Lock

import numpy as np

from rigcheck.face.exposure_flicker import LightSeries
from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_moment import ExposureMoment, skin_level
from rigcheck.live.shots import Shot, View
from rigcheck.model import Frame, FrameRef

__all__ = ["LightTrace"]

# A run is at least as long as a fitting's, which shows beats from 0.6 Hz on; pictures missing for so long end it.
_LEAST_RUN_S, _RUN_S, _GAP_S = 2.5, 4.0, 0.5
_MOST = 512
# A stated frame rate counts where the pictures come as often, by so much.
_RATE_STRAYS = 0.02


class LightTrace:
    """Samples the skin's light in every picture of one camera; filled in one thread and read in another.

    Parameters
    ----------
    view : View
    curve : LightCurve
    stated_rate : float, optional
        Frames a second as the rig file says.

    Notes
    -----
    Where the skin is comes from the newest measured moment, some pictures before: the face moves little between them,
    and mean light over all skin changes less.
    """

    def __init__(self, view: View, curve: LightCurve, *, stated_rate: float | None = None) -> None:
        self._view, self._curve, self._stated_rate = view, curve, stated_rate
        self._lock = Lock()
        self._rows: deque[tuple[int, float, float]] = deque(maxlen=_MOST)
        self._where: ExposureMoment | None = None

    def lay(self, moment: ExposureMoment | None) -> None:
        """Take where the skin is; None without a face."""
        self._where = moment

    def take(self, held: tuple[Shot, ...]) -> None:
        """Sample those of the pictures held that are newer than the last."""
        where, curve = self._where, self._curve
        if where is None or where.layout is None or curve.light is None:
            return
        for shot in held:
            with self._lock:
                last = self._rows[-1] if self._rows else None
            if last is not None and shot.number <= last[0]:
                continue
            ref = FrameRef(camera="", frame_idx=shot.number, origin="", time_s=shot.captured_at_s)
            frame = Frame(ref=ref, image=self._view.cut(shot.image), bit_depth=shot.bit_depth)
            if frame.size_px != where.size_px or frame.bit_depth != curve.bit_depth:
                self.forget()
                return
            self._add(shot.number, shot.captured_at_s, skin_level(frame, where.layout, curve))

    def forget(self) -> None:
        """Start anew: the camera was moved, or the face was lost."""
        with self._lock:
            self._rows.clear()

    def series(self) -> tuple[LightSeries, float] | None:
        """The run so far and its frames a second; None while it is too short."""
        with self._lock:
            rows = np.array(self._rows, dtype=np.float64).reshape(-1, 3)
        if len(rows) < 2 or np.ptp(rows[:, 1]) < _LEAST_RUN_S:
            return None
        number, times, light = rows.T
        # Pictures arrive with jitter: the rate is that of the whole run.
        rate = float((number[-1] - number[0]) / (times[-1] - times[0]))
        stated = self._stated_rate
        if stated is not None and abs(rate - stated) <= _RATE_STRAYS * stated:
            rate = stated
        return LightSeries(times_s=times, light=light), rate

    def _add(self, number: int, at_s: float, level: float) -> None:
        with self._lock:
            if self._rows and not 0.0 < at_s - self._rows[-1][1] <= _GAP_S:
                self._rows.clear()
            self._rows.append((number, at_s, level))
            while at_s - self._rows[0][1] > _RUN_S:
                self._rows.popleft()
