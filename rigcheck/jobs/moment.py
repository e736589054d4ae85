"""One moment of one camera or two: landmarks, framing, focus and exposure, as picture after picture needs them."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from threadpoolctl import ThreadpoolController

from rigcheck.face.exposure_light import LightCurve, light_curve
from rigcheck.face.fitting_run import camera_optics
from rigcheck.face.focus_pair import FocusPair, focus_pair
from rigcheck.face.focus_regions import region_outlines, whole_mask
from rigcheck.jobs.moment_camera import CameraAside, CameraHere, CameraMoment, CameraSetup, SideLost
from rigcheck.landmarks import Looks, NoFace
from rigcheck.matching import PairMatcher
from rigcheck.model import Calibration, FaceLandmarks, Frame, RigDescription, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["CameraMoment", "Moment", "MomentMeasurer"]

# Matches wanted of one moment: a plane of focus is fitted over several moments.
_MATCHES = 40


@dataclass(frozen=True, kw_only=True, eq=False)
class Moment:
    """One or two cameras at one moment; `pair` holds skin that both see, None without calibration or a face."""

    cameras: tuple[CameraMoment, ...]
    pair: FocusPair | None = None


class MomentMeasurer:
    """Measures moment after moment with what is known before the first.

    Parameters
    ----------
    frames : sequence of Frame
        A first picture of each camera, one or two: gives size and depth.
    rig : RigDescription, optional
    calibration : Calibration, optional
        Of the same cameras; both together give the depth of the skin.
    looks : Looks, optional
    full_range : bool
        The pictures are RGB, full range (read with colour).
    tables : sequence of ((2**bit_depth,) float64 or None), optional
        Measured transfer curves, one a camera, as `light_curve` takes them.
    aside : bool
        Measure each camera in a process of its own, for picture after picture in time: starting takes a second or
        two, and from then on both cores are taken. Without it Python's threads take turns, with whatever else this
        process does.

    Notes
    -----
    Both cameras are measured side by side, and the skin is matched as soon as both faces are found. The linear
    algebra keeps to one thread, since its own would wait for ours. Where a process is lost, both cameras are measured
    here from then on. One measurer serves one caller at a time. A proxy's focus and exposure say nothing: do not give
    its pictures.
    Call :meth:`close`, or use it in a ``with`` statement.
    """

    def __init__(
        self,
        frames: Sequence[Frame],
        *,
        rig: RigDescription | None = None,
        calibration: Calibration | None = None,
        looks: Looks | None = None,
        full_range: bool = False,
        tables: Sequence[FloatArray | None] | None = None,
        aside: bool = False,
    ) -> None:
        if not 1 <= len(frames) <= 2:
            raise ValueError(f"{len(frames)} cameras found, one or two needed")
        self._setups = tuple(
            _setup(
                k,
                frame,
                rig=rig,
                calibration=calibration,
                looks=looks or Looks(),
                full_range=full_range,
                table=None if tables is None else tables[k],
            )
            for k, frame in enumerate(frames)
        )
        self._threads = ThreadPoolExecutor(max_workers=len(frames))
        self._cameras: list[CameraHere | CameraAside] = [
            CameraAside(setup) if aside else CameraHere(setup, self._threads) for setup in self._setups
        ]
        self._stereo: StereoRig | None = None
        if len(frames) == 2 and calibration is not None and calibration.stereo is not None:
            self._stereo = calibration.rig
        self._matcher = None if self._stereo is None else PairMatcher(self._stereo, wanted=_MATCHES)
        self._algebra = ThreadpoolController()

    @property
    def curves(self) -> tuple[LightCurve, ...]:
        """Of each camera's pictures."""
        return tuple(setup.curve for setup in self._setups)

    def __enter__(self) -> "MomentMeasurer":
        """Give itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Let the threads go."""
        self.close()

    def close(self) -> None:
        """Let the threads, and the cameras' processes, go."""
        for camera in self._cameras:
            camera.close()
        self._threads.shutdown()

    def measure(
        self,
        frames: Sequence[Frame],
        *,
        matched: bool = True,
        meanwhile: Callable[[], None] = lambda: None,
    ) -> Moment:
        """Measure one moment.

        Parameters
        ----------
        frames : sequence of Frame
            One picture a camera, in the order of the first ones, as recorded at full size and depth.
        matched : bool
            Whether to match the skin between calibrated cameras: needed at some moments only.
        meanwhile : callable
            Called in this thread while the cameras measure; not again where a process is lost.

        Returns
        -------
        Moment

        Raises
        ------
        ValueError
            When there are more or fewer pictures than cameras.
        """
        if len(frames) != len(self._cameras):
            raise ValueError(f"{len(frames)} pictures found, {len(self._cameras)} needed")
        with self._algebra.limit(limits=1, user_api="blas"):
            try:
                return self._measured(frames, matched=matched, meanwhile=meanwhile)
            except SideLost:
                for camera in self._cameras:
                    camera.close()
                self._cameras = [CameraHere(setup, self._threads) for setup in self._setups]
                return self._measured(frames, matched=matched, meanwhile=lambda: None)

    def _measured(self, frames: Sequence[Frame], *, matched: bool, meanwhile: Callable[[], None]) -> Moment:
        matched = matched and self._matcher is not None
        begun = [
            camera.begin(frame, face_first=matched)
            for camera, frame in zip(self._cameras, frames, strict=True)
        ]
        meanwhile()
        pair = None
        if matched:
            pair = self._threads.submit(self._pair, frames, [camera.face() for camera in begun])
        parts = tuple(camera.whole() for camera in begun)
        return Moment(cameras=parts, pair=None if pair is None else pair.result())

    def _pair(self, frames: Sequence[Frame], faces: Sequence[FaceLandmarks | NoFace]) -> FocusPair | None:
        found = [face for face in faces if isinstance(face, FaceLandmarks)]
        if self._matcher is None or self._stereo is None or len(found) < 2:
            return None
        first, second = (whole_mask(region_outlines(face), face.image_size_px) for face in found)
        if first is None or second is None:
            return None
        matches = self._matcher.match_near(
            frames[0].grey8(),
            frames[1].grey8(),
            masks=(first, second),
            known_px=(found[0].points_px, found[1].points_px),
        )
        return focus_pair(frames, found, matches, self._stereo)


def _setup(
    number: int,
    frame: Frame,
    *,
    rig: RigDescription | None,
    calibration: Calibration | None,
    looks: Looks,
    full_range: bool,
    table: FloatArray | None,
) -> CameraSetup:
    described = None if rig is None else rig.cameras[number]
    return CameraSetup(
        optics=camera_optics(
            frame.size_px,
            described,
            calibration=calibration,
            camera_idx=number,
            working_distance_mm=None if rig is None else rig.working_distance_mm,
        ),
        curve=light_curve(described, bit_depth=frame.bit_depth, full_range=full_range, table=table),
        looks=looks,
    )
