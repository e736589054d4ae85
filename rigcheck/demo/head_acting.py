"""Expressions that need to know whose face it is: eyes on a point, lips or teeth apart by a stated gap."""

from dataclasses import replace

import numpy as np

from rigcheck.demo.head_expression import Expression, bite, lips_apart, look, neutral
from rigcheck.demo.head_performer import Performer, posed_head
from rigcheck.model import RigidTransform
from rigcheck.model._arrays import FloatArray

__all__ = ["lips_parted", "look_at_point", "open_bite"]

_LIDS_FOLLOW = 0.55  # of what `look` lets them sink: the upper lid stays at the iris's upper rim


def look_at_point(
    performer: Performer, point_rig_mm: FloatArray, rig_from_head: RigidTransform
) -> Expression:
    """Both eyes on a point: a lens, something far, something at the side; the lids follow up and down.

    Parameters
    ----------
    performer : Performer
    point_rig_mm : (3,) float64, mm, rig frame
    rig_from_head : RigidTransform

    Notes
    -----
    Both eyes share one height of gaze, the mean of what each would need: they differ by hundredths of a degree
    unless the point is near and far to the side. The truth's `gaze_rig` says where each eye really looks.
    """
    point = rig_from_head.inverse().apply(np.asarray(point_rig_mm, dtype=np.float64))
    away = [point - eye.pivot_mm for eye in posed_head(performer, neutral()).eyes]
    yaws = [float(np.rad2deg(np.arctan2(way[0], -way[2]))) for way in away]
    pitches = [float(np.rad2deg(np.arctan2(-way[1], np.hypot(way[0], way[2])))) for way in away]
    yaw, pitch = sum(yaws) / 2, sum(pitches) / 2
    lids = look(0.0, pitch if pitch > 0 else _LIDS_FOLLOW * pitch)
    return replace(lids, gaze_deg=(yaw, pitch), vergence_deg=yaws[1] - yaws[0])


def lips_parted(performer: Performer, gap_mm: float) -> Expression:
    """Lips apart by this much at the middle of this performer's mouth, the jaw at rest; 0 lets them just touch."""
    closed, apart = (float(posed_head(performer, lips_apart(asked)).lip_gaps_mm[0]) for asked in (0.0, 1.0))
    return lips_apart((gap_mm - closed) / (apart - closed))


def open_bite(performer: Performer, gap_mm: float, *, amount: float = 1.0) -> Expression:
    """Teeth not quite closed, lips drawn clear of them: a dark line of this height between the incisors' edges.

    Parameters
    ----------
    performer : Performer
    gap_mm : float
        Between the edges at the middle; negative overlaps them, 0 sets edge on edge.
    amount : float
        How far the lips are drawn: see :func:`bite`.
    """
    apart, closed = (posed_head(performer, bite(amount, closed=share)).teeth_gap_mm for share in (0.0, 1.0))
    return replace(bite(amount), teeth_closed=(gap_mm - apart) / (closed - apart))
