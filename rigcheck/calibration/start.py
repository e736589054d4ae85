"""A first guess for one camera: homographies that forget outliers, then closed forms."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import EstimationError
from rigcheck.geometry.adjustment import Adjustment, Stopping, adjust
from rigcheck.geometry.board_views import CameraSetup
from rigcheck.geometry.bundle import Observations, RigState, SharedLayout
from rigcheck.geometry.planar import focal_from_homographies, pose_from_homography
from rigcheck.geometry.projection import FULL_DISTORTION, N_PINHOLE
from rigcheck.model import BoardSpec, LensModel, Observation
from rigcheck.opencv import cv2, translated

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Focal lengths tried, as multiples of the longer side, when the closed form gives none that fits.
_FOCAL_TRIALS = (1.0, 0.6, 1.6, 2.6, 0.4)
WRONG_BOARD_HINT = (
    "check the board file against the board in the picture, and that the picture is not mirrored"
)
# A first fit within this many px per axis is a fit; lens models with more terms refine it.
_GOOD_START_PX = 3.0

__all__ = ["LENSES", "Lens", "free_mask", "single_camera_layout", "start_camera"]


@dataclass(frozen=True, kw_only=True)
class Lens:
    """A lens model with a number of free coefficients, by the name it is reported under."""

    name: str
    model: LensModel
    coefficients: tuple[int, ...]

    @property
    def n_coefficients(self) -> int:
        """Free distortion coefficients."""
        return len(self.coefficients)


LENSES = {
    lens.name: lens
    for lens in (
        Lens(name="brown2", model="brown", coefficients=(0, 1)),
        Lens(name="brown4", model="brown", coefficients=(0, 1, 2, 3)),
        Lens(name="brown5", model="brown", coefficients=(0, 1, 2, 3, 4)),
        Lens(name="brown8", model="brown", coefficients=(0, 1, 2, 3, 4, 5, 6, 7)),
        Lens(name="fisheye4", model="fisheye", coefficients=(0, 1, 2, 3)),
    )
}


def free_mask(lens: Lens, *, skew: bool = False) -> BoolArray:
    """Which entries of the full intrinsics vector a lens frees."""
    mask = np.zeros(N_PINHOLE + FULL_DISTORTION[lens.model], dtype=bool)
    mask[:4] = True
    mask[4] = skew
    mask[[N_PINHOLE + k for k in lens.coefficients]] = True
    return mask


def single_camera_layout(lens: Lens, *, skew: bool = False, n_shape: int = 0) -> SharedLayout:
    """Layout of one camera alone."""
    return SharedLayout(models=(lens.model,), free=(free_mask(lens, skew=skew),), n_shape=n_shape)


def robust_homography(observation: Observation, board: BoardSpec, camera: str) -> FloatArray:
    """Homography board plane (mm) to pixels; tolerant of outliers and of moderate distortion.

    Raises
    ------
    EstimationError
        When the corners give none.
    """
    plane = board.corners_mm[observation.corner_ids, :2]
    size = float(np.ptp(observation.corners_px, axis=0).max())
    hint = "leave this view out, or film the board so that more of it is seen"
    with translated(f"{camera} {observation.ref.label}", hint):
        found, _ = cv2.findHomography(plane, observation.corners_px, cv2.RANSAC, max(3.0, 0.02 * size))
    if found is None or np.asarray(found).shape != (3, 3):
        raise EstimationError(
            f"{camera} {observation.ref.label}: {observation.n} corners found, but no flat board fits them.",
            hint=hint,
        )
    return np.asarray(found, dtype=np.float64)


def _guess(
    homographies: Sequence[FloatArray], focal: float, setup: CameraSetup, *, lens: Lens, n_shape: int
) -> RigState:
    width, height = setup.image_size_px
    intrinsics = np.zeros(N_PINHOLE + FULL_DISTORTION[lens.model])
    intrinsics[:4] = focal, focal, (width - 1) / 2, (height - 1) / 2
    to_rays = np.array(
        [[1 / focal, 0, -intrinsics[2] / focal], [0, 1 / focal, -intrinsics[3] / focal], [0, 0, 1]]
    )
    poses = [pose_from_homography(to_rays @ h) for h in homographies]
    return RigState(
        intrinsics=(intrinsics,),
        rotation=np.eye(3),
        translation=np.zeros(3),
        shape=np.zeros(n_shape),
        board_rotations=np.stack([rotation for rotation, _ in poses]),
        board_translations=np.stack([translation for _, translation in poses]),
    )


def start_camera(
    sides: Sequence[Observation],
    board: BoardSpec,
    observations: Observations,
    setup: CameraSetup,
    *,
    lens: Lens,
) -> Adjustment:
    """Fit one camera from nothing.

    Parameters
    ----------
    sides : sequence of Observation
        One a view, in the order of `observations`' views.
    board : BoardSpec
    observations : Observations
        The same corners, gathered.
    setup : CameraSetup
    lens : Lens
        Lens model of this first fit (few coefficients start best).

    Returns
    -------
    Adjustment
        With Huber's loss.

    Raises
    ------
    EstimationError
        When no start leads to a fit.
    """
    homographies = [robust_homography(side, board, setup.name) for side in sides]
    width, height = setup.image_size_px
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    closed = focal_from_homographies(np.stack(homographies), centre)
    longer = float(max(width, height))
    trials = [focal for focal in (closed,) if focal is not None and 0.2 * longer < focal < 20 * longer]
    trials += [factor * longer for factor in _FOCAL_TRIALS]
    n_shape = observations.shape_basis.shape[1]
    layout, best = single_camera_layout(lens, n_shape=n_shape), None
    for focal in trials:
        try:
            fitted = adjust(
                observations,
                layout,
                _guess(homographies, focal, setup, lens=lens, n_shape=n_shape),
                loss="huber",
                stopping=Stopping(relative_cost=1e-7, relative_step=1e-5, iterations=40),
            )
        except ValueError:
            continue  # this focal length puts a corner behind the camera
        if best is None or fitted.scale < best.scale:
            best = fitted
        if best.summary.noise_px < _GOOD_START_PX:
            return best
    if best is None:
        raise EstimationError(
            f"{setup.name}: no focal length explains the {len(sides)} views of the board.",
            hint=WRONG_BOARD_HINT,
        )
    return best
