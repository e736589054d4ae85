"""One moment of one camera or two: landmarks, framing, focus and exposure, as picture after picture needs them."""

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

from threadpoolctl import ThreadpoolController

from rigcheck.face.exposure_light import LightCurve, light_curve
from rigcheck.face.fitting_run import camera_optics
from rigcheck.face.focus_pair import FocusPair, focus_pair
from rigcheck.face.focus_regions import region_outlines, whole_mask
from rigcheck.jobs.moment_camera import (
    BegunCamera,
    CameraAside,
    CameraHere,
    CameraMoment,
    CameraSetup,
    SideLost,
    first_done,
)
from rigcheck.landmarks import Looks, NoFace
from rigcheck.matching import PairMatcher
from rigcheck.model import Calibration, FaceLandmarks, Frame, RigDescription, StereoRig
from rigcheck.model._arrays import FloatArray

__all__ = ["BegunMoment", "CameraMoment", "Moment", "MomentMeasurer"]

# Matches wanted of one moment: a plane of focus is fitted over several moments.
_MATCHES = 40


@dataclass(frozen=True, kw_only=True, eq=False)
class Moment:
    """One or two cameras at one moment; `pair` holds skin that both see, None without calibration or a face."""

    cameras: tuple[CameraMoment, ...]
    pair: FocusPair | None = None


class BegunMoment:
    """A moment that is being measured; see :meth:`MomentMeasurer.begin`. Moments are waited for in turn."""

    def __init__(
        self,
        measurer: "MomentMeasurer",
        frames: Sequence[Frame],
        begun: Sequence[BegunCamera],
        *,
        matched: bool,
    ) -> None:
        self._measurer, self._frames, self._begun = measurer, frames, begun
        self._matched = matched
        self._pair: Future[FocusPair | None] | None = None
        self._failed: Exception | None = None

    def first(self) -> None:
        """Wait until one camera has done its part: it is free for the next moment."""
        try:
            self._match()
            first_done(self._begun)
        except Exception as error:  # raised where the whole is waited for
            self._failed = error

    def whole(self) -> Moment:
        """Wait for all of it.

        Raises
        ------
        Exception
            What went wrong in a camera's process; what else was begun is then forgotten.
        """
        try:
            if self._failed is not None:
                raise self._failed
            self._match()
            parts = tuple(camera.whole() for camera in self._begun)
            return Moment(cameras=parts, pair=None if self._pair is None else self._pair.result())
        except SideLost:
            return self._measurer.measure_here(self._frames, matched=self._matched)
        except BaseException:
            self._measurer.forget()
            raise

    def _match(self) -> None:
        """Begin to match the skin once both faces are found."""
        if self._matched and self._pair is None:
            self._pair = self._measurer.match(self._frames, [camera.face() for camera in self._begun])


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
        self._matching = ThreadPoolExecutor(max_workers=1)
        self._closed = False
        self._cameras: list[CameraHere | CameraAside] = [
            CameraAside(setup) if aside else CameraHere(setup) for setup in self._setups
        ]
        self._stereo: StereoRig | None = None
        if len(frames) == 2 and calibration is not None and calibration.stereo is not None:
            self._stereo = calibration.rig
        self._matcher = None if self._stereo is None else PairMatcher(self._stereo, wanted=_MATCHES)
        self._algebra = ThreadpoolController().limit(limits=1, user_api="blas")

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
        self._closed = True
        self._close_cameras()
        self._matching.shutdown()
        self._algebra.restore_original_limits()

    def measure(self, frames: Sequence[Frame], *, matched: bool = True) -> Moment:
        """Measure one moment.

        Parameters
        ----------
        frames : sequence of Frame
            One picture a camera, in the order of the first ones, as recorded at full size and depth.
        matched : bool
            Whether to match the skin between calibrated cameras: needed at some moments only.

        Returns
        -------
        Moment

        Raises
        ------
        ValueError
            When there are more or fewer pictures than cameras.
        """
        return self.begin(frames, matched=matched).whole()

    def begin(self, frames: Sequence[Frame], *, matched: bool = True) -> BegunMoment:
        """Begin to measure one moment, as :meth:`measure` does; two at most are begun and not waited for.

        Notes
        -----
        A camera that is done with the first then goes on with the second, and does not wait for the other camera.
        """
        if len(frames) != len(self._cameras):
            raise ValueError(f"{len(frames)} pictures found, {len(self._cameras)} needed")
        matched = matched and self._matcher is not None
        begun = [
            camera.begin(frame, face_first=matched)
            for camera, frame in zip(self._cameras, frames, strict=True)
        ]
        return BegunMoment(self, frames, begun, matched=matched)

    def measure_here(self, frames: Sequence[Frame], *, matched: bool) -> Moment:
        """Measure one moment without processes, and all from now on: one was lost."""
        if self._closed:
            raise RuntimeError("the measurer was closed while a moment was measured")
        if any(isinstance(camera, CameraAside) for camera in self._cameras):
            self._close_cameras()
            self._cameras = [CameraHere(setup) for setup in self._setups]
        return self.measure(frames, matched=matched)

    def _close_cameras(self) -> None:
        for camera in self._cameras:  # both processes end at once
            camera.let_go()
        for camera in self._cameras:
            camera.close()

    def forget(self) -> None:
        """Forget what is begun."""
        for camera in self._cameras:
            camera.forget()

    def match(
        self, frames: Sequence[Frame], faces: Sequence[FaceLandmarks | NoFace]
    ) -> Future[FocusPair | None]:
        """Begin to match the skin of one moment."""
        return self._matching.submit(self._pair, frames, faces)

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
