"""Where faces stand in a picture, roughly: the detector."""

from dataclasses import dataclass

import numpy as np

from rigcheck.landmarks.network import load_network
from rigcheck.landmarks.sampling import PictureLevels, Square, as_input
from rigcheck.model._arrays import FloatArray

__all__ = ["DetectedFace", "FaceDetector"]

_SIZE = 128
_LEAST_LOGIT = 0.0  # an even chance
_SAME_FACE = 0.3  # intersection over union from which two boxes are one face
_REGION = 1.5  # side of the mesh's square, in longer sides of the box


@dataclass(frozen=True, kw_only=True, eq=False)
class DetectedFace:
    """A face as the detector sees it: box and the eyes, px, and the raw logit."""

    centre_px: FloatArray
    size_px: FloatArray
    eyes_px: FloatArray
    logit: float

    @property
    def region(self) -> Square:
        """The square to look at with the mesh, turned to level the eyes."""
        across = self.eyes_px[1] - self.eyes_px[0]
        angle = float(np.arctan2(across[1], across[0]))
        return Square(centre_px=self.centre_px, side_px=_REGION * float(self.size_px.max()), angle_rad=angle)


def _anchors() -> FloatArray:
    """Centres of the cells of a 16x16 grid twice, then of an 8x8 grid six times; (896, 2) in 0 to 1."""
    rows = []
    for cells, repeats in ((16, 2), (8, 6)):
        y, x = np.mgrid[:cells, :cells]
        centres = (np.stack([x.ravel(), y.ravel()], axis=1) + 0.5) / cells
        rows.append(np.repeat(centres, repeats, axis=0))
    return np.concatenate(rows)


class FaceDetector:
    """The detector. Not thread-safe: each thread loads its own."""

    def __init__(self) -> None:
        self._net = load_network(
            "face_detection_short_range.tflite",
            outputs={"regressors": 896 * 16, "classificators": 896},
        )
        self._anchors = _anchors()

    def detect(self, picture: PictureLevels, *, padding: float = 0.0) -> tuple[DetectedFace, ...]:
        """Find faces, best first.

        Parameters
        ----------
        picture : PictureLevels
        padding : float
            Black margin added around, as a share of the longer side: a face that overfills the frame
            is found only so.
        """
        width, height = picture.size_px
        square = Square(
            centre_px=np.array([(width - 1) / 2.0, (height - 1) / 2.0]),
            side_px=max(width, height) * (1.0 + 2.0 * padding),
        )
        cut = as_input(picture.cut(square, _SIZE)) / 127.5 - 1.0
        found = self._net.run({"input": cut})
        logits = found["classificators"].reshape(-1).astype(np.float64)
        order = np.argsort(-logits)
        likely = order[logits[order] >= _LEAST_LOGIT]
        rows = found["regressors"].reshape(896, 8, 2)[likely].astype(np.float64) / _SIZE
        points = square.to_picture(rows[:, [0, 2, 3]] + self._anchors[likely, None])
        sizes = rows[:, 1] * square.side_px
        return tuple(
            DetectedFace(
                centre_px=points[k, 0],
                size_px=sizes[k],
                eyes_px=points[k, 1:],
                logit=float(logits[likely[k]]),
            )
            for k in _apart(points[:, 0], sizes)
        )


def _apart(centres: FloatArray, sizes: FloatArray) -> list[int]:
    """Boxes, best first, that are not an earlier kept one again: intersection over union below the limit."""
    low, high, area = centres - sizes / 2, centres + sizes / 2, np.prod(sizes, axis=1)
    left = np.arange(len(centres))
    kept = []
    while len(left):
        first, left = int(left[0]), left[1:]
        kept.append(first)
        sides = np.minimum(high[first], high[left]) - np.maximum(low[first], low[left])
        common = np.prod(np.clip(sides, 0.0, None), axis=1)
        left = left[common / (area[first] + area[left] - common) < _SAME_FACE]
    return kept
