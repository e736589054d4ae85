"""The first, cheap look through a clip: movement in every picture, the face's shape about ten times a second."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_noise import noise_of
from rigcheck.face.picks_points import SteadyMesh
from rigcheck.face.picks_seam import SEAM_PLACES, read_seam
from rigcheck.face.picks_shape import face_axes, shape_numbers
from rigcheck.face.picks_strip import mouth_strip
from rigcheck.face.picks_teeth import read_teeth
from rigcheck.face.picks_turn import turn_deg
from rigcheck.landmarks import FaceFinder, Looks, NoFace
from rigcheck.model import FACE_POINTS, Frame, FrameRef
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["LOOK_EVERY_S", "Glance", "Glancer", "mouth_numbers"]

LOOK_EVERY_S = 0.1
_SMALL_PX = 360.0  # longer side of the small picture
_VOTES = 3
_LEAST_CONTRAST_DN = 4.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Glance:
    """One picture, seen in passing.

    `moved` maps parts of the face ("eyes", "mouth", "face") to how much they changed since the picture before, over
    their own contrast; empty when nothing is known. `shape` holds the numbers of the face by name, empty when the
    picture was not looked at that closely or shows no face (`looked` tells which). `seam` (SEAM_PLACES,) is the width
    of the dark line between the lips, None when not read.
    """

    ref: FrameRef
    moved: Mapping[str, float]
    looked: bool
    shape: Mapping[str, float]
    seam: FloatArray | None = None


class Glancer:
    """Looks through one camera's pictures in order. Not thread-safe: each camera, and each thread, has its own.

    Parameters
    ----------
    mount_rotation_deg : int
        From the rig file.
    black_dn : float
        Code value of darkness.
    look_every_s : float
        Time between close looks; longer for a long clip.
    looks : Looks, optional
    """

    def __init__(
        self,
        *,
        mount_rotation_deg: int = 0,
        black_dn: float = 0.0,
        look_every_s: float = LOOK_EVERY_S,
        looks: Looks | None = None,
    ) -> None:
        self._every_s = look_every_s
        self._mount = mount_rotation_deg
        self._black = black_dn
        self._finder = FaceFinder(looks)
        self._mesh = SteadyMesh()
        self._points: FloatArray | None = None
        self._small: NDArray[np.float32] | None = None
        self._last_look_s: float | None = None
        self._turns: list[int] = []

    @property
    def turned_deg(self) -> int:
        """By how much further than the mounting says the pictures have to be turned clockwise."""
        votes = [turn for turn in self._turns if turn]
        return max(set(votes), key=votes.count) if len(votes) >= _VOTES else 0

    def see(self, frame: Frame) -> Glance:
        """Look at the next picture in passing."""
        grey = frame.grey8()
        small = _small(grey)
        moved = self._moved(small, grey.shape[1])
        self._small = small
        if not self._due(frame.ref):
            return Glance(ref=frame.ref, moved=moved, looked=False, shape={})
        self._last_look_s = frame.ref.time_s
        points = self._face(frame, grey)
        self._points = points
        if points is None:
            return Glance(ref=frame.ref, moved=moved, looked=True, shape={})
        shape = shape_numbers(points)
        shape["turn_deg"] = turn_deg(points)
        mouth, seam = mouth_numbers(grey, points, black_dn=self._black)
        return Glance(ref=frame.ref, moved=moved, looked=True, shape=shape | mouth, seam=seam)

    def _due(self, ref: FrameRef) -> bool:
        if ref.time_s is None or self._last_look_s is None:
            return True
        return not 0.0 <= ref.time_s - self._last_look_s < self._every_s - 1e-3

    def _face(self, frame: Frame, grey: NDArray[np.uint8]) -> FloatArray | None:
        """Points as recorded: the mesh alone where the face was a moment ago, else everything anew."""
        turn = (self._mount + self.turned_deg) % 360
        if self._points is not None:
            found = self._mesh.points(grey, self._points, turn)
            if found is not None:
                return found
        if self.turned_deg or len(self._turns) >= 2 * _VOTES:
            face = self._finder.find_turned(frame, mount_rotation_deg=self._mount, turned_deg=self.turned_deg)
        else:
            face = self._finder.find(frame, mount_rotation_deg=self._mount)
            self._turns.append(face.turned_deg if isinstance(face, NoFace) and face.code == "turned" else 0)
        if isinstance(face, NoFace):
            return None
        return self._mesh.points(grey, face.points_px, (self._mount + self.turned_deg) % 360, rounds=2)

    def _moved(self, small: NDArray[np.float32], width: int) -> dict[str, float]:
        if self._small is None or self._points is None or small.shape != self._small.shape:
            return {}
        scale = small.shape[1] / width
        moved = {}
        for part, members in _PARTS.items():
            box = _box(self._points[list(members)] * scale, small.shape)
            if box is None:
                continue
            now, before = small[box], self._small[box]
            contrast = max(float(now.std()), _LEAST_CONTRAST_DN)
            change = now - before
            moved[part] = float(np.sqrt(np.mean((change - change.mean()) ** 2))) / contrast
        return moved


_PARTS = {
    "eyes": (33, 263, 159, 386, 145, 374),
    "mouth": (61, 291, 0, 17),
    "face": (10, 152, 234, 454),
}


def _small(grey: NDArray[np.uint8]) -> NDArray[np.float32]:
    scale = min(1.0, _SMALL_PX / max(grey.shape))
    size = (round(grey.shape[1] * scale), round(grey.shape[0] * scale))
    small = cv2.resize(grey, size, interpolation=cv2.INTER_AREA) if scale < 1.0 else grey
    return np.asarray(small, dtype=np.float32)


def _box(points: FloatArray, shape: tuple[int, ...]) -> tuple[slice, slice] | None:
    margin = 0.15 * float(np.ptp(points, axis=0).max())
    low = np.maximum(points.min(axis=0) - margin, 0).astype(int)
    high = np.minimum(points.max(axis=0) + margin + 1, shape[1::-1]).astype(int)
    if (high - low < 4).any():
        return None
    return slice(low[1], high[1]), slice(low[0], high[0])


def mouth_numbers(
    grey: NDArray[np.uint8], points_px: FloatArray, *, black_dn: float
) -> tuple[dict[str, float], FloatArray | None]:
    """Read the mouth in the picture: numbers by name, and the seam's width at each place.

    Numbers are NaN or missing where the mouth is not wholly in the picture. `row_gap` is missing where no line between
    rows of teeth was seen.
    """
    strip = mouth_strip(grey, points_px, black_dn=black_dn, reach=0.12, columns=SEAM_PLACES)
    if strip is None:
        return {}, None
    noise = _noise_dn(grey, points_px)
    seam = read_seam(strip, noise_dn=noise)
    rows = read_teeth(strip)
    numbers = {
        "seam_width": float(np.nanmedian(seam.width)) if np.isfinite(seam.width).any() else float("nan"),
        "seam_noise": float(np.nanmedian(seam.sigma)) if np.isfinite(seam.sigma).any() else float("nan"),
        "teeth_shown": rows.shown if rows.opening > 0 else 0.0,
        "teeth_wide": rows.wide,
        "teeth_brightness": rows.brightness,
    }
    if rows.gap is not None and rows.edge_height is not None:
        numbers |= {"row_gap": rows.gap, "row_edge": rows.edge_height}
    return numbers, seam.width


def _noise_dn(grey: NDArray[np.uint8], points_px: FloatArray) -> float:
    """Noise of one pixel about the mouth, texture included."""
    _, _, unit = face_axes(points_px)
    x, y = points_px[FACE_POINTS["upper_lip_inner"]]
    half = 0.2 * unit
    part = grey[max(int(y - half), 0) : int(y + half), max(int(x - half), 0) : int(x + half)]
    return max(noise_of(part.astype(np.float64)), 0.3) if min(part.shape) > 8 else 0.3
