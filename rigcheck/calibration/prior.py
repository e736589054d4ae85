"""A workshop calibration as prior: its intrinsics with their covariance, so that a short clip is enough."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.start import LENSES, Lens
from rigcheck.errors import ConfigError
from rigcheck.geometry.adjustment import Adjustment
from rigcheck.geometry.board_views import CameraSetup, closed_form_pose
from rigcheck.geometry.bundle import GaussianPrior, RigState, SharedLayout
from rigcheck.geometry.projection import intrinsics_vector
from rigcheck.model import BoardSpec, Calibration, Observation

FloatArray = NDArray[np.float64]

# Directions of which today's footage knows less than this share of what the prior knows are not compared.
_LEAST_SHARE = 1e-3

__all__ = ["IntrinsicsPrior", "PriorAgreement", "agreement", "intrinsics_prior"]


@dataclass(frozen=True, kw_only=True, eq=False)
class IntrinsicsPrior:
    """Each camera's lens and full intrinsics, and the information about all free ones together, (K, K)."""

    lenses: tuple[Lens, ...]
    intrinsics: tuple[FloatArray, ...]
    information: FloatArray
    created: str

    def gaussian(self, layout: SharedLayout, start: RigState) -> GaussianPrior:
        """Prior of an adjustment with this layout that starts at `start`."""
        size = len(self.information)
        information, offset = np.zeros((layout.size, layout.size)), np.zeros(layout.size)
        information[:size, :size] = self.information
        offset[:size] = -_moved(start, self, layout)
        return GaussianPrior(offset=offset, information=information)

    def state(self, camera: int, sides: Sequence[Observation], board: BoardSpec, n_shape: int) -> RigState:
        """One camera's start: these intrinsics, a closed-form pose for each view, a flat board."""
        lens, intrinsics = self.lenses[camera], self.intrinsics[camera]
        poses = [closed_form_pose(side, board, intrinsics, lens.model) for side in sides]
        return RigState(
            intrinsics=(intrinsics,),
            rotation=np.eye(3),
            translation=np.zeros(3),
            shape=np.zeros(n_shape),
            board_rotations=np.stack([rotation for rotation, _ in poses]),
            board_translations=np.stack([translation for _, translation in poses]),
        )


def _moved(state: RigState, prior: IntrinsicsPrior, layout: SharedLayout) -> FloatArray:
    """How far a state's free intrinsics are from the prior's, in the layout's order."""
    return np.concatenate(
        [
            (now - before)[mask]
            for now, before, mask in zip(state.intrinsics, prior.intrinsics, layout.free, strict=True)
        ]
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class PriorAgreement:
    """Whether today's footage and the prior tell of the same intrinsics.

    `chi_square` has `freedom` degrees: how many directions today's footage can speak about.
    `largest` is the parameter that moved most, `largest_sigmas` by how many of its prior sigmas.
    """

    chi_square: float
    freedom: int
    largest: str
    largest_sigmas: float


def intrinsics_prior(calibration: Calibration, setups: Sequence[CameraSetup]) -> IntrinsicsPrior:
    """Take a calibration's intrinsics as prior for these cameras.

    Raises
    ------
    ConfigError
        When it is of other cameras, another picture size or frame rate.
    """
    stored = {entry.camera.name: entry for entry in calibration.cameras}
    wanted: list[str] = []
    lenses, intrinsics = [], []
    for setup in setups:
        entry = stored.get(setup.name)
        if entry is None:
            raise ConfigError(
                f"prior: it is of {', '.join(stored)}; {setup.name} is needed.",
                hint="give the rig file that names the cameras as the prior does, or the prior of this rig.",
            )
        if entry.camera.image_size_px != setup.image_size_px:
            raise ConfigError(
                f"prior: {setup.name} has pictures of {_size(entry.camera.image_size_px)} there, "
                f"{_size(setup.image_size_px)} here.",
                hint="record at the size of the workshop calibration, or calibrate without a prior.",
            )
        names = [n for n in calibration.parameters if n.startswith(f"{setup.name}.")]
        wanted += names
        lenses.append(_lens_of(entry.camera.model, len(entry.camera.distortion)))
        intrinsics.append(intrinsics_vector(entry.camera))
    rows = [calibration.parameters.index(name) for name in wanted]
    covariance = calibration.covariance[np.ix_(rows, rows)]
    unit = 1.0 / np.sqrt(np.diag(covariance))
    scaled = np.linalg.pinv(covariance * unit[:, None] * unit[None, :], rcond=1e-12, hermitian=True)
    return IntrinsicsPrior(
        lenses=tuple(lenses),
        intrinsics=tuple(intrinsics),
        information=scaled * unit[:, None] * unit[None, :],
        created=calibration.created,
    )


def _size(size_px: tuple[int, int]) -> str:
    return f"{size_px[0]} x {size_px[1]} px"


def _lens_of(model: str, n_coefficients: int) -> Lens:
    for lens in LENSES.values():
        if lens.model == model and lens.n_coefficients == n_coefficients:
            return lens
    raise ConfigError(
        f"prior: a {model} lens with {n_coefficients} coefficients found; {', '.join(LENSES)} can be refined.",
        hint="calibrate the cameras anew in the workshop.",
    )


def agreement(
    adjustment: Adjustment, prior: IntrinsicsPrior, data_information: FloatArray, names: Sequence[str]
) -> PriorAgreement:
    """Compare today's footage with the prior it was solved with.

    Parameters
    ----------
    adjustment : Adjustment
        Solved with the prior.
    prior : IntrinsicsPrior
    data_information : (G, G) float64
        What today's views alone say about the shared unknowns, board poses eliminated.
    names : sequence of str
        Of the shared unknowns.

    Notes
    -----
    With A today's information about the intrinsics (the rest eliminated), P the prior's and d how far the
    solution moved from the prior, today's own answer lies at d + A^-1 P d from it, with covariance A^-1 +
    P^-1. In the eigenbasis of P^-1/2 A P^-1/2 (eigenvalues l, coordinates y of P^1/2 d) its chi-square is
    the sum of y^2 (1 + 1/l).
    """
    size = len(prior.information)
    k, r = slice(0, size), slice(size, len(data_information))
    s = data_information
    own = s[k, k] - s[k, r] @ np.linalg.pinv(s[r, r], rcond=1e-12, hermitian=True) @ s[r, k]
    moved = _moved(adjustment.state, prior, adjustment.layout)
    values, vectors = np.linalg.eigh(prior.information)
    values = np.maximum(values, 1e-14 * values[-1])
    root = (vectors * np.sqrt(values)) @ vectors.T
    inverse_root = (vectors / np.sqrt(values)) @ vectors.T
    shares, directions = np.linalg.eigh(inverse_root @ own @ inverse_root)
    along = directions.T @ (root @ moved)
    spoken = shares > _LEAST_SHARE
    sigmas = np.abs(moved) / np.sqrt(np.diag(np.linalg.pinv(prior.information, rcond=1e-14, hermitian=True)))
    worst = int(np.argmax(sigmas))
    return PriorAgreement(
        chi_square=float((along[spoken] ** 2 * (1.0 + 1.0 / shares[spoken])).sum()),
        freedom=int(spoken.sum()),
        largest=names[worst],
        largest_sigmas=float(sigmas[worst]),
    )
