"""Each take of a day against a reference: helmet slip, sharpness, light, a lens gone dirty, another face."""

from collections.abc import Mapping, Sequence

import numpy as np
import scipy

from rigcheck.face.framing_refit import refit_shifts
from rigcheck.geometry.honest_rms import honest_rms
from rigcheck.model import Estimate
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.model.take import TakeRecord

# A cell's contrast has dropped when it fell by this much more than the picture's as a whole (natural logarithm).
_CELL_DROP = 0.5
# What cells show in the first takes: the lower quartile of these, since expressions take detail away too.
_FIRST, _LOW = 8, 0.25
_FEWEST_CELLS = 12
# A spot is cells that hang together: a single one is a lip or a lid that moved.
_SPOT_CELLS = 3
# The same face twice: what of both lengths' sigma does not cancel, as for landmarks of one face.
_OWN_SHARE = 0.44
_NO_REFERENCE = "no earlier take to compare with"

__all__ = ["changes_of_day", "reference_of"]


def reference_of(records: Sequence[TakeRecord], performer: str | None) -> TakeRecord | None:
    """First take of a performer in which every camera shows the face; None without any."""
    for record in records:
        seen = [record.number(f"framing.{camera}.roll_deg").value for camera in record.cameras]
        if not record.fault and record.take.performer == performer and seen and None not in seen:
            return record
    return None


def changes_of_day(
    records: Sequence[TakeRecord], approved: Mapping[str, Estimate] | None = None
) -> dict[str, dict[str, Estimate]]:
    """Compare each take with the first good one of the same performer.

    Parameters
    ----------
    records : sequence of TakeRecord
        In the order of the day.
    approved : mapping, optional
        Measurements of the approved fitting; slip is then counted from there.

    Returns
    -------
    dict
        Take to its changes: ``slip.<camera>.across_mm``, ``.down_mm``, ``.moved_mm``, ``.roll_deg``, ``.look_up_deg``,
        ``.size_ratio``; ``focus.<camera>.ratio`` (sharpness over the reference's, all regions);
        ``light.<camera>.stops``; ``lens.<camera>.spot_share`` (share of the lit picture in a spot of lost contrast) and
        ``.veil`` (share of the whole contrast lost); ``face.interpupillary_mm``. Unread takes have none.

    Notes
    -----
    Contrast is held against the performer's first takes, up to eight others, cell by cell in the picture as recorded: a
    film on the lens stays where it is, expressions do not. A lens that was dirty from the first take on is not seen.
    """
    out: dict[str, dict[str, Estimate]] = {}
    for record in records:
        if record.fault:
            continue
        reference = reference_of(records, record.take.performer)
        same = [one for one in records if not one.fault and one.take.performer == record.take.performer]
        found: dict[str, Estimate] = {}
        for camera in record.cameras:
            found |= _slip(record, camera, reference, approved)
            found[f"focus.{camera}.ratio"] = _focus(record, camera, reference)
            found[f"light.{camera}.stops"] = _light(record, camera, reference)
            found |= _lens(record, camera, same)
        found["face.interpupillary_mm"] = _eyes(record, same)
        out[record.name] = found
    return out


def _slip(
    record: TakeRecord,
    camera: str,
    reference: TakeRecord | None,
    approved: Mapping[str, Estimate] | None,
) -> dict[str, Estimate]:
    base = approved if approved is not None else None if reference is None else reference.measurements
    if base is None:
        return {f"slip.{camera}.moved_mm": Estimate(value=None, unit="mm", reason=_NO_REFERENCE)}
    shifts = refit_shifts(camera, record.measurements, base)
    out = {name.replace("refit.", "slip.", 1): each for name, each in shifts.items()}
    across, down = out[f"slip.{camera}.across_mm"], out[f"slip.{camera}.down_mm"]
    out[f"slip.{camera}.moved_mm"] = _length(across, down)
    return out


def _length(across: Estimate, down: Estimate) -> Estimate:
    """Length of a shift, what the errors of both parts alone would make of it taken off."""
    if across.value is None or down.value is None:
        return Estimate(value=None, unit="mm", reason=across.reason or down.reason)
    errors = np.diag([(across.sigma or 0.0) ** 2, (down.sigma or 0.0) ** 2])
    found = honest_rms(np.array([across.value, down.value]), errors)
    # The length of two parts is the root of two times their RMS.
    return Estimate(
        value=float(np.sqrt(2.0)) * found.value,
        sigma=float(np.sqrt(2.0)) * found.sigma,
        unit="mm",
        n=across.n,
    )


def _focus(record: TakeRecord, camera: str, reference: TakeRecord | None) -> Estimate:
    """Geometric mean of the regions' sharpness ratios, weighted by how well each is known."""
    if reference is None:
        return Estimate(value=None, reason=_NO_REFERENCE)
    prefix = f"focus.{camera}."
    logs, variances = [], []
    for name, now in record.measurements.items():
        then = reference.measurements.get(name)
        if not name.startswith(prefix) or then is None or not now.value or not then.value:
            continue
        logs.append(np.log(now.value / then.value))
        variances.append(
            max(((now.sigma or 0.0) / now.value) ** 2 + ((then.sigma or 0.0) / then.value) ** 2, 1e-4)
        )
    if not logs:
        return Estimate(value=None, reason="no region has enough contrast in both takes")
    weights = 1.0 / np.array(variances)
    mean = float((weights * logs).sum() / weights.sum())
    scatter = float(np.average((np.array(logs) - mean) ** 2, weights=weights)) / len(logs)
    sigma = float(np.sqrt(max(1.0 / weights.sum(), scatter)))
    return Estimate(value=float(np.exp(mean)), sigma=float(np.exp(mean)) * sigma, n=len(logs))


def _light(record: TakeRecord, camera: str, reference: TakeRecord | None) -> Estimate:
    """Light on the skin against the reference: stops by the transfer curve, else by code values."""
    if reference is None:
        return Estimate(value=None, unit="stops", reason=_NO_REFERENCE)
    pairs = [(one, one.number(f"exposure.{camera}.skin_stops")) for one in (record, reference)]
    if all(number.value is not None for _, number in pairs):
        now, then = pairs[0][1], pairs[1][1]
        sigma = float(np.hypot(now.sigma or 0.0, then.sigma or 0.0))
        return Estimate(value=(now.value or 0.0) - (then.value or 0.0), sigma=sigma, unit="stops", n=now.n)
    now, then = (one.number(f"exposure.{camera}.skin_code") for one in (record, reference))
    if not now.value or not then.value:
        return Estimate(value=None, unit="stops", reason=now.reason or then.reason or "no skin was seen")
    sigma = float(np.hypot((now.sigma or 0.0) / now.value, (then.sigma or 0.0) / then.value) / np.log(2.0))
    return Estimate(value=float(np.log2(now.value / then.value)), sigma=sigma, unit="stops", n=now.n)


def _lens(record: TakeRecord, camera: str, same: Sequence[TakeRecord]) -> dict[str, Estimate]:
    """Contrast lost in a spot of the picture, and in the whole of it, against the day's other takes."""
    names = {"spot": f"lens.{camera}.spot_share", "veil": f"lens.{camera}.veil"}
    own = record.contrast.get(camera)
    others = [
        one.contrast[camera]
        for one in same
        if one is not record and own is not None and one.contrast.get(camera, own[:0]).shape == own.shape
    ][:_FIRST]
    if own is None or not others:
        reason = "no other take of these settings to compare with"
        return {name: Estimate(value=None, reason=reason) for name in names.values()}
    stack = np.array(others)
    usual, low = np.median(stack, axis=0), np.quantile(stack, _LOW, axis=0)
    known = np.asarray(np.isfinite(own) & np.isfinite(usual))
    if known.sum() < _FEWEST_CELLS:
        reason = "too little of the picture is lit"
        return {name: Estimate(value=None, reason=reason) for name in names.values()}
    change = np.where(known, own - np.where(known, usual, 0.0), 0.0)
    whole = float(np.median(change[known]))
    below = np.where(known, own - np.where(known, low, 0.0), 0.0)
    spot = _largest_spot(np.asarray(known & (below - whole < -_CELL_DROP)))
    n = int(known.sum())
    scatter = 1.4826 * float(np.median(np.abs(change[known] - whole)))
    return {
        names["spot"]: Estimate(value=spot / n, n=n),
        names["veil"]: Estimate(
            value=1.0 - float(np.exp(whole)),
            sigma=float(np.exp(whole)) * 1.25 * scatter / np.sqrt(n),
            n=n,
        ),
    }


def _largest_spot(dropped: BoolArray) -> int:
    """Cells of the largest piece that hangs together; 0 for pieces of one or two cells."""
    labels, count = scipy.ndimage.label(dropped)
    if not count:
        return 0
    largest = int(np.bincount(labels.ravel())[1:].max())
    return largest if largest >= _SPOT_CELLS else 0


def _eyes(record: TakeRecord, same: Sequence[TakeRecord]) -> Estimate:
    """Distance between the pupils against the median of the performer's takes."""
    name = "pair.interpupillary_mm"
    now = record.number(name)
    if now.value is None:
        return Estimate(value=None, unit="mm", reason=now.reason)
    values = [one.number(name).value for one in same if one is not record]
    known: FloatArray = np.array([value for value in values if value is not None], dtype=np.float64)
    if not len(known):
        return Estimate(value=None, unit="mm", reason=_NO_REFERENCE)
    return Estimate(
        value=now.value - float(np.median(known)),
        sigma=_OWN_SHARE * np.sqrt(2.0) * (now.sigma or 0.0),
        unit="mm",
        n=len(known),
    )
