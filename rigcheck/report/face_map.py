"""What maps drawn over a performer's face share."""

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from rigcheck.opencv import cv2
from rigcheck.report.view_pictures import jpeg_data_uri

__all__ = ["FaceMap", "placed_picture"]


@dataclass(frozen=True, kw_only=True)
class FaceMap:
    """One camera's map: `svg` stands on its own, `caption` explains it, `description` is for readers without sight.

    `shown` says whether it holds the performer's picture.
    """

    camera: str
    label: str
    svg: Markup
    caption: str
    description: str
    shown: bool


def placed_picture(cut: NDArray[np.uint8], size_px: tuple[int, int]) -> str:
    """The part of a picture that is drawn, (H, W), as an SVG image of this width and height."""
    width, height = size_px
    small = np.asarray(cv2.resize(cut, size_px, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return f'<image href="{jpeg_data_uri(small)}" width="{width}" height="{height}"/>'
