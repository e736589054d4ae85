"""Each take of a day against a reference: helmet slip, sharpness, light, a lens gone dirty, another face."""

from collections.abc import Mapping, Sequence

import numpy as np

from rigcheck.face.audit_lens import lens_changes
from rigcheck.face.audit_slip import NO_REFERENCE, slip_of_day
from rigcheck.face.framing_pair import looks_exchanged
from rigcheck.model import Estimate
from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import OwnShift
from rigcheck.model.take import TakeRecord

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
    farther: Mapping[str, float] | None = None,
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
    farther : mapping of take to float, optional
        By what share of its distance the pair's changes make a face read farther, and so larger; 0 where not given.

    Returns
    -------
    dict
        Take to its changes: those of :func:`rigcheck.face.audit_slip.slip_of_day` and
        :func:`rigcheck.face.audit_lens.lens_changes`; ``focus.<camera>.ratio`` (sharpness over the reference's, all
        regions); ``light.<camera>.stops``; ``face.interpupillary_mm``. Unread takes have none, nor have those whose
        cameras are exchanged.
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
            found |= lens_changes(record, camera, same)
        found["face.interpupillary_mm"] = _eyes(record, same, farther or {})
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


def _eyes(record: TakeRecord, same: Sequence[TakeRecord], farther: Mapping[str, float]) -> Estimate:
    """Distance between the pupils against the median of the performer's takes, the pair as it stood in each.

    This take among them, so that one odd take of three does not make the others odd.
    """
    name = "pair.interpupillary_mm"
    now = record.number(name)
    if now.value is None:
        return Estimate(value=None, unit="mm", reason=now.reason)
    by_take = {
        one.name: value / (1.0 + farther.get(one.name, 0.0))
        for one in same
        if (value := one.number(name).value) is not None
    }
    own = by_take[record.name] if len(by_take) > 2 else by_take.pop(record.name)
    known: FloatArray = np.array(list(by_take.values()))
    if not len(known):
        return Estimate(value=None, unit="mm", reason=NO_REFERENCE)
    return Estimate(
        value=own - float(np.median(known)),
        sigma=_OWN_SHARE * np.sqrt(2.0) * (now.sigma or 0.0),
        unit="mm",
        n=len(known),
    )
