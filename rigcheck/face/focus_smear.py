"""Motion blur told from defocus: it takes fine detail away along one direction, defocus along all."""

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.focus_spectra import PATCH_PX, patch_power
from rigcheck.model import Estimate
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["moved_px", "smear_of"]

_BAND = (0.06, 0.24)
_NOISE_FROM = 0.47
_LEAST_PATCHES = 20
_LEAST_OVER_NOISE = 1.5
_DEPENDENT = 2.0  # the window makes neighbouring frequencies depend on each other
_FLOW_SIDE_PX = 256
_Y, _X = np.meshgrid(np.fft.fftfreq(PATCH_PX), np.fft.rfftfreq(PATCH_PX), indexing="ij")
_SIZE, _ANGLE = np.hypot(_X, _Y).ravel(), np.arctan2(_Y, _X).ravel()
_OWN = ((_X > 0) | (_Y > 0)).ravel()  # others are mirrored


def smear_of(picture: NDArray[np.uint8], places_px: FloatArray) -> tuple[Estimate, float]:
    """Length of motion blur in the picture, and its direction.

    Parameters
    ----------
    picture : (H, W)
    places_px : (N, 2)
        Patches of the face.

    Returns
    -------
    (Estimate, float)
        Length, px; direction, degrees from x towards y, 0 to 180.

    Notes
    -----
    Uniform motion by L px passes sinc²(L f cos a) of the power at frequency f and angle a from the motion; log sinc² is
    -(π L f cos a)² / 3 for short L: what swings with twice the angle and grows with the frequency squared. Skin is not
    alike in all directions either (wrinkles, slant), but alike at every frequency. Lengths beyond 6 px read short.
    """
    power, _, kept = patch_power(picture, places_px)
    if int(kept.sum()) < _LEAST_PATCHES:
        return Estimate(value=None, unit="px", reason="too little skin in the picture"), 0.0
    mean = power.mean(axis=0).ravel()
    finest = _SIZE > _NOISE_FROM
    noise = float(np.quantile(mean[finest], 0.5))
    used = (_BAND[0] <= _SIZE) & (_BAND[1] > _SIZE) & _OWN
    if np.median(mean[used]) < _LEAST_OVER_NOISE * noise:
        return Estimate(
            value=None, unit="px", reason="too little contrast to tell motion from stillness"
        ), 0.0
    signal = np.maximum(mean[used] - noise, 0.05 * mean[used])
    return _fitted(np.log(signal), (signal / mean[used]) ** 2, used, n=int(kept.sum()))


def _fitted(logs: FloatArray, weight: FloatArray, used: BoolArray, *, n: int) -> tuple[Estimate, float]:
    """Skin: a curve over the frequency and a share by direction; motion: what grows with frequency squared."""
    size, angle = _SIZE[used], _ANGLE[used]
    line = np.log(size)
    columns = [np.ones_like(line), line, line**2, np.cos(2 * angle), np.sin(2 * angle)]
    design = np.stack([*columns, size**2 * np.cos(2 * angle), size**2 * np.sin(2 * angle)], axis=1)
    normal = design.T @ (weight[:, None] * design)
    found = np.linalg.solve(normal, design.T @ (weight * logs))
    left = logs - design @ found
    variance = float((weight * left**2).sum() / max(len(logs) - design.shape[1], 1))
    spread = float(np.sqrt(variance * _DEPENDENT * np.trace(np.linalg.inv(normal)[5:, 5:]) / 2))
    swing = float(np.hypot(found[5], found[6])) * 6 / np.pi**2  # length squared
    own = spread * 6 / np.pi**2
    square = max(swing - own, 0.0)
    length = float(np.sqrt(square))
    sigma = float(own / (2 * max(length, np.sqrt(own) / 2, 1e-3)))
    toward = float(np.degrees(np.arctan2(-found[6], -found[5]) / 2) % 180)
    return Estimate(value=length, sigma=sigma, unit="px", n=n), toward


def moved_px(before: NDArray[np.uint8], picture: NDArray[np.uint8], box: tuple[slice, slice]) -> float:
    """How far what is in the box moved from one picture to the next, px."""
    cut = [_halved(np.asarray(each[box])) for each in (before, picture)]
    scale = min(_FLOW_SIDE_PX / max(cut[0].shape), 1.0)
    small = [
        np.asarray(cv2.resize(each, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.float32)
        for each in cut
    ]
    window = cv2.createHanningWindow((small[0].shape[1], small[0].shape[0]), cv2.CV_32F)
    shift, _ = cv2.phaseCorrelate(small[0], small[1], window)
    return float(np.hypot(shift[0], shift[1]) * picture[box].shape[0] / small[0].shape[0])


def _halved(cut: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Halve a cut-out, quickly, as long as it stays as large as is wanted."""
    while max(cut.shape) >= 2 * _FLOW_SIDE_PX:
        whole = cut[: cut.shape[0] // 2 * 2, : cut.shape[1] // 2 * 2]
        size = (whole.shape[1] // 2, whole.shape[0] // 2)
        cut = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return cut
