"""Find the one face of a picture: detector, region, mesh, gates; or say why not."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.upright import recorded_points, upright_picture, upright_size
from rigcheck.landmarks.detector import DetectedFace, FaceDetector
from rigcheck.landmarks.dots import LEAST_DOTS, dots_on_face
from rigcheck.landmarks.gates import (
    LEAST_LOGIT,
    SURE_LOGIT,
    eye_distance_px,
    face_shape,
    nose_outside,
    shape_fault,
)
from rigcheck.landmarks.looking import Look, looked_thrice
from rigcheck.landmarks.mesh import FaceMesh, region_of_points
from rigcheck.landmarks.noface import NoFace, no_face, nothing_seen, turned_face
from rigcheck.landmarks.sampling import PictureLevels
from rigcheck.landmarks.sigma import (
    EYES_UNCLEAR,
    MOUTH_LOST,
    MOUTH_UNCLEAR,
    NOSE_LOST,
    Looks,
    MeshLook,
    base_shares,
    eye_spread,
    mesh_sigma_px,
    wide_shares,
)
from rigcheck.model import FaceLandmarks, Finding, Frame
from rigcheck.model._arrays import FloatArray

__all__ = ["FaceFinder"]

_PADDING = 0.4
_MOST_FACES = 3
_SECOND_FACE = 0.5  # eye distance of another face from which on it is not mere background
_CLEARLY_BETTER = 4.0  # logits
_LEAST_TURNED_LOGIT = 13.0
_SHUT = 0.12


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fit:
    """One face of an upright picture: how far the mirrored and the wide look differ, and what is wrong."""

    points_px: FloatArray
    spread_px: FloatArray
    wide_px: FloatArray
    logit: float
    fault: str | None
    dots: int


@dataclass(frozen=True, kw_only=True, eq=False)
class _Attempt:
    """A picture to look at, and how: with a margin around, its contrast stretched."""

    picture: PictureLevels
    padding: float = 0.0
    stretched: bool = False


class FaceFinder:
    """Finds the face in pictures. Load once; not thread-safe: each thread makes its own.

    Parameters
    ----------
    looks : Looks, optional
        What is known of performer and light; widens sigma.
    """

    def __init__(self, looks: Looks | None = None) -> None:
        self._detector = FaceDetector()
        self._mesh = FaceMesh()
        self._shares = base_shares(self._mesh.lip_indices, self._mesh.eye_indices, looks or Looks())

    def find(
        self, frame: Frame, *, mount_rotation_deg: int = 0, dotted: bool = True
    ) -> FaceLandmarks | NoFace:
        """Find the face of one picture.

        Parameters
        ----------
        frame : Frame
        mount_rotation_deg : int
            0, 90, 180 or 270: by how much the picture is turned clockwise to stand upright.
        dotted : bool
            Whether to look for painted dots.

        Returns
        -------
        FaceLandmarks or NoFace
            Points as recorded. A face that only fits turned further is a NoFace with code "turned".
        """
        image = _eight_bit(frame)
        here = self._fits(image, mount_rotation_deg, dotted=dotted)
        good = [fit for fit in here if fit.fault is None]
        best = max((fit.logit for fit in here if _stands(fit)), default=-np.inf)
        if not good or best < SURE_LOGIT:
            turned = self._better_turned(image, mount_rotation_deg, best)
            if turned is not None:
                return turned_face(frame.ref, turned, mount_rotation_deg)
        if good:
            return self._chosen(frame, good, mount_rotation_deg)
        return _why_not(frame, here)

    def find_turned(
        self, frame: Frame, *, mount_rotation_deg: int, turned_deg: int, dotted: bool = True
    ) -> FaceLandmarks | NoFace:
        """Find the face where it is known how it stands: turned further than the mounting says, or not (0).

        Parameters
        ----------
        frame : Frame
        mount_rotation_deg, turned_deg : int
            The picture is turned clockwise by their sum.
        dotted : bool
            Whether to look for painted dots.
        """
        total = (mount_rotation_deg + turned_deg) % 360
        fits = self._fits(_eight_bit(frame), total, dotted=dotted)
        good = [fit for fit in fits if fit.fault is None]
        return self._chosen(frame, good, total, turned_deg=turned_deg) if good else _why_not(frame, fits)

    def _better_turned(self, image: NDArray[np.uint8], mount_rotation_deg: int, best: float) -> int | None:
        logits = {}
        for turned in (180, 90, 270):
            fits = self._fits(image, (mount_rotation_deg + turned) % 360)
            logits[turned] = max(
                (fit.logit for fit in fits if fit.fault is None and not _lost(fit)), default=-np.inf
            )
        turned = max(logits, key=lambda each: logits[each])
        return turned if logits[turned] >= max(best + _CLEARLY_BETTER, _LEAST_TURNED_LOGIT) else None

    def _fits(self, image: NDArray[np.uint8], turn_deg: int, *, dotted: bool = True) -> list[_Fit]:
        """All faces of the picture turned upright; those without fault first found decide."""
        upright = upright_picture(image, turn_deg)
        fits: list[_Fit] = []
        for attempt in _attempts(upright):
            found = self._detector.detect(attempt.picture, padding=attempt.padding)[:_MOST_FACES]
            fits = _apart([*fits, *(self._fit(attempt, face, dotted=dotted) for face in found)])
            if any(fit.fault is None and fit.logit >= SURE_LOGIT for fit in fits):
                break
        return fits

    def _fit(self, attempt: _Attempt, face: DetectedFace, *, dotted: bool) -> _Fit:
        picture = attempt.picture
        first = self._mesh.look(picture, face.region)
        second = self._mesh.look(picture, region_of_points(first.points_px))
        region = region_of_points(second.points_px)
        # Stretching a dark picture makes dots of its noise.
        sought = dotted and not attempt.stretched
        dots = dots_on_face(picture, region, second.points_px) if sought else None
        look: Look = partial(self._mesh.look, picture)
        if dots is not None and dots.count >= LEAST_DOTS:
            look = partial(dots.look, self._mesh)
            second = look(region)
        looks = looked_thrice(second, look)
        points = (looks.plain.points_px + looks.mirrored.points_px) / 2
        logit = min(looks.plain.logit, looks.mirrored.logit)
        fault = shape_fault(face_shape(points))
        if fault is None and logit < LEAST_LOGIT:
            fault = f"the face mesh is unsure, {logit:.1f} where {LEAST_LOGIT:g} is needed"
        return _Fit(
            points_px=points,
            spread_px=np.linalg.norm(looks.plain.points_px - looks.mirrored.points_px, axis=1),
            wide_px=np.linalg.norm(looks.wide.points_px - points, axis=1),
            logit=logit,
            fault=fault,
            dots=0 if dots is None else dots.count,
        )

    def _chosen(
        self, frame: Frame, good: list[_Fit], turn_deg: int, *, turned_deg: int = 0
    ) -> FaceLandmarks | NoFace:
        sizes = [eye_distance_px(fit.points_px) for fit in good]
        order = np.argsort(sizes)[::-1]
        chosen, size = good[order[0]], sizes[order[0]]
        findings = []
        if len(good) > 1:
            if sizes[order[1]] >= _SECOND_FACE * size:
                return no_face(frame.ref, "two_faces")
            findings.append(
                Finding(code="second_face", sentence="A second, smaller face is in the picture; left out.")
            )
        if _lost(chosen):
            return no_face(frame.ref, "covered")
        if wide_shares(chosen.points_px, chosen.wide_px)[0] > MOUTH_UNCLEAR:
            findings.append(
                Finding(
                    code="mouth_unclear",
                    sentence="The mouth is covered, or open wider than the mesh follows: nose, mouth and chin are "
                    "less certain.",
                )
            )
        upright = upright_size(frame.size_px, turn_deg)
        if nose_outside(chosen.points_px, upright):
            return no_face(frame.ref, "cut_off", detail="the nose lies outside")
        shut = face_shape(chosen.points_px).lid_opening < _SHUT
        if shut or eye_spread(chosen.points_px, chosen.spread_px) > EYES_UNCLEAR:
            findings.append(Finding(code="eyes_shut", sentence="The eyes look shut, or are hard to see."))
        if chosen.dots >= LEAST_DOTS:
            findings.append(
                Finding(
                    code="dots",
                    sentence=f"{chosen.dots} small dots are on the face; they were painted over before the mesh "
                    "looked, and its points are less certain.",
                )
            )
        return self._landmarks(frame, chosen, turn_deg, turned_deg=turned_deg, findings=tuple(findings))

    def _landmarks(
        self, frame: Frame, fit: _Fit, turn_deg: int, *, turned_deg: int, findings: tuple[Finding, ...]
    ) -> FaceLandmarks:
        upright = np.array(upright_size(frame.size_px, turn_deg))
        outside = np.asarray(np.any((fit.points_px < -0.5) | (fit.points_px > upright - 0.5), axis=1))
        look = MeshLook(
            spread_px=fit.spread_px,
            wide_px=fit.wide_px,
            logit=fit.logit,
            outside=outside,
            dots=fit.dots >= LEAST_DOTS,
        )
        return FaceLandmarks(
            ref=frame.ref,
            image_size_px=frame.size_px,
            points_px=recorded_points(fit.points_px, frame.size_px, turn_deg),
            sigma_px=mesh_sigma_px(fit.points_px, self._shares, look),
            found_by="mesh",
            turned_deg=turned_deg,
            score=fit.logit,
            findings=findings,
        )


def _eight_bit(frame: Frame) -> NDArray[np.uint8]:
    image = frame.image
    if image.dtype == np.uint8:
        return np.asarray(image, dtype=np.uint8)
    return np.asarray((image >> max(frame.bit_depth - 8, 0)).clip(0, 255), dtype=np.uint8)


def _attempts(upright: NDArray[np.uint8]) -> Iterator[_Attempt]:
    """As it is, with a margin, and where it is dark or flat also stretched."""
    picture = PictureLevels(upright)
    yield _Attempt(picture=picture)
    yield _Attempt(picture=picture, padding=_PADDING)
    low, high = np.percentile(upright[::4, ::4], [1.0, 99.0])
    if high - low < 100.0 and high > low:
        stretched = np.clip((upright.astype(np.float32) - low) * (230.0 / (high - low)), 0, 255).astype(
            np.uint8
        )
        levels = PictureLevels(stretched)
        yield _Attempt(picture=levels, stretched=True)
        yield _Attempt(picture=levels, padding=_PADDING, stretched=True)


def _apart(fits: list[_Fit]) -> list[_Fit]:
    """Keep of fits on the same face the surest."""
    kept: list[_Fit] = []
    for fit in sorted(fits, key=lambda each: (each.fault is not None, -each.logit)):
        centre, size = fit.points_px.mean(axis=0), eye_distance_px(fit.points_px)
        if all(np.linalg.norm(other.points_px.mean(axis=0) - centre) > 0.5 * size for other in kept):
            kept.append(fit)
    return kept


def _lost(fit: _Fit) -> bool:
    """Whether nose and mouth hang on the region looked at: covered, or a jaw dropped too far."""
    mouth, nose = wide_shares(fit.points_px, fit.wide_px)
    return mouth > MOUTH_LOST and nose > NOSE_LOST


def _stands(fit: _Fit) -> bool:
    """Whether a face, sound or not, stands upright to the eighth turn."""
    return abs(face_shape(fit.points_px).roll_deg) < 45.0


def _why_not(frame: Frame, fits: list[_Fit]) -> NoFace:
    near = [fit for fit in fits if fit.logit >= LEAST_LOGIT]
    if near and near[0].fault is not None:
        return no_face(frame.ref, "unsure", detail=near[0].fault)
    return nothing_seen(frame.grey8(), frame.ref)
