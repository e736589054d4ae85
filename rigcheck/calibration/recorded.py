"""What the recording itself did to the pictures: lines of two moments, pixels that are not square."""

from collections.abc import Mapping, Sequence

import numpy as np

from rigcheck.model import Estimate

__all__ = ["field_measurements", "stated_aspect"]


def field_measurements(
    fields_px: Mapping[str, Sequence[float]], stated: Mapping[str, bool]
) -> dict[str, Estimate]:
    """How far apart odd and even lines show the board.

    Parameters
    ----------
    fields_px : mapping
        Per camera, the shift in every picture (:func:`rigcheck.target.fields.fields_apart_px`).
    stated : mapping
        Per camera, whether its file says that it is interlaced.

    Returns
    -------
    dict of str to Estimate
        ``<camera>.fields_apart_px``: root mean square over the pictures.
        ``<camera>.stated_interlaced``: 1 or 0, as the file says.
    """
    out: dict[str, Estimate] = {}
    for camera, values in fields_px.items():
        squares = np.square(np.asarray(values, dtype=np.float64))
        n = len(squares)
        rms = float(np.sqrt(squares.mean())) if n else None
        # Of a mean of squares, carried to its root.
        sigma = float(squares.std(ddof=1) / np.sqrt(n) / (2.0 * rms)) if rms and n > 1 else None
        out[f"{camera}.fields_apart_px"] = Estimate(
            value=rms,
            sigma=sigma,
            unit="px",
            n=n,
            reason="" if rms is not None else "no picture shows enough of the board",
        )
        out[f"{camera}.stated_interlaced"] = Estimate(value=float(stated.get(camera, False)), n=n)
    return out


def stated_aspect(measurements: Mapping[str, Estimate], aspects: Mapping[str, float]) -> dict[str, Estimate]:
    """Judge the focal lengths' ratio by the shape that the file gives its pixels.

    Parameters
    ----------
    measurements : mapping
        With ``<camera>.focal_ratio`` and ``<camera>.pixel_aspect_error``.
    aspects : mapping
        Per camera, width over height of a pixel as its file says; only where it says so.

    Returns
    -------
    dict of str to Estimate
        ``<camera>.stated_pixel_aspect``, and ``<camera>.pixel_aspect_error`` measured from that shape.

    Notes
    -----
    A pixel of width w and height h gives focal lengths f / w and f / h: fx / fy times w / h is 1.
    """
    out: dict[str, Estimate] = {}
    for camera, aspect in aspects.items():
        ratio = measurements.get(f"{camera}.focal_ratio")
        out[f"{camera}.stated_pixel_aspect"] = Estimate(value=aspect)
        if ratio is not None and ratio.value is not None:
            sigma = None if ratio.sigma is None else ratio.sigma * aspect
            error = abs(ratio.value * aspect - 1.0)
            out[f"{camera}.pixel_aspect_error"] = Estimate(value=error, sigma=sigma, n=ratio.n)
    return out
