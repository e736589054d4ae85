"""From recorded signal to light: the transfer curves that a rig file may name."""

import numpy as np

from rigcheck.model._arrays import FloatArray

__all__ = ["TRANSFERS", "decoded_light"]

TRANSFERS = ("linear", "srgb", "bt709", "gamma_2_2", "gamma_2_4")


def decoded_light(signal: FloatArray, transfer: str) -> FloatArray:
    """Linear light of a signal, full scale 1 in both; negative signal is no light.

    Parameters
    ----------
    signal : float64, 0 at black, 1 at nominal white; may go beyond white
    transfer : one of `TRANSFERS`

    Raises
    ------
    ValueError
        For another curve.

    References
    ----------
    IEC 61966-2-1:1999 (sRGB); ITU-R BT.709-6, 1.2, inverted. Constants from memory.
    """
    value = np.clip(np.asarray(signal, dtype=np.float64), 0.0, None)
    match transfer:
        case "linear":
            light = value
        case "srgb":
            light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
        case "bt709":
            light = np.where(value < 0.081, value / 4.5, ((value + 0.099) / 1.099) ** (1 / 0.45))
        case "gamma_2_2" | "gamma_2_4":
            light = value ** (2.2 if transfer == "gamma_2_2" else 2.4)
        case _:
            raise ValueError(f"transfer: {transfer!r} found, one of {', '.join(TRANSFERS)} needed")
    return np.asarray(light)
