"""The invented shoot day that the demo renders.

Production "Nine Lantern Quay", day 3. The helmet called quay-2 carries two cameras one above the other,
`upper` and `lower`, turned in to meet on the face. In the morning, before the performer known as heron
is fitted, the technician films a board held in one hand. All of it is made up.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.demo.light import Lamps
from rigcheck.demo.optics import Lens, Sensor
from rigcheck.model import (
    BoardMeasurement,
    BoardSpec,
    CameraDescription,
    CameraModel,
    RigDescription,
    RigidTransform,
    StereoRig,
)
from rigcheck.model._arrays import FloatArray

__all__ = ["FIRST_TIMECODE", "ShootDay", "shoot_day"]

FIRST_TIMECODE = "07:42:10:00"
_SIZE_PX = (1080, 1440)
_FOCAL_PX = 1420.0
_PITCH_UM = 3.45
_BASELINE_MM = 72.0
_CONVERGENCE_DEG = 21.0
_WORKING_DISTANCE_MM = 195.0
_F_NUMBER = 4.0
_SHUTTER_S = 0.002
_SQUARES, _SQUARE_MM, _MARKER_MM, _DICTIONARY = (9, 12), 9.0, 6.75, "DICT_4X4_100"
_CALIPERS_MM = 0.02  # standard uncertainty of a length of about 100 mm
_PRINT_STRETCH = 0.0006  # the print came out this much too large


@dataclass(frozen=True, kw_only=True, eq=False)
class ShootDay:
    """Truth and paperwork of one invented day.

    Parameters
    ----------
    truth : StereoRig
    camera1_from_rig : RigidTransform
        The rig frame stands midway between the cameras: z to where their axes meet, y down the baseline.
    description : RigDescription
        What the technician knows of the rig.
    board : BoardSpec
        What the technician knows of the board, measured with calipers.
    pitch_mm : (float, float)
        True size of the board's squares.
    lenses, lamps : one a camera
    sensor : Sensor
    shutter_s : float
    """

    truth: StereoRig
    camera1_from_rig: RigidTransform
    description: RigDescription
    board: BoardSpec
    pitch_mm: tuple[float, float]
    lenses: tuple[Lens, Lens]
    lamps: tuple[Lamps, Lamps]
    sensor: Sensor
    shutter_s: float

    def camera_from_rig(self, number: int) -> RigidTransform:
        """Pose of camera 1 or 2 in the rig."""
        if number == 1:
            return self.camera1_from_rig
        return compose(self.truth.camera2_from_camera1, self.camera1_from_rig)


def compose(c_from_b: RigidTransform, b_from_a: RigidTransform) -> RigidTransform:
    """`c_from_a`."""
    return RigidTransform(
        rotation=c_from_b.rotation @ b_from_a.rotation,
        translation_mm=c_from_b.rotation @ b_from_a.translation_mm + c_from_b.translation_mm,
    )


def shoot_day(seed: int, *, size_px: tuple[int, int] = _SIZE_PX, frame_rate: float = 60.0) -> ShootDay:
    """Invent the day: each seed builds the rig and measures the board a little differently.

    Parameters
    ----------
    seed : int
    size_px : (width, height)
        Of the pictures; focal lengths and principal points scale with the width, so that the field stays.
    frame_rate : float
    """
    rng = np.random.default_rng([11, seed])
    scale = size_px[0] / _SIZE_PX[0]
    cameras = tuple(_camera(name, rng, size_px, scale) for name in ("upper", "lower"))
    first, second = _placed(rng, -1.0), _placed(rng, +1.0)
    truth = StereoRig(
        camera1=cameras[0], camera2=cameras[1], camera2_from_camera1=compose(second, first.inverse())
    )
    lens_mm = _lens_mm()
    lenses = tuple(
        Lens(
            focal_length_mm=lens_mm,
            f_number=_F_NUMBER,
            focused_at_mm=float(_WORKING_DISTANCE_MM + rng.uniform(-4, 4)),
            pixel_pitch_um=_PITCH_UM / scale,
            sharpest_px=0.45,
        )
        for _ in range(2)
    )
    board, pitch = _measured_board(rng)
    return ShootDay(
        truth=truth,
        camera1_from_rig=first,
        description=_description(size_px, scale, frame_rate),
        board=board,
        pitch_mm=pitch,
        lenses=(lenses[0], lenses[1]),
        lamps=(_lamps(first), _lamps(second)),
        sensor=Sensor(),
        shutter_s=_SHUTTER_S,
    )


def _camera(name: str, rng: np.random.Generator, size_px: tuple[int, int], scale: float) -> CameraModel:
    focal = scale * (_FOCAL_PX + rng.uniform(-9, 9))
    middle = (np.array(size_px) - 1) / 2
    principal = middle + scale * rng.uniform(-9, 9, 2)
    tangential = rng.uniform(1.5e-4, 4e-4, 2) * rng.choice([-1, 1], 2)
    distortion = (
        -0.12 + rng.uniform(-0.006, 0.006),
        0.06 + rng.uniform(-0.006, 0.006),
        tangential[0],
        tangential[1],
        -0.004,
    )
    return CameraModel(
        name=name,
        image_size_px=size_px,
        model="brown",
        focal_px=(float(focal), float(focal * (1 + rng.uniform(-2e-4, 2e-4)))),
        principal_point_px=(float(principal[0]), float(principal[1])),
        distortion=tuple(float(value) for value in distortion),
    )


def _placed(rng: np.random.Generator, side: float) -> RigidTransform:
    """`camera_from_rig` of the camera above (side -1) or below (+1), each mounted a little off."""
    centre = np.array([0.0, side * _BASELINE_MM / 2, 0.0]) + rng.uniform(-0.3, 0.3, 3)
    toe_in = np.deg2rad(side * _CONVERGENCE_DEG / 2)  # turned about x towards the rig's middle
    off = np.deg2rad(rng.uniform(-0.25, 0.25, 3))
    rotation = (Rotation.from_rotvec([toe_in, 0, 0]) * Rotation.from_rotvec(off)).as_matrix().T
    return RigidTransform(rotation=rotation, translation_mm=-rotation @ centre)


def _lens_mm() -> float:
    """Focal length whose principal distance, focused at the working distance, is the wanted one in pixels."""
    principal_distance = _FOCAL_PX * _PITCH_UM / 1000
    return 1 / (1 / principal_distance + 1 / _WORKING_DISTANCE_MM)


def _lamps(camera_from_rig: RigidTransform) -> Lamps:
    """Two lamps beside each camera, one of them a little behind the other's line."""
    x, y = np.meshgrid([-46.0, 46.0], [-40.0, 34.0])
    at_rig: FloatArray = np.stack([x.ravel(), y.ravel(), np.full(4, -6.0)], axis=1)
    return Lamps(at_mm=camera_from_rig.apply(at_rig), paper_dn=158.0, glare_dn=9.0, glare_power=60.0)


def _measured_board(rng: np.random.Generator) -> tuple[BoardSpec, tuple[float, float]]:
    """Return the board as the technician's calipers found it, and its true pitch."""
    pitch = _SQUARE_MM * (1 + _PRINT_STRETCH)
    across, down = _SQUARES[0] * pitch, _SQUARES[1] * pitch
    board = BoardSpec(
        name="quay-charuco-9x12",
        kind="charuco",
        squares=_SQUARES,
        square_mm=_SQUARE_MM,
        marker_mm=_MARKER_MM,
        dictionary=_DICTIONARY,
    )
    # One pair of calipers: the same relative error both ways, as BoardSpec.scale_sigma takes it.
    exact = BoardMeasurement(
        across_mm=across,
        across_squares=_SQUARES[0],
        down_mm=down,
        down_squares=_SQUARES[1],
        u_mm=_CALIPERS_MM,
    )
    sigma = replace(board, measured=exact).scale_sigma or 0.0
    read = 1 + sigma * float(rng.standard_normal())
    measured = replace(exact, across_mm=round(across * read, 3), down_mm=round(down * read, 3))
    return replace(board, measured=measured), (pitch, pitch)


def _description(size_px: tuple[int, int], scale: float, frame_rate: float) -> RigDescription:
    cameras = tuple(
        CameraDescription(
            name=name,
            serial=serial,
            mount_rotation_deg=0,
            pixel_pitch_um=round(_PITCH_UM / scale, 4),
            focal_length_mm=round(_lens_mm(), 2),
            f_number=_F_NUMBER,
            focused_at_mm=_WORKING_DISTANCE_MM,
            transfer="linear",
            value_range="full",
            black_level=4.0,
            shutter_s=_SHUTTER_S,
            wavelength="visible",
        )
        for name, serial in (("upper", "Q2-0417"), ("lower", "Q2-0422"))
    )
    return RigDescription(
        name="quay-2",
        cameras=cameras,
        frame_rate=frame_rate,
        working_distance_mm=_WORKING_DISTANCE_MM,
        synchronised=True,
    )
