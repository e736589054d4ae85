"""A small picture of a take's matches: where they lie, and how far each is off its epipolar line."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.pair import sampson_of_rays
from rigcheck.geometry.projection import intrinsics_vector, unproject
from rigcheck.geometry.upright import upright_picture, upright_points
from rigcheck.jobs.audit_seen import CameraInTake
from rigcheck.model import PatchMatches, StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2, shrunk

# Height of each picture, and how much longer than true the strokes are drawn.
_HIGH_PX, STROKE = 420, 60.0
_QUALITY = 72
_DOT, _LINE = (235, 235, 235), (60, 90, 230)

__all__ = ["STROKE", "match_picture"]


def match_picture(seen: Sequence[CameraInTake], matches: Sequence[PatchMatches], rig: StereoRig) -> bytes:
    """Draw the moment with most matches: both pictures upright side by side, as JPEG; empty without a match.

    Parameters
    ----------
    seen : sequence of CameraInTake
        Both cameras.
    matches : sequence of PatchMatches
        Of the moments whose face both cameras see, in order.
    rig : StereoRig
    """
    if not matches or max(one.n for one in matches) == 0:
        return b""
    best = int(np.argmax([one.n for one in matches]))
    pairs = [
        (one, two)
        for one, two in zip(seen[0].shots, seen[1].shots, strict=True)
        if one.face is not None and two.face is not None
    ]
    found = matches[best]
    strokes = _off_line(found, rig)
    sides = []
    for camera, shot, points, ends in (
        (seen[0], pairs[best][0], found.points1_px, found.points1_px),
        (seen[1], pairs[best][1], found.points2_px, found.points2_px + STROKE * strokes),
    ):
        sides.append(_side(shot.grey, camera, points, ends))
    gap = np.full((_HIGH_PX, 6, 3), 255, np.uint8)
    done, encoded = cv2.imencode(
        ".jpg", np.hstack([sides[0], gap, sides[1]]), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY]
    )
    return bytes(encoded.tobytes()) if done else b""


def _side(
    grey: NDArray[np.uint8], camera: CameraInTake, points: FloatArray, ends: FloatArray
) -> NDArray[np.uint8]:
    size = camera.optics.image_size_px
    upright = upright_picture(grey, camera.turn_deg)
    scale = _HIGH_PX / upright.shape[0]
    small = shrunk(upright, (round(upright.shape[1] * scale), _HIGH_PX))
    picture = cv2.cvtColor(small, cv2.COLOR_GRAY2BGR)
    here, there = (
        np.rint(upright_points(each, size, camera.turn_deg) * scale).astype(int) for each in (points, ends)
    )
    for (x, y), (u, v) in zip(here.tolist(), there.tolist(), strict=True):
        cv2.line(picture, (x, y), (u, v), _LINE, 1, cv2.LINE_AA)
        cv2.circle(picture, (x, y), 1, _DOT, -1, cv2.LINE_AA)
    return np.asarray(picture, dtype=np.uint8)


def _off_line(found: PatchMatches, rig: StereoRig) -> FloatArray:
    """From each epipolar line to the match in picture 2, square to the line, (N, 2) px."""
    cameras = (rig.camera1, rig.camera2)
    intrinsics = (intrinsics_vector(cameras[0]), intrinsics_vector(cameras[1]))
    rays = [
        unproject(points, each, camera.model)
        for points, each, camera in zip(
            (found.points1_px, found.points2_px), intrinsics, cameras, strict=True
        )
    ]
    pose = rig.camera2_from_camera1
    off = sampson_of_rays(
        rays[0], rays[1], intrinsics, rotation=pose.rotation, translation=pose.translation_mm
    )
    normal = off.by_pixel2 / np.maximum(np.linalg.norm(off.by_pixel2, axis=1, keepdims=True), 1e-9)
    return np.asarray(np.nan_to_num(normal * off.distance_px[:, None]))
