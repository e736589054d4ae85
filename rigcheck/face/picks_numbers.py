"""The numbers of one moment that faults and scores speak of, from both cameras and the clip's own usual."""

from collections.abc import Mapping, Sequence

import numpy as np

from rigcheck.face.picks_glance import Glance
from rigcheck.face.picks_still import STILL_PARTS
from rigcheck.face.picks_usual import ClipUsual, Sample, away, seam_excess
from rigcheck.model.picking import PoseReading

__all__ = [
    "LOST_SPEED",
    "lids_near",
    "moment_numbers",
    "seam_near",
    "shape_parts",
    "sharpest",
    "sharpness_of",
]

_BLINK_S = 0.2
_SAME_S = 0.004  # two cameras' pictures of one moment lie nearer than that
_LOOKS = 3  # of the first look within that time, before lips on the way are told
# A smile of the same width thins the lips as well: only much of either says pressed.
_PRESSED_THINNER, _PRESSED_WIDER = 0.03, 0.085
# A part whose points are lost between neighbouring pictures moves, or is covered: taken as so fast, eye distances/s.
LOST_SPEED = 1.0
_SHARP = ("sharp_eyes", "sharp_lips", "sharp_cheeks")
_SHARPEST = 75.0  # per cent


def shape_parts(found: Mapping[str, float]) -> dict[str, float]:
    """Numbers that say what a mouth, brows and teeth do, from how far they are from usual (`picks_usual.away`)."""
    numbers = dict(found)
    wider, thinner = found.get("mouth_width"), found.get("lip_height")
    if wider is not None and thinner is not None:
        pressed = wider > 0 and (thinner < -_PRESSED_THINNER or wider > _PRESSED_WIDER)
        numbers["lips_pressed"] = max(wider, 0.0) if pressed else 0.0
        numbers["lips_pursed"] = max(-wider, 0.0)
        numbers["mouth_drawn"] = 0.0 if pressed else max(wider, 0.0)
    brows = [found[name] for name in ("brow_right", "brow_left") if name in found]
    if brows:
        numbers["brows"] = max(abs(value) for value in brows)
        numbers["grimace"] = max(-float(np.mean(brows)), 0.0)
    if "turn_deg" in found:
        numbers["turned_deg"] = abs(found["turn_deg"])
    return numbers


def moment_numbers(
    reading: PoseReading,
    sample: Sample,
    usual: ClipUsual,
    *,
    sharpest: Mapping[str, float],
    glances: Sequence[Sequence[Glance]] = (),
) -> dict[str, float]:
    """Put all numbers of one moment together; what is not known is missing.

    Parameters
    ----------
    reading : PoseReading
    sample : Sample
        The same as floats.
    usual : ClipUsual
    sharpest : mapping
        See `sharpest`.
    glances : sequence of sequences of Glance
        A camera each: blinks on the way are found there.
    """
    numbers = shape_parts(away(sample, usual))
    speeds = [
        estimate.value if estimate.value is not None else LOST_SPEED
        for measures in reading.cameras.values()
        for part in STILL_PARTS
        if (estimate := measures.get(f"speed_{part}")) is not None and _followed(estimate.reason)
    ]
    if speeds:
        numbers["speed_face"] = max(speeds)
    heads = [each.value for each in reading.values("speed_head").values() if each.value is not None]
    if heads:
        numbers["speed_head"] = max(heads)
    sharp = sharpness_of(reading, sharpest)
    if sharp is not None:
        numbers["sharpness"] = sharp
    widths = [each.value for each in reading.values("eye_width_ratio").values() if each.value is not None]
    if widths:
        numbers["eye_width_ratio"] = min(min(value, 1.0 / max(value, 1e-6)) for value in widths)
    near = lids_near(reading, usual, glances)
    if near is not None:
        numbers["lids_near"] = near
    parted = seam_near(reading, sample, usual, glances)
    if parted is not None:
        numbers["seam_near"] = parted
    return numbers


def _followed(reason: str) -> bool:
    """Whether pictures beside the moment existed at all."""
    return "without times" not in reason


def sharpest(readings: Sequence[PoseReading]) -> dict[str, float]:
    """Sharpness that the clip's sharp moments have, by camera and region."""
    found: dict[str, list[float]] = {}
    for reading in readings:
        for camera, measures in reading.cameras.items():
            for name in _SHARP:
                estimate = measures.get(name)
                if estimate is not None and estimate.value is not None:
                    found.setdefault(f"{camera}.{name}", []).append(estimate.value)
    return {key: float(np.percentile(values, _SHARPEST)) for key, values in found.items()}


def sharpness_of(reading: PoseReading, best: Mapping[str, float]) -> float | None:
    """Share of the clip's sharp moments: the median over cameras and regions; None where nothing could be measured."""
    shares = [
        estimate.value / best[key]
        for camera, measures in reading.cameras.items()
        for name in _SHARP
        if (key := f"{camera}.{name}") in best
        and best[key] > 0
        and (estimate := measures.get(name)) is not None
        and estimate.value is not None
    ]
    return float(np.median(shares)) if shares else None


def lids_near(reading: PoseReading, usual: ClipUsual, glances: Sequence[Sequence[Glance]]) -> float | None:
    """Least opening of the lids within 0.2 s, over the own open eye, the mean of cameras; None when not looked at."""
    time = reading.time_s
    if time is None:
        return None
    least = []
    for own in glances:
        if not own:
            continue
        numbers = usual.numbers.get(own[0].ref.camera, {})
        shares = [
            float(
                np.mean(
                    [
                        glance.shape[f"lid_opening_{side}"] / numbers[f"lid_opening_{side}"]
                        for side in ("right", "left")
                    ]
                )
            )
            for glance in own
            if glance.shape
            and glance.ref.time_s is not None
            and abs(glance.ref.time_s - time) <= _BLINK_S
            and all(numbers.get(f"lid_opening_{side}") for side in ("right", "left"))
        ]
        if shares:
            least.append(min(shares))
    return float(np.mean(least)) if least else None


def seam_near(
    reading: PoseReading, sample: Sample, usual: ClipUsual, glances: Sequence[Sequence[Glance]]
) -> float | None:
    """How far the lips were open within 0.2 s by the first look, as `seam_open`; None when not looked at.

    The second largest of each camera's looks: one alone may be noise, lips on the way to or from a gap show in two.
    What the first look sees more than the full one in the very same picture is its own error, and left out.
    """
    time = reading.time_s
    if time is None:
        return None
    found = []
    for own in glances:
        sealed = usual.seams.get(own[0].ref.camera) if own else None
        if sealed is None:
            continue
        near = {
            glance.ref.time_s - time: seam_excess(glance.seam, sealed)
            for glance in own
            if glance.seam is not None
            and glance.ref.time_s is not None
            and abs(glance.ref.time_s - time) <= _BLINK_S + 1e-6
        }
        known = sorted(each for each in near.values() if np.isfinite(each))
        if len(known) < _LOOKS:
            continue
        here = min(near, key=abs)
        full = sample.seams.get(own[0].ref.camera)
        over = 0.0
        if full is not None and abs(here) < _SAME_S:
            over = near[here] - seam_excess(full, sealed)
        found.append(known[-2] - (over if over > 0.0 else 0.0))
    return max(found) if found else None
