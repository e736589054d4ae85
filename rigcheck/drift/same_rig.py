"""When nothing fits: clips given in the wrong order, or a calibration of another rig."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.drift.stored import StoredRig
from rigcheck.drift.today import fit_today
from rigcheck.errors import ConfigError, EstimationError
from rigcheck.geometry.board_views import View
from rigcheck.geometry.fit_residuals import rms_px
from rigcheck.geometry.rotation import angle_between

# No knock leaves a rig in one piece and does more than this.
_MOST_TURN_DEG = 10.0
_MOST_BASELINE = 0.25
_MOST_FOCAL = 0.04
_MOST_RMS_PX = 3.0
_HINT = "give the calibration of this rig, made with these lenses at this picture size; or calibrate it anew."

__all__ = ["refuse_other_rig"]


@dataclass(frozen=True, kw_only=True)
class _Apart:
    """How far a free fit is from the stored rig; `words` name what is beyond any knock."""

    words: tuple[str, ...]
    rms_px: float


def refuse_other_rig(views: Sequence[View], stored: StoredRig) -> None:
    """Raise when today's views cannot be of the stored rig.

    Parameters
    ----------
    views : sequence of View
        Usable ones.
    stored : StoredRig

    Raises
    ------
    ConfigError
        When they fit with both clips exchanged.
    EstimationError
        When they do not fit either way: the change is larger than any knock makes.
    """
    straight = _apart(views, stored)
    if not straight.words:
        return
    names = [entry.camera.name for entry in stored.calibration.cameras]
    if len(names) == 2 and not _apart([(view[1], view[0]) for view in views], stored).words:
        raise ConfigError(
            f"the clips are in the wrong order: the first shows {names[1]}, the second {names[0]} of the calibration.",
            hint="exchange the two clips; if the cards were mixed up, relabel them first.",
        )
    raise EstimationError(
        f"today's views are not of the rig calibrated {stored.calibration.created}: {'; '.join(straight.words)}.",
        hint=_HINT,
    )


def _apart(views: Sequence[View], stored: StoredRig) -> _Apart:
    try:
        fit = fit_today(views, stored.calibration.board, stored).adjustment
    except EstimationError:
        return _Apart(words=("no position of the cameras puts the board before both",), rms_px=float("inf"))
    state, words = fit.state, []
    left = rms_px(fit)
    if left > _MOST_RMS_PX or fit.summary.noise_px > _MOST_RMS_PX:
        words.append(f"the board fits only to {max(left, fit.summary.noise_px):.1f} px")
    for entry, now, then in zip(stored.calibration.cameras, state.intrinsics, stored.intrinsics, strict=True):
        share = float(np.mean(now[:2] / then[:2])) - 1.0
        if abs(share) > _MOST_FOCAL:
            words.append(f"the focal length of {entry.camera.name} is {100 * share:+.1f} % off")
    if len(stored.models) == 2:
        turned = float(np.degrees(angle_between(state.rotation, stored.rotation)))
        before, after = (float(np.linalg.norm(t)) for t in (stored.translation, state.translation))
        flipped = float(state.translation @ stored.translation) < 0.0
        if turned > _MOST_TURN_DEG:
            words.append(f"the cameras stand {turned:.0f}° otherwise")
        if flipped or abs(after / before - 1.0) > _MOST_BASELINE:
            words.append(
                f"the baseline is {after:.1f} mm{', the other way round' if flipped else ''}, not {before:.1f}"
            )
    return _Apart(words=tuple(words), rms_px=left)
