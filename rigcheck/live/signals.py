"""The few numbers of a moment in which a move of boom, focus ring or lamp shows, with the noise expected of each."""

import numpy as np

from rigcheck.jobs.moment import Moment

__all__ = ["focus_signals", "framing_signals", "light_signals"]

Signals = dict[str, tuple[float, float]]

# From moment to moment, by differences of neighbours on 14 pictures of a rendered performer who talks and nods: shares
# of the eye distance (0.008 to 0.010), natural log (0.006 to 0.008), degrees (0.23 to 0.35); natural log of detail
# (0.07 to 0.08), log2 of brightness (0.008 to 0.011).
_PLACE_NOISE, _SIZE_NOISE, _ROLL_NOISE_DEG = 0.009, 0.007, 0.35
_DETAIL_NOISE, _LIGHT_NOISE = 0.08, 0.012
_LEAST_DETAIL = 0.02  # less is soft, however much less
# A face that goes further between two pictures is blurred: its detail says nothing about the ring.
_MOVING_PX = 3.0


def framing_signals(moment: Moment) -> Signals:
    """Place, size and lean of the face in each camera; empty where a face is missing."""
    out: Signals = {}
    for k, part in enumerate(moment.cameras):
        if part.framing is None:
            return {}
        face = part.framing.face
        eyes = face.eye_distance_px
        across, down = face.nostril_base_px
        out[f"{k} across"] = (float(across), _PLACE_NOISE * eyes)
        out[f"{k} down"] = (float(down), _PLACE_NOISE * eyes)
        out[f"{k} size"] = (float(np.log(eyes)), _SIZE_NOISE)
        roll = part.framing.numbers["roll_deg"].value
        out[f"{k} lean"] = (float("nan") if roll is None else roll, _ROLL_NOISE_DEG)
    return out


def focus_signals(moment: Moment) -> Signals:
    """Fine detail of each camera's picture; empty while the face moves fast."""
    out: Signals = {}
    for k, part in enumerate(moment.cameras):
        if part.focus is None or (part.focus.moved_px or 0.0) > _MOVING_PX:
            return {}
        known = [each.value for each in part.focus.regions.values() if each.value is not None]
        if not known:
            return {}
        out[f"{k} detail"] = (float(np.log(max(np.median(known), _LEAST_DETAIL))), _DETAIL_NOISE)
    return out


def light_signals(moment: Moment) -> Signals:
    """Brightness of the skin on the performer's right and left, in each camera's own code values."""
    out: Signals = {}
    for k, part in enumerate(moment.cameras):
        if part.exposure is None:
            return {}
        for side in ("right", "left"):
            codes = [place.code for name, place in part.exposure.places.items() if side in name]
            if not codes:
                return {}
            out[f"{k} {side}"] = (float(np.log2(np.median(codes) + 1.0)), _LIGHT_NOISE)
    return out
