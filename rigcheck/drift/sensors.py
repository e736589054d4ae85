"""Whether a camera still has the sensor it was calibrated with: its hot pixels light up again, or others do."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from rigcheck.footage.hot_pixels import LEAST_PICTURES, HotPixelLook
from rigcheck.model import Calibration, Estimate

# Of the hot pixels stored at least this share is seen again with the same sensor, exposure and coding (see the limits'
# sources); a smaller one is held against it where today's pictures show others instead.
SEEN_AGAIN = 0.6
# Hot pixels are the same within a pixel: lossy coding moves the highest value about.
_NEAR_PX = 1
_LEAST_TELLING = 0.02

Pixels = tuple[tuple[int, int], ...]

__all__ = ["SEEN_AGAIN", "SensorMatch", "SensorToday", "sensor_measurements", "sensors_today"]


@dataclass(frozen=True, kw_only=True)
class SensorMatch:
    """How many of the stored hot pixels of a sensor are seen today.

    Parameters
    ----------
    asked : int
        Stored hot pixels at places where today's pictures can tell.
    again : int
        Of these, the ones lit today.
    chance : float
        How often a place picked at random counts as lit in today's pictures.
    """

    asked: int
    again: int
    chance: float

    @property
    def by_chance(self) -> float:
        """Probability that another sensor shows as many."""
        return 1.0 if self.again == 0 else float(scipy.special.bdtrc(self.again - 1, self.asked, self.chance))

    @property
    def by_same(self) -> float:
        """Probability that the same sensor shows as few, each seen again with probability `SEEN_AGAIN`."""
        return 1.0 if self.asked == 0 else float(scipy.special.bdtr(self.again, self.asked, SEEN_AGAIN))


@dataclass(frozen=True, kw_only=True)
class SensorToday:
    """One camera's sensor today, against its own stored hot pixels and against the other camera's.

    `unknown` counts today's clear hot pixels that are not among its own stored ones; `reason` says why nothing can
    be told at all, and is empty otherwise.
    """

    camera: str
    own: SensorMatch
    other: SensorMatch | None
    unknown: int
    reason: str = ""


def sensors_today(
    calibration: Calibration, looks: Mapping[str, HotPixelLook | None]
) -> tuple[SensorToday, ...]:
    """Hold today's pictures of each camera against the stored hot pixels.

    Parameters
    ----------
    calibration : Calibration
    looks : mapping of camera name to HotPixelLook
        None, or no entry, where too few pictures were looked at.

    Returns
    -------
    tuple of SensorToday
        In the order of the cameras.

    Notes
    -----
    Only stored pixels at places that tell today are asked. How often any place is lit by chance is measured in
    today's own pictures, so that a busy picture does not pass for a match. A bright dot at the same place in both
    cameras (within 1 px) belongs to the recording, not to a sensor, and is left out. Both probabilities are
    binomial: hot pixels are sparse and stand independently. A sensor whose hot pixels were masked meanwhile by the
    camera itself looks like one that has none.
    """
    stored = _each_its_own([entry.hot_pixels_px for entry in calibration.cameras])
    out = []
    for number, entry in enumerate(calibration.cameras):
        name = entry.camera.name
        others = [pixels for k, pixels in enumerate(stored) if k != number]
        look = looks.get(name)
        if look is None or look.telling.shape != entry.camera.image_size_px[::-1]:
            nothing = SensorMatch(asked=0, again=0, chance=1.0)
            reason = f"fewer than {LEAST_PICTURES} pictures of {name} were looked at"
            out.append(SensorToday(camera=name, own=nothing, other=None, unknown=0, reason=reason))
            continue
        found = SensorToday(
            camera=name,
            own=_match(stored[number], look),
            other=_match(others[0], look) if others else None,
            unknown=len(_without(look.hot_pixels_px, entry.hot_pixels_px)),
            reason=_reason(name, entry.hot_pixels_px, stored[number], look),
        )
        out.append(found)
    return tuple(out)


def _reason(name: str, kept: Pixels, stored: Pixels, look: HotPixelLook) -> str:
    if not kept:
        return f"the calibration holds no hot pixels of {name}"
    if not stored:
        return f"both cameras show the same bright dots, so that {name}'s are of the recording, not of the sensor"
    if look.telling_share < _LEAST_TELLING:
        return f"what {name} shows hardly changes, and a still picture does not tell a hot pixel from a thing filmed"
    return ""


def _match(stored: Pixels, look: HotPixelLook) -> SensorMatch:
    height, width = look.telling.shape
    inside = [(x, y) for x, y in stored if x < width and y < height]
    if not inside:
        return SensorMatch(asked=0, again=0, chance=look.chance)
    x, y = np.array(inside).T
    tells = look.telling[y, x]
    return SensorMatch(
        asked=int(tells.sum()), again=int((look.marked[y, x] & tells).sum()), chance=look.chance
    )


def _each_its_own(pixels: Sequence[Pixels]) -> list[Pixels]:
    if len(pixels) != 2:
        return list(pixels)
    return [_without(pixels[0], pixels[1]), _without(pixels[1], pixels[0])]


def _without(pixels: Pixels, others: Pixels) -> Pixels:
    return tuple((x, y) for x, y in pixels if all(max(abs(x - u), abs(y - v)) > _NEAR_PX for u, v in others))


def sensor_measurements(sensors: Sequence[SensorToday]) -> dict[str, Estimate]:
    """Share of each camera's stored hot pixels seen again, for the record."""
    out: dict[str, Estimate] = {}
    for one in sensors:
        key = f"{one.camera}.hot_pixels_again"
        if one.reason or not one.own.asked:
            reason = one.reason or f"today's pictures tell nothing where {one.camera}'s hot pixels are"
            out[key] = Estimate(value=None, reason=reason)
            continue
        out[key] = Estimate(value=one.own.again / one.own.asked, n=one.own.asked)
    return out
