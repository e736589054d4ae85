"""Today's fitting against an approved one of the same performer: what moved while the helmet was off."""

from collections.abc import Mapping

import numpy as np

from rigcheck.face.head_model import EYE_SPAN_MM
from rigcheck.model import Estimate

__all__ = ["refit_shifts"]

# What of a landmark's standard uncertainty is the same on one face seen twice, and so cancels in a difference.
_SHARED = 0.9
_OF_PEOPLE = 0.055  # sizes of heads


def refit_shifts(
    name: str, today: Mapping[str, Estimate], approved: Mapping[str, Estimate]
) -> dict[str, Estimate]:
    """Compare one camera's framing with the approved one.

    Parameters
    ----------
    name : str
        The camera's.
    today, approved : mapping
        Measurements by their full names (``framing.<camera>.…``); both of the same picture size.

    Returns
    -------
    dict
        ``refit.<camera>.across_mm`` and ``down_mm``: by how much the face lies further toward the performer's left,
        and further down, in today's picture, in millimetres at the face; ``roll_deg``, ``look_up_deg``; and
        ``size_ratio``, today's eye distance over the approved one's, less one.

    Notes
    -----
    Shifts are those of the eyes' corners, which stay on the skull where smiles and speech move nostrils and mislead the
    face mesh there; of the nostril base where either side knows no eyes. Millimetres rest on the calibrated or fitted
    scale where it is known (``px_per_mm``), else on the average outer-eye distance, good to 5.5 %. Of the landmarks'
    errors on the same face nine tenths are taken as common and cancel.
    """
    out = {}
    scale, scale_sigma = _px_per_mm(name, today)
    for axis, label in (("x", "across_mm"), ("y", "down_mm")):
        shift = _shift_px(name, axis, today, approved)
        if shift.value is not None and shift.sigma is not None and scale is not None:
            value = shift.value / scale
            sigma = float(np.hypot(shift.sigma / scale, value * scale_sigma))
            shift = Estimate(value=value, sigma=sigma, unit="mm", n=shift.n)
        elif shift.value is not None:
            shift = Estimate(value=None, unit="mm", reason="the scale at the face is not known")
        out[f"refit.{name}.{label}"] = shift
    for quantity in ("roll_deg", "look_up_deg"):
        out[f"refit.{name}.{quantity}"] = _change(f"framing.{name}.{quantity}", today, approved, unit="deg")
    out[f"refit.{name}.size_ratio"] = _size_ratio(f"framing.{name}.eye_distance_px", today, approved)
    return out


def _shift_px(
    name: str, axis: str, today: Mapping[str, Estimate], approved: Mapping[str, Estimate]
) -> Estimate:
    """How far the face moved along an axis of the picture, in px (its unit is set by the caller)."""
    by_eyes = _change(f"framing.{name}.eyes_offset_{axis}_px", today, approved, unit="mm")
    if by_eyes.value is not None:
        return by_eyes
    return _change(f"framing.{name}.nostril_offset_{axis}_px", today, approved, unit="mm")


def _px_per_mm(name: str, today: Mapping[str, Estimate]) -> tuple[float | None, float]:
    known = today.get(f"framing.{name}.px_per_mm")
    if known is not None and known.value:
        return known.value, (known.sigma or 0.0) / known.value
    eyes = today.get(f"framing.{name}.eye_distance_px")
    if eyes is not None and eyes.value:
        return eyes.value / EYE_SPAN_MM, _OF_PEOPLE
    return None, 0.0


def _both(
    name: str, today: Mapping[str, Estimate], approved: Mapping[str, Estimate]
) -> tuple[Estimate, Estimate] | str:
    camera = name.rpartition(".")[0]
    for side in ("width_px", "height_px"):
        sizes = [each.get(f"{camera}.{side}") for each in (today, approved)]
        if all(size is not None for size in sizes) and len({size.value for size in sizes if size}) > 1:
            return "the pictures of the approved fitting have another size, as of a proxy"
    now, then = today.get(name), approved.get(name)
    for estimate, which in ((then, "the approved fitting"), (now, "today's fitting")):
        if estimate is None:
            return f"{which} has no {name}"
        if estimate.value is None:
            return f"not known in {which}: {estimate.reason}"
    if now is None or then is None:
        raise ValueError("both were just found")
    return now, then


def _change(
    name: str, today: Mapping[str, Estimate], approved: Mapping[str, Estimate], *, unit: str
) -> Estimate:
    found = _both(name, today, approved)
    if isinstance(found, str):
        return Estimate(value=None, unit=unit, reason=found)
    now, then = found
    sigma = float(np.hypot(now.sigma or 0.0, then.sigma or 0.0)) * np.sqrt(1.0 - _SHARED**2)
    return Estimate(
        value=(now.value or 0.0) - (then.value or 0.0), sigma=float(sigma), unit=unit, n=min(now.n, then.n)
    )


def _size_ratio(name: str, today: Mapping[str, Estimate], approved: Mapping[str, Estimate]) -> Estimate:
    found = _both(name, today, approved)
    if isinstance(found, str) or not found[0].value or not found[1].value:
        return Estimate(value=None, reason=found if isinstance(found, str) else "no eye distance")
    now, then = found
    ratio = found[0].value / found[1].value
    spread = np.hypot((now.sigma or 0.0) / found[0].value, (then.sigma or 0.0) / found[1].value)
    return Estimate(
        value=ratio - 1.0,
        sigma=float(ratio * spread * np.sqrt(1.0 - _SHARED**2)),
        n=min(now.n, then.n),
    )
