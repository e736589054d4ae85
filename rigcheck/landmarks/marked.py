"""Marked points followed through a clip, from the marked picture forwards and backwards."""

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import InputError
from rigcheck.landmarks.flow import Flow, follow, normalised
from rigcheck.landmarks.noface import NoFace, no_face
from rigcheck.model import FACE_POINTS, N_FACE_POINTS, FaceLandmarks, Frame, FrameRef, MarkedPoints
from rigcheck.model._arrays import FloatArray

__all__ = ["MarkedFollower", "follow_marked", "marked_face"]

# One step's own error, px per axis, beside its round trip; and what is left after comparing with the marked picture.
_STEP_PX = 0.25
_ANCHORED_PX = 0.5
_ANCHOR_REACH_PX = 4.0


def marked_face(marked: MarkedPoints, ref: FrameRef) -> FaceLandmarks:
    """Face of the marked picture itself."""
    names = list(marked.points_px)
    points = np.array([marked.points_px[name] for name in names], dtype=np.float64)
    sigma = np.full(len(names), marked.sigma_px)
    return _face(ref, marked.image_size_px, names, points, sigma, found_by="marked")


class MarkedFollower:
    """Follows marked points picture by picture, in either direction.

    Parameters
    ----------
    marked : MarkedPoints
    frame : Frame
        The marked picture.

    Notes
    -----
    Each picture is followed from the one before; then each point is compared with the marked picture itself, which
    stops drift while that still looks alike. A point that is lost stays lost until that comparison finds it
    again near where its neighbours went.

    Raises
    ------
    InputError
        When the picture has another size than the one that was marked.
    """

    def __init__(self, marked: MarkedPoints, frame: Frame) -> None:
        if frame.size_px != marked.image_size_px:
            raise InputError(
                f"{frame.ref.label}: {frame.size_px[0]} × {frame.size_px[1]} px found, but the points were marked on "
                f"{marked.image_size_px[0]} × {marked.image_size_px[1]} px.",
                hint="mark the points on a picture of this very footage.",
            )
        self._marked = marked
        self._names = list(marked.points_px)
        self._start = np.array([marked.points_px[name] for name in self._names], dtype=np.float64)
        self._first = normalised(frame.grey8())
        self.restart()

    def restart(self) -> None:
        """Go back to the marked picture, to follow in the other direction."""
        self._before = self._first
        self._points = self._start.copy()
        self._drift = np.zeros(len(self._names))

    def step(self, frame: Frame) -> FaceLandmarks | NoFace:
        """Follow into the next picture."""
        after = normalised(frame.grey8())
        known = np.isfinite(self._points[:, 0])
        flow = follow(self._before, after, self._points[known])
        points = np.full_like(self._points, np.nan)
        points[known] = np.where(flow.trusted[:, None], flow.points_px, np.nan)
        drift = np.full(len(points), np.inf)
        drift[known] = np.where(
            flow.trusted, np.sqrt(self._drift[known] ** 2 + _STEP_PX**2 + flow.round_trip_px**2 / 2), np.inf
        )
        points, drift = self._anchored(after, points, drift)
        self._before, self._points, self._drift = after, points, drift
        found = np.isfinite(points[:, 0])
        if not found.any():
            return no_face(frame.ref, "lost")
        sigma = np.hypot(self._marked.sigma_px, drift)
        return _face(frame.ref, frame.size_px, self._names, points, sigma, found_by="followed")

    def _anchored(
        self, after: NDArray[np.uint8], points: FloatArray, drift: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Compare with the marked picture, starting from where the points, or their neighbours, are now."""
        found = np.isfinite(points[:, 0])
        if not found.any():
            return points, drift
        moved = np.median(points[found] - self._start[found], axis=0)
        start = np.where(found[:, None], points, self._start + moved)
        flow: Flow = follow(self._first, after, self._start, start_px=start)
        near = np.linalg.norm(flow.points_px - start, axis=1) < _ANCHOR_REACH_PX
        good = flow.trusted & near & (np.hypot(_ANCHORED_PX, flow.round_trip_px) < drift)
        points = np.where(good[:, None], flow.points_px, points)
        return points, np.where(good, np.hypot(_ANCHORED_PX, flow.round_trip_px), drift)


def follow_marked(marked: MarkedPoints, frames: Sequence[Frame]) -> tuple[FaceLandmarks | NoFace, ...]:
    """Follow marked points through pictures of one clip, in their order.

    Parameters
    ----------
    marked : MarkedPoints
    frames : sequence of Frame
        In order of time; among them the marked one.

    Raises
    ------
    InputError
        When the marked picture is not among them, or its size differs.
    """
    at = next((k for k, frame in enumerate(frames) if frame.ref.frame_idx == marked.frame_idx), None)
    if at is None:
        raise InputError(
            f"frame {marked.frame_idx} of camera {marked.camera!r}, on which the points were marked, is not among the "
            f"{len(frames)} pictures looked at.",
            hint="mark points on a frame between the in and out points, counted from 0 at the start of the file.",
        )
    follower = MarkedFollower(marked, frames[at])
    later = _steps(follower, frames[at + 1 :])
    follower.restart()
    earlier = _steps(follower, reversed(frames[:at]))
    return (*reversed(earlier), marked_face(marked, frames[at].ref), *later)


def _steps(follower: MarkedFollower, frames: Iterable[Frame]) -> list[FaceLandmarks | NoFace]:
    return [follower.step(frame) for frame in frames]


def _face(
    ref: FrameRef,
    size_px: tuple[int, int],
    names: list[str],
    points: FloatArray,
    sigma: FloatArray,
    *,
    found_by: str,
) -> FaceLandmarks:
    indices = [FACE_POINTS[name] for name in names]
    all_points = np.full((N_FACE_POINTS, 2), np.nan)
    all_sigma = np.full(N_FACE_POINTS, np.inf)
    all_points[indices] = points
    all_sigma[indices] = np.where(np.isfinite(points[:, 0]), sigma, np.inf)
    return FaceLandmarks(
        ref=ref,
        image_size_px=size_px,
        points_px=all_points,
        sigma_px=all_sigma,
        found_by="marked" if found_by == "marked" else "followed",
    )
