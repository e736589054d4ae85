"""One moment read in full: both cameras' pictures, their neighbours in time, and what the pair says together."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rigcheck.face.focus_regions import region_masks
from rigcheck.face.focus_sharpness import region_sharpness
from rigcheck.face.picks_depth import MouthView, incisor_depth
from rigcheck.face.picks_glance import mouth_numbers
from rigcheck.face.picks_pair import pair_estimates
from rigcheck.face.picks_points import SteadyMesh
from rigcheck.face.picks_rows import SeenRows, rows_seen
from rigcheck.face.picks_shape import shape_estimates
from rigcheck.face.picks_still import MovedSince, read_stillness
from rigcheck.face.picks_strip import FINE_COLUMNS, mouth_strip
from rigcheck.face.picks_turn import TURN_SIGMA_DEG, turn_deg
from rigcheck.geometry.upright import upright_points
from rigcheck.landmarks import FaceFinder, Looks, NoFace
from rigcheck.landmarks.gates import face_shape
from rigcheck.model import Estimate, FaceLandmarks, Finding, Frame, StereoRig
from rigcheck.model._arrays import FloatArray
from rigcheck.model.picking import PoseReading

__all__ = ["BiteReading", "CameraPictures", "MomentReader"]

_SHARP_REGIONS = ("eyes", "lips", "cheeks")
_MOUTH_UNITS = {"teeth_brightness": "", "teeth_wide": "of mouth", "seam_depth": "of lips"}
# Of a width read in the picture, beside what noise makes of it: the points the strip follows jitter.
_SEAM_SIGMA, _TEETH_SIGMA = 0.0010, 0.004


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraPictures:
    """One camera's picture of a moment, and those just before and after where there are any."""

    frame: Frame
    before: Frame | None = None
    after: Frame | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class BiteReading:
    """What more is read of the best bite: the rows of teeth by camera, and the front teeth's depth, mm."""

    rows: Mapping[str, SeenRows]
    incisors: Estimate


class MomentReader:
    """Reads moments in full. Not thread-safe.

    Parameters
    ----------
    mounts_deg, turned_deg : mapping of camera name to degrees
        Mounting from the rig file, and by how much further faces stood turned (`Glancer.turned_deg`).
    black_dn : mapping of camera name to code value
    rig : StereoRig, optional
        The calibration, so that what both cameras see is triangulated.
    looks : Looks, optional
    """

    def __init__(
        self,
        *,
        mounts_deg: Mapping[str, int] | None = None,
        turned_deg: Mapping[str, int] | None = None,
        black_dn: Mapping[str, float] | None = None,
        rig: StereoRig | None = None,
        looks: Looks | None = None,
    ) -> None:
        self._mounts = dict(mounts_deg or {})
        self._turned = dict(turned_deg or {})
        self._black = dict(black_dn or {})
        self._rig = rig
        self._finder = FaceFinder(looks)
        self._mesh = SteadyMesh()

    def read(self, pictures: Sequence[CameraPictures]) -> PoseReading:
        """Read one moment.

        Parameters
        ----------
        pictures : sequence of CameraPictures
            A camera each, camera 1 first.

        Returns
        -------
        PoseReading
            A camera without a usable face has no measures, and a finding says why. Seam widths at each place are
            `seam_00` and on, from the performer's right corner to the left.
        """
        cameras: dict[str, dict[str, Estimate]] = {}
        findings: list[Finding] = []
        faces: list[FaceLandmarks | None] = []
        for each in pictures:
            name = each.frame.ref.camera
            face = self._finder.find_turned(
                each.frame,
                mount_rotation_deg=self._mounts.get(name, 0),
                turned_deg=self._turned.get(name, 0),
            )
            if isinstance(face, NoFace):
                faces.append(None)
                cameras[name] = {}
                findings.append(Finding(code="no_face", sentence=face.sentence))
                continue
            faces.append(face)
            findings += face.findings
            cameras[name] = self._camera(each, face)
        pair: dict[str, Estimate] = {}
        if len(faces) == 2 and faces[0] is not None and faces[1] is not None and self._rig is not None:
            pair = pair_estimates(faces[0], faces[1], self._rig)
        return PoseReading(
            refs=tuple(each.frame.ref for each in pictures),
            cameras=cameras,
            pair=pair,
            findings=tuple(findings),
        )

    def read_bite(self, pictures: Sequence[CameraPictures]) -> BiteReading:
        """Which rows of teeth are seen in a moment chosen as a bite, and how far the front teeth lie behind the lip.

        Parameters
        ----------
        pictures : sequence of CameraPictures
            A camera each, camera 1 first; neighbours are not needed.
        """
        views: dict[str, MouthView] = {}
        rows: dict[str, SeenRows] = {}
        for each in pictures:
            name = each.frame.ref.camera
            view = self._mouth(each.frame)
            if view is None:
                continue
            views[name] = view
            strip = mouth_strip(
                view.grey, view.points_px, black_dn=view.black_dn, reach=0.12, columns=FINE_COLUMNS
            )
            rows[name] = SeenRows(rows="none") if strip is None else rows_seen(strip)
        if self._rig is None or len(pictures) != 2:
            reason = "needs two cameras and their calibration"
            return BiteReading(rows=rows, incisors=Estimate(value=None, unit="mm", reason=reason))
        if len(views) != 2:
            lost = Estimate(value=None, unit="mm", reason="no face was found in one of the pictures")
            return BiteReading(rows=rows, incisors=lost)
        first, second = views.values()
        return BiteReading(rows=rows, incisors=incisor_depth(first, second, self._rig))

    def _mouth(self, frame: Frame) -> MouthView | None:
        name = frame.ref.camera
        mount, turned = self._mounts.get(name, 0), self._turned.get(name, 0)
        face = self._finder.find_turned(frame, mount_rotation_deg=mount, turned_deg=turned)
        if isinstance(face, NoFace):
            return None
        grey = frame.grey8()
        steady = self._mesh.points(grey, face.points_px, (mount + turned) % 360, rounds=2)
        points = face.points_px if steady is None else steady
        return MouthView(grey=grey, points_px=points, black_dn=self._black.get(name, 0.0))

    def _camera(self, pictures: CameraPictures, face: FaceLandmarks) -> dict[str, Estimate]:
        frame, name = pictures.frame, pictures.frame.ref.camera
        grey = frame.grey8()
        turn = (self._mounts.get(name, 0) + self._turned.get(name, 0)) % 360
        steady = self._mesh.points(grey, face.points_px, turn, rounds=2)
        face = face if steady is None else replace(face, points_px=steady)
        measures = shape_estimates(face.points_px)
        measures["turn_deg"] = Estimate(value=turn_deg(face.points_px), sigma=TURN_SIGMA_DEG, unit="deg", n=1)
        upright = upright_points(face.points_px, face.image_size_px, turn)
        measures["eye_width_ratio"] = Estimate(value=face_shape(upright).eye_width_ratio, sigma=0.05, n=1)
        mouth, seam = mouth_numbers(grey, face.points_px, black_dn=self._black.get(name, 0.0))
        noise = mouth.pop("seam_noise", float("nan"))
        measures |= {key: _mouth_estimate(key, value) for key, value in mouth.items()}
        measures |= _seam_estimates(seam, noise)
        measures |= read_stillness(grey, face.points_px, _neighbours(pictures))
        masks = {key: mask for key, mask in region_masks(face).items() if key in _SHARP_REGIONS}
        if masks:
            sharp = region_sharpness(grey, masks)
            measures |= {f"sharp_{region}": estimate for region, estimate in sharp.items()}
        return measures


def _mouth_estimate(name: str, value: float) -> Estimate:
    unit = _MOUTH_UNITS.get(name, "of eye distance")
    if not np.isfinite(value):
        return Estimate(value=None, unit=unit, reason="the mouth is not wholly in the picture")
    return Estimate(value=value, sigma=_SEAM_SIGMA if name == "seam_width" else _TEETH_SIGMA, unit=unit, n=1)


def _seam_estimates(seam: FloatArray | None, noise: float) -> dict[str, Estimate]:
    if seam is None or not np.isfinite(noise):
        return {}
    sigma = float(np.hypot(noise, _SEAM_SIGMA))
    return {
        f"seam_{k:02d}": Estimate(value=float(value), sigma=sigma, unit="of eye distance", n=1)
        for k, value in enumerate(seam)
        if np.isfinite(value)
    }


def _neighbours(pictures: CameraPictures) -> tuple[MovedSince, ...]:
    found = []
    for other in (pictures.before, pictures.after):
        if other is None or other.ref.time_s is None or pictures.frame.ref.time_s is None:
            continue
        seconds = abs(other.ref.time_s - pictures.frame.ref.time_s)
        if seconds > 0 and other.size_px == pictures.frame.size_px:
            found.append(MovedSince(image=other.grey8(), seconds=seconds))
    return tuple(found)
