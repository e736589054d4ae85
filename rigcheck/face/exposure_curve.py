"""Whether the noise behaves as the stated transfer curve says: in linear pictures it grows with the light."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_moment import grey_of
from rigcheck.face.exposure_noise import place_noise
from rigcheck.face.exposure_skin import PLACES, SkinLayout
from rigcheck.model import Estimate, Frame
from rigcheck.opencv import cv2

__all__ = ["NoiseLevel", "noise_levels", "noise_slope"]

_FEWEST_PLACES = 8
# The noise of pixels averaged two by two is half the pixels' own when it is white; coding and texture raise that.
_MOST_COARSE = 1.8
_LEAST_SD = 0.9  # code values; below it rounding rules
_LEAST_RANGE = 0.2  # of the natural logarithm of the level over the places
_LEAST_SIGMA = 0.02


@dataclass(frozen=True, kw_only=True)
class NoiseLevel:
    """One place of one picture: code values above darkness, noise of a pixel, and of pixels averaged two by two."""

    code: float
    sd: float
    coarse_sd: float


def noise_levels(frame: Frame, layout: SkinLayout, curve: LightCurve) -> tuple[NoiseLevel, ...]:
    """Level and noise of every place of the skin in one picture: dear, so a few pictures of a clip are enough."""
    image = grey_of(frame.image[layout.crop]).astype(np.float64)
    places = layout.full()
    height, width = (n // 2 for n in image.shape)
    halved = cv2.resize(image[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
    half = np.asarray(halved, dtype=np.float64)
    found = []
    for number in range(1, len(PLACES) + 1):
        mask = places == number
        fine = place_noise(image, mask)
        coarse = place_noise(half, mask[: 2 * height : 2, : 2 * width : 2])
        if fine is None or coarse is None:
            continue
        code = float(np.median(image[mask])) - curve.black
        if 4.0 * fine.code_sd < code < 0.9 * (curve.white - curve.black):
            found.append(NoiseLevel(code=code, sd=fine.code_sd, coarse_sd=coarse.code_sd))
    return tuple(found)


def noise_slope(levels: Sequence[NoiseLevel]) -> Estimate:
    """How noise grows with level: slope of the logarithm of its deviation over that of the code value.

    Returns
    -------
    Estimate
        About 0.5 in linear pictures where photons rule, 0 where the sensor's reading does; -0.2 to -1 in pictures coded
        by a power of the light. Without a value where the noise is not the sensor's own: coding or texture rules it,
        rounding hides it, or all places are alike.

    Notes
    -----
    Noise of photons has a variance that grows with the light, that of reading is constant (EMVA Standard 1288, the
    linear camera model). A curve of power 1/g multiplies it by its slope, which falls as light to the power 1/g - 1.
    """
    kept = np.array([(each.code, each.sd, each.coarse_sd) for each in levels]).reshape(-1, 3)
    if len(kept) < _FEWEST_PLACES:
        return Estimate(
            value=None, reason=f"noise was measured at {len(kept)} places, {_FEWEST_PLACES} needed"
        )
    code, sd, coarse = kept.T
    if np.median(sd) < _LEAST_SD:
        return Estimate(
            value=None, reason=f"the noise of {np.median(sd):.1f} code values is hidden by rounding"
        )
    if np.median(2.0 * coarse / sd) > _MOST_COARSE:
        return Estimate(
            value=None,
            reason="the pictures' finest grain is not the sensor's: coding or skin texture rules it",
        )
    x, y = np.log(code), np.log(sd)
    if np.subtract(*np.percentile(x, (90, 10))) < _LEAST_RANGE:
        return Estimate(value=None, reason="the places of the face are too evenly lit to compare their noise")
    design = np.stack([np.ones_like(x), x - x.mean()], axis=1)
    answer, *_ = np.linalg.lstsq(design, y, rcond=None)
    rest = y - design @ answer
    variance = float(rest @ rest) / max(len(x) - 2, 1) / float(design[:, 1] @ design[:, 1])
    return Estimate(value=float(answer[1]), sigma=float(max(np.sqrt(variance), _LEAST_SIGMA)), n=len(x))
