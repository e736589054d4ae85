"""The first, cheap look through a clip: movement in every picture, the face's shape about ten times a second.

Where nothing in the picture changes the last look is taken over; where the eyes change a look comes early.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_noise import noise_of
from rigcheck.face.picks_change import PARTS, PartWatch, small_picture
from rigcheck.face.picks_points import SteadyMesh
from rigcheck.face.picks_seam import SEAM_PLACES, read_seam
from rigcheck.face.picks_shape import face_axes, shape_numbers
from rigcheck.face.picks_strip import FINE_COLUMNS, mouth_strip
from rigcheck.face.picks_teeth import read_teeth
from rigcheck.face.picks_turn import turn_deg
from rigcheck.landmarks import FaceFinder, Looks, NoFace
from rigcheck.model import FACE_POINTS, Frame, FrameRef
from rigcheck.model._arrays import FloatArray

__all__ = ["LOOK_EVERY_S", "Glance", "Glancer", "mouth_numbers"]

LOOK_EVERY_S = 0.1
_HOLDS_S = 0.5  # so long a look is taken over while nothing changes
# Looks before they are due, where the eyes change: at most so many in a row, in the long run this share of the others.
_MOST_EARLY, _EARLY_SHARE = 8.0, 0.2
_VOTES = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Glance:
    """One picture, seen in passing.

    `moved` maps parts of the face ("eyes", "mouth") to how much they changed since the picture before, over
    their own contrast; empty when nothing is known. `shape` holds the numbers of the face by name, empty when the
    picture was not looked at that closely or shows no face (`looked` tells which). Where nothing changed since the last
    close look, its numbers stand here too. `seam` (SEAM_PLACES,) is the width of the dark line between the lips, None
    when not read.
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
        self._watch = PartWatch()
        self._points: FloatArray | None = None
        self._shape: Mapping[str, float] = {}
        self._seam: FloatArray | None = None
        self._last_s: float | None = None  # of the last entry with a shape, looked at or taken over
        self._look_s: float | None = None
        self._seen_s: float | None = None
        self._early = _MOST_EARLY
        self._turns: list[int] = []

    @property
    def turned_deg(self) -> int:
        """By how much further than the mounting says the pictures have to be turned clockwise."""
        votes = [turn for turn in self._turns if turn]
        return max(set(votes), key=votes.count) if len(votes) >= _VOTES else 0

    def see(self, frame: Frame) -> Glance:
        """Look at the next picture in passing."""
        grey, ref = frame.grey8(), frame.ref
        moved = self._watch.see(small_picture(grey))
        if not self._due(ref) and not self._eyes_changed(ref):
            return Glance(ref=ref, moved=moved, looked=False, shape={})
        if self._as_before(ref):
            self._last_s = ref.time_s
            return Glance(ref=ref, moved=moved, looked=True, shape=self._shape, seam=self._seam)
        self._last_s = self._look_s = ref.time_s
        self._points = points = self._face(frame, grey)
        self._watch.looked(points, grey.shape[1])
        self._shape, self._seam = {}, None
        if points is not None:
            mouth, self._seam = mouth_numbers(grey, points, black_dn=self._black)
            self._shape = {**shape_numbers(points), "turn_deg": turn_deg(points), **mouth}
        return Glance(ref=ref, moved=moved, looked=True, shape=self._shape, seam=self._seam)

    def _due(self, ref: FrameRef) -> bool:
        since = _since(self._last_s, ref)
        return since is None or since >= self._every_s - 1e-3

    def _eyes_changed(self, ref: FrameRef) -> bool:
        """Whether the eyes look other than at the last look, before the next one is due: a blink is short."""
        gained = _EARLY_SHARE * (_since(self._seen_s, ref) or 0.0) / self._every_s
        self._early, self._seen_s = min(self._early + gained, _MOST_EARLY), ref.time_s
        if self._early < 1.0 or not self._watch.other("eyes"):
            return False
        self._early -= 1.0
        return True

    def _as_before(self, ref: FrameRef) -> bool:
        """Whether the last look still holds: not long ago, and nothing in the picture changed since."""
        since = _since(self._look_s, ref)
        if since is None or since >= _HOLDS_S - 1e-3 or self._points is None:
            return False
        return all(self._watch.other(part) is False for part in PARTS)

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


def _since(earlier_s: float | None, ref: FrameRef) -> float | None:
    """Seconds from an earlier picture to this one; None where it is not known, or time runs backwards."""
    if ref.time_s is None or earlier_s is None or ref.time_s < earlier_s:
        return None
    return ref.time_s - earlier_s


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
    rows = read_teeth(
        strip, finer=lambda: mouth_strip(grey, points_px, black_dn=black_dn, reach=0.12, columns=FINE_COLUMNS)
    )
    numbers = {
        "seam_width": float(np.nanmedian(seam.width)) if np.isfinite(seam.width).any() else float("nan"),
        "seam_depth": float(np.nanmedian(seam.depth)) if np.isfinite(seam.depth).any() else float("nan"),
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
