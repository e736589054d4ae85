"""Each take of a day against a reference: helmet slip, sharpness, light, a lens gone dirty, another face."""

from collections.abc import Mapping, Sequence

import numpy as np
import scipy

from rigcheck.face.audit_slip import NO_REFERENCE, slip_of_day
from rigcheck.face.framing_pair import looks_exchanged
from rigcheck.model import Estimate
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.model.auditing import OwnShift
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

__all__ = ["changes_of_day", "reference_of"]


def reference_of(records: Sequence[TakeRecord], performer: str | None) -> TakeRecord | None:
    """First take of a performer in which every camera shows the face; None without any."""
    for record in records:
        seen = [record.number(f"framing.{camera}.roll_deg").value for camera in record.cameras]
        usable = not record.fault and not looks_exchanged(record.measurements)
        if usable and record.take.performer == performer and seen and None not in seen:
            return record
    return None


def changes_of_day(
    records: Sequence[TakeRecord],
    approved: Mapping[str, Estimate] | None = None,
    shifts: Sequence[OwnShift] = (),
) -> dict[str, dict[str, Estimate]]:
    """Compare each take with the first good one of the same performer.

    Parameters
    ----------
    records : sequence of TakeRecord
        In the order of the day.
    approved : mapping, optional
        Measurements of the approved fitting; slip is then counted from there.
    shifts : sequence of OwnShift
        What the pair's changes did to either camera's own picture, which is no slip.

    Returns
    -------
    dict
        Take to its changes: those of :func:`rigcheck.face.audit_slip.slip_of_day`; ``focus.<camera>.ratio`` (sharpness
        over the reference's, all regions); ``light.<camera>.stops``; ``lens.<camera>.spot_share`` (share of the lit
        picture in a spot of lost contrast) and ``.veil`` (share of the whole contrast lost);
        ``face.interpupillary_mm``. Unread takes have none, nor have those whose cameras are exchanged.

    Notes
    -----
    Contrast is held against the performer's first takes, up to eight others, cell by cell in the picture as recorded: a
    film on the lens stays where it is, expressions do not. A lens that was dirty from the first take on is not seen.
    """
    out: dict[str, dict[str, Estimate]] = {}
    read = [one for one in records if not one.fault and not looks_exchanged(one.measurements)]
    references = {one.name: reference_of(records, one.take.performer) for one in read}
    slips = slip_of_day(read, references, approved, shifts)
    for record in read:
        reference = references[record.name]
        same = [one for one in read if one.take.performer == record.take.performer]
        found = slips[record.name]
        for camera in record.cameras:
            found[f"focus.{camera}.ratio"] = _focus(record, camera, reference)
            found[f"light.{camera}.stops"] = _light(record, camera, reference)
            found |= _lens(record, camera, same)
        found["face.interpupillary_mm"] = _eyes(record, same)
        out[record.name] = found
    return out


def _focus(record: TakeRecord, camera: str, reference: TakeRecord | None) -> Estimate:
    """Geometric mean of the regions' sharpness ratios, weighted by how well each is known."""
    if reference is None:
        return Estimate(value=None, reason=NO_REFERENCE)
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
        return Estimate(value=None, unit="stops", reason=NO_REFERENCE)
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
        return Estimate(value=None, unit="mm", reason=NO_REFERENCE)
    return Estimate(
        value=now.value - float(np.median(known)),
        sigma=_OWN_SHARE * np.sqrt(2.0) * (now.sigma or 0.0),
        unit="mm",
        n=len(known),
    )
