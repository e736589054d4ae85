"""The worst views' pictures: cut to the board, small, with corner marks and residual arrows drawn over."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.model import CalibrationRun, ViewResult, ViewSide
from rigcheck.model._arrays import FloatArray, ImageArray
from rigcheck.opencv import cv2, translated
from rigcheck.report.calibration_tables import short_label
from rigcheck.report.figures import step_below
from rigcheck.report.numbers import format_number

__all__ = ["ViewPicture", "jpeg_data_uri", "view_pictures"]

_MOST_PICTURES = 8
_WIDEST_PX = 620
_JPEG_QUALITY = 72
_MARGIN = 0.06
_CROSS = 0.008


@dataclass(frozen=True, kw_only=True)
class ViewPicture:
    """One picture ready for the page; `crosses`, `rings` and `arrows` are SVG path data in its own pixels."""

    view_idx: int
    camera: str
    label: str
    rms: str
    n_corners: int
    n_left_out: int
    data_uri: str
    width: int
    height: int
    crosses: str
    rings: str
    arrows: str
    scale_arrow: str
    scale_label: str
    scale_label_x: str


@dataclass(frozen=True, kw_only=True, eq=False)
class _Cut:
    """A part of a picture, made smaller, and the corners and residuals in its own pixels."""

    grey: NDArray[np.uint8]
    corners: FloatArray
    scale: float

    @classmethod
    def around(cls, side: ViewSide, image: ImageArray, size_px: tuple[int, int]) -> "_Cut":
        """Cut out the corners with a margin; `size_px` is the size that corner positions refer to."""
        stored = image.shape[1] / size_px[0]
        corners = (side.observation.corners_px + 0.5) * stored
        low, high = corners.min(axis=0), corners.max(axis=0)
        margin = _MARGIN * float((high - low).max()) + 4.0
        end = np.array([image.shape[1], image.shape[0]])
        left, top = np.floor(low - margin).clip(0, end - 1).astype(int)
        right, bottom = np.ceil(high + margin).clip([left + 1, top + 1], end).astype(int)
        part = _grey8(image[top:bottom, left:right])
        scale = min(_WIDEST_PX / max(part.shape), 1.0)
        width, height = (max(round(length * scale), 1) for length in part.shape[::-1])
        small = cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA)
        return cls(
            grey=np.asarray(small, dtype=np.uint8), corners=(corners - [left, top]) * scale, scale=scale
        )


def view_pictures(run: CalibrationRun) -> tuple[ViewPicture, ...]:
    """Prepare the pictures a run kept, worst view first.

    Parameters
    ----------
    run : CalibrationRun
        Pictures smaller or larger than the camera's stated size are taken as scaled versions of it.

    Returns
    -------
    tuple of ViewPicture
        At most eight, so that the page stays small.

    Raises
    ------
    EstimationError
        When a picture cannot be encoded.
    """
    cameras = [calibrated.camera for calibrated in run.calibration.cameras]
    found = []
    for view in sorted(run.views, key=lambda view: (-view.rms_px, view.view_idx)):
        for camera, side in zip(cameras, view.sides, strict=True):
            image = run.pictures.get((view.view_idx, camera.name))
            if side is not None and side.observation.n and image is not None and image.size:
                found.append((view, side, image, camera.image_size_px))
    found = found[:_MOST_PICTURES]
    gain = _common_gain([side for _, side, _, _ in found])
    return tuple(
        _one_picture(view, side, _Cut.around(side, image, size), gain) for view, side, image, size in found
    )


def jpeg_data_uri(grey: NDArray[np.uint8]) -> str:
    """Encode a grey (H, W) picture as a JPEG data URI."""
    with translated("picture for the report", "give a picture of at least one pixel"):
        _, encoded = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
    return "data:image/jpeg;base64," + base64.b64encode(encoded.tobytes()).decode("ascii")


def _one_picture(view: ViewResult, side: ViewSide, cut: _Cut, gain: float) -> ViewPicture:
    height, width = cut.grey.shape
    arm = _CROSS * max(width, height)
    left_out = side.weights < 0.5
    real = step_below(0.16 * _WIDEST_PX / gain)
    return ViewPicture(
        view_idx=view.view_idx,
        camera=side.observation.ref.camera,
        label=short_label(side.observation.ref),
        rms=f"{side.rms_px:.3f} px",
        n_corners=side.observation.n,
        n_left_out=int(left_out.sum()),
        data_uri=jpeg_data_uri(cut.grey),
        width=width,
        height=height,
        crosses="".join(
            f"M{x - arm:.1f} {y:.1f}h{2 * arm:.1f}m{-arm:.1f} {-arm:.1f}v{2 * arm:.1f}"
            for x, y in cut.corners
        ),
        rings="".join(_ring(x, y, 1.9 * arm) for x, y in cut.corners[left_out]),
        arrows="".join(
            f"M{x:.1f} {y:.1f}l{dx:.1f} {dy:.1f}"
            for (x, y), (dx, dy) in zip(cut.corners, gain * side.residuals_px, strict=True)
        ),
        scale_arrow=f"M10 {height + 14}h{gain * real:.1f}m0 -4v8",
        scale_label=f"= {format_number(real)} px",
        scale_label_x=f"{18 + gain * real:.0f}",
    )


def _ring(x: float, y: float, radius: float) -> str:
    half = f"a{radius:.1f} {radius:.1f} 0 1 0"
    return f"M{x - radius:.1f} {y:.1f}{half} {2 * radius:.1f} 0{half} {-2 * radius:.1f} 0"


def _common_gain(sides: Sequence[ViewSide]) -> float:
    """Page pixels per pixel of residual, the same in every picture so that they compare."""
    lengths = [np.hypot(*side.residuals_px[side.weights >= 0.5].T) for side in sides]
    joined = np.concatenate(lengths) if lengths else np.zeros(0)
    typical = max(float(np.quantile(joined, 0.95)), 1e-6) if len(joined) else 1.0
    return step_below(0.06 * _WIDEST_PX / typical)


def _grey8(image: ImageArray) -> NDArray[np.uint8]:
    """Return the top eight bits in use; 16-bit pictures are scaled by their own largest value."""
    if image.ndim == 3:
        image = np.asarray(image.mean(axis=2).astype(image.dtype))
    if image.dtype == np.uint8:
        return np.ascontiguousarray(image, dtype=np.uint8)
    return (image * (255.0 / max(int(image.max()), 1))).astype(np.uint8)
