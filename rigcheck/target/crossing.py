"""Where two edges of a chessboard cross: a model of the blurred crossing fitted to the pixels.

The model of the grey values around a corner at p, with d1 and d2 the signed distances to the
two edges (each a straight line or a shallow parabola through p), is

    I = level + slope . (x - p) + sign * swing * q(d1 / s1, d2 / s2; rho)

where q is the crossing of two edges blurred by a Gaussian (see `quadrants`). A Gaussian that is
not round, as from motion, has its own sigma across each edge and its own correlation, so all three
are fitted. The model is point-symmetric about p, and so is the picture whatever the blur, contrast
or transfer curve: a wrong blur shape does not move p.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from rigcheck.target.quadrants import MAX_CORRELATION, blurred_quadrants

FloatArray = NDArray[np.float64]
Patch = NDArray[np.float32]

__all__ = ["CrossingFit", "Crossings", "fit_crossings"]

ARM_PX = 8.0
ARM_SQUARES = 0.45
MIN_HALF_WIDTH_PX = 1.6
GUARD_BLURS = 2.0
START_BLUR_PX = 1.6
BLUR_RANGE_PX = (0.25, 8.0)
# The steps shrink quadratically: after one as small as this the next would be below 1e-4 px.
CONVERGED_PX = 3e-3
# A corner near the picture's edge may lose this much less than all of its window.
MIN_SHARE = 0.6
N_PARAMETERS = 11
# The parameters: corner x, y; directions of the two edges; level; swing; blur across the edge along the
# board's x, and across the other; correlation; slope x, y.
_FIRST_STAGE = (0, 1, 4, 5)
# Neighbouring pixels whose residuals may be alike, (x, y): half of them, the others follow by symmetry.
_LAGS = ((1, 0), (0, 1), (1, 1), (1, -1), (2, 0), (0, 2))


@dataclass(frozen=True, kw_only=True, eq=False)
class Crossings:
    """What is known of corners before they are fitted.

    Parameters
    ----------
    points_px : (N, 2) float64
        Predicted corners.
    steps_px : (N, 2, 2) float64
        ``steps_px[:, :, 0]`` is the picture's displacement for one square along the board's x,
        ``[:, :, 1]`` along its y.
    signs : (N,) float64
        +1 where the quadrant towards +x, +y is white, -1 where it is black.
    margin_squares : float
        White margin between a square's edge and its marker; 0.5 or more where there is none.
    curvature_per_px : (N, 2) float64
        Curvature of the edges along the board's x and y, 1/px (lens distortion bends them).
    blur_px : (N,) float64
        What the blur is thought to be, for the guard band before a marker.
    """

    points_px: FloatArray
    steps_px: FloatArray
    signs: FloatArray
    margin_squares: float
    curvature_per_px: FloatArray
    blur_px: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class CrossingFit:
    """Fitted corners.

    Parameters
    ----------
    points_px : (N, 2) float64
    covariance_px2 : (N, 2, 2) float64
        From the normal matrix and the residual variance of each corner; infinite where not fitted.
    directions_rad : (N, 2) float64
        Directions of the edges along the board's x and y.
    swing : (N,) float64
        Half the contrast between black and white, code values; negative when the colours are the
        other way round than they should be.
    noise : (N,) float64
        Standard deviation of the residuals, code values.
    blur_px : (N,) float64
        Edge blur as a Gaussian sigma, the pixel's own aperture included.
    n_pixels : (N,) int
    inside : (N,) bool
        False where the window leaves the picture or holds too few pixels; nothing was fitted.
    """

    points_px: FloatArray
    covariance_px2: FloatArray
    directions_rad: FloatArray
    swing: FloatArray
    noise: FloatArray
    blur_px: FloatArray
    n_pixels: NDArray[np.int64]
    inside: NDArray[np.bool_]

    @property
    def sigma_px(self) -> FloatArray:
        """Standard uncertainty per axis, (N,) float64, px: root mean of the two variances."""
        return np.asarray(np.sqrt(0.5 * np.trace(self.covariance_px2, axis1=1, axis2=2)), dtype=np.float64)

    def chosen(self, keep: NDArray[np.bool_]) -> "CrossingFit":
        """Keep some of the corners."""
        return CrossingFit(**{field.name: getattr(self, field.name)[keep] for field in fields(self)})


@dataclass(frozen=True, kw_only=True, eq=False)
class _Window:
    """Pixels of each corner, flattened: positions relative to `centre`, values, use or not."""

    centre: NDArray[np.int64]
    x: Patch
    y: Patch
    values: Patch
    weights: Patch
    inside: NDArray[np.bool_]


def fit_crossings(image: NDArray[np.uint8], crossings: Crossings, *, iterations: int = 9) -> CrossingFit:
    """Fit the crossing model to the pixels around each corner.

    Parameters
    ----------
    image : (H, W) uint8
    crossings : Crossings
    iterations : int
        Largest number of steps of the damped Gauss-Newton iteration.

    Returns
    -------
    CrossingFit

    Notes
    -----
    The window is a cross along the two edges: each arm ends before half the way to the
    neighbouring corner, and its width stays within the white margin, so that neither the
    neighbouring corner nor the marker enters. Pixel noise is taken as white within a window.
    """
    window = _cut_window(image, crossings)
    start = _start(window, crossings)
    curvature = crossings.curvature_per_px.astype(np.float32)
    parameters = _descend(window, start, crossings.signs, curvature, columns=_FIRST_STAGE, iterations=3)
    parameters = _descend(
        window,
        parameters,
        crossings.signs,
        curvature,
        columns=tuple(range(N_PARAMETERS)),
        iterations=iterations,
    )
    return _finish(window, parameters, crossings, curvature)


def _half_widths(crossings: Crossings) -> tuple[FloatArray, FloatArray]:
    """Half width across and half length along the arms, both (N, 2), in squares along x and y."""
    steps = crossings.steps_px
    area = np.abs(np.linalg.det(steps))
    # Distance between the edges of neighbouring squares, measured square to the edge.
    across_px = area[:, None] / np.linalg.norm(steps, axis=1)[:, ::-1]
    guard_px = 1.0 + (GUARD_BLURS - 1.0) * crossings.blur_px[:, None]
    half_px = crossings.margin_squares * across_px - guard_px
    half = np.clip(half_px, MIN_HALF_WIDTH_PX, ARM_PX) / across_px
    length = np.minimum(ARM_SQUARES, ARM_PX / np.linalg.norm(steps, axis=1))
    return np.minimum(half, ARM_SQUARES), np.maximum(length, half)


def _cut_window(image: NDArray[np.uint8], crossings: Crossings) -> _Window:
    half, length = _half_widths(crossings)
    length = np.minimum(length, ARM_SQUARES)
    reach = np.abs(crossings.steps_px) @ length[:, :, None]
    radius = int(np.ceil(reach.max(initial=1.0))) + 1
    centre = np.rint(crossings.points_px).astype(np.int64)
    offsets = np.arange(-radius, radius + 1)
    dy, dx = (grid.ravel() for grid in np.meshgrid(offsets, offsets, indexing="ij"))
    values, exists = _pixels(image, centre[:, :1] + dx, centre[:, 1:] + dy)
    delta = np.stack([dx, dy])[None] - (crossings.points_px - centre)[:, :, None]
    u, v = np.moveaxis(np.abs(np.linalg.solve(crossings.steps_px, delta)), 1, 0)
    within = (u < length[:, :1]) & (v < length[:, 1:])
    arms = within & ((u < half[:, :1]) | (v < half[:, 1:]))
    used = arms & exists
    count = used.sum(axis=1)
    inside = (count > 2 * N_PARAMETERS) & (count > MIN_SHARE * arms.sum(axis=1))
    # The pixels in use come first in each row; what is left over on the right is cut off.
    order = np.argsort(~used, axis=1, kind="stable")[:, : count.max(initial=1)]
    return _Window(
        centre=centre,
        x=dx[order].astype(np.float32),
        y=dy[order].astype(np.float32),
        values=np.take_along_axis(values, order, axis=1),
        weights=np.take_along_axis(used, order, axis=1).astype(np.float32),
        inside=inside,
    )


def _pixels(
    image: NDArray[np.uint8], x: NDArray[np.int64], y: NDArray[np.int64]
) -> tuple[Patch, NDArray[np.bool_]]:
    """Grey values at x, y, and which of them the picture has."""
    height, width = image.shape
    exists = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    values = image[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)].astype(np.float32)
    return values, exists


def _start(window: _Window, crossings: Crossings) -> FloatArray:
    """First guess, (N, 11): geometry from the prediction, levels from the pixels."""
    start = np.zeros((len(crossings.points_px), N_PARAMETERS))
    start[:, :2] = crossings.points_px - window.centre
    steps = crossings.steps_px
    start[:, 2] = np.arctan2(steps[:, 1, 0], steps[:, 0, 0])
    start[:, 3] = np.arctan2(steps[:, 1, 1], steps[:, 0, 1])
    used = np.maximum(window.weights.sum(axis=1), 1.0)
    mean = (window.weights * window.values).sum(axis=1) / used
    spread = np.sqrt((window.weights * (window.values - mean[:, None]) ** 2).sum(axis=1) / used)
    start[:, 4], start[:, 5] = mean, spread
    start[:, 6:8] = np.maximum(START_BLUR_PX, crossings.blur_px)[:, None]
    start[:, 8] = np.clip(-np.cos(start[:, 3] - start[:, 2]), -MAX_CORRELATION, MAX_CORRELATION)
    return start


def _model(
    window: _Window, parameters: FloatArray, signs: FloatArray, curvature: Patch
) -> tuple[Patch, Patch]:
    """Weighted residuals (N, P) and Jacobian (N, 11, P) of the model; weights are 0 or 1."""
    p = parameters.astype(np.float32)[:, :, None]
    x, y = window.x - p[:, 0], window.y - p[:, 1]
    # d1 grows towards +y of the board from the edge along x; d2 towards +x from the edge along y.
    scale1, scale2 = 1.0 / p[:, 6], -1.0 / p[:, 7]
    z1, a1, s1, c1 = _edge(x, y, p[:, 2], curvature[:, :1], scale1)
    z2, a2, s2, c2 = _edge(x, y, p[:, 3], curvature[:, 1:], scale2)
    q = blurred_quadrants(z1, z2, p[:, 8])
    sign = signs[:, None].astype(np.float32)
    swing = sign * p[:, 5]
    w1, w2 = swing * scale1 * q.by_z1, swing * scale2 * q.by_z2
    columns = (
        w1 * s1 + w2 * s2 - p[:, 9],
        -w1 * c1 - w2 * c2 - p[:, 10],
        -w1 * a1,
        -w2 * a2,
        np.ones_like(x),
        sign * q.value,
        -w1 * z1,
        w2 * z2,
        swing * q.by_correlation,
        x,
        y,
    )
    jacobian = np.stack(columns, axis=1) * window.weights[:, None, :]
    predicted = p[:, 4] + p[:, 9] * x + p[:, 10] * y + swing * q.value
    return window.weights * (window.values - predicted), jacobian


def _edge(x: Patch, y: Patch, angle: Patch, bend: Patch, scale: Patch) -> tuple[Patch, Patch, Patch, Patch]:
    """Distance to an edge in sigmas, place along it in px, and its direction's sine and cosine."""
    cos, sin = np.cos(angle), np.sin(angle)
    along = x * cos + y * sin
    return scale * (y * cos - x * sin - 0.5 * bend * along**2), along, sin, cos


def _cost(residuals: Patch) -> FloatArray:
    return np.asarray(np.einsum("np,np->n", residuals, residuals), dtype=np.float64)


def _descend(
    window: _Window,
    parameters: FloatArray,
    signs: FloatArray,
    curvature: Patch,
    *,
    columns: tuple[int, ...],
    iterations: int,
) -> FloatArray:
    """Levenberg-Marquardt on all corners at once; a corner's step is taken only when its cost falls."""
    chosen, everything = np.array(columns), len(columns) == N_PARAMETERS
    parameters, damping = parameters.copy(), np.full(len(parameters), 1e-3)
    residuals, jacobian = _model(window, parameters, signs, curvature)
    cost = _cost(residuals)
    for _ in range(iterations):
        part = jacobian if everything else jacobian[:, chosen]
        normal = (part @ part.transpose(0, 2, 1)).astype(np.float64)
        gradient = (part @ residuals[..., None])[..., 0].astype(np.float64)
        diagonal = np.einsum("nii->ni", normal)
        diagonal += damping[:, None] * diagonal + 1e-9
        step = np.linalg.solve(normal, gradient[..., None])[..., 0]
        trial = parameters.copy()
        trial[:, chosen] += step
        trial[:, 6:8] = np.clip(trial[:, 6:8], *BLUR_RANGE_PX)
        trial[:, 8] = np.clip(trial[:, 8], -MAX_CORRELATION, MAX_CORRELATION)
        trial_residuals, trial_jacobian = _model(window, trial, signs, curvature)
        trial_cost = _cost(trial_residuals)
        better = trial_cost < cost
        moved = np.abs(step[:, :2]).max(axis=1, initial=0.0) > CONVERGED_PX
        if better.all():
            parameters, residuals, jacobian = trial, trial_residuals, trial_jacobian
        else:
            parameters[better], residuals[better] = trial[better], trial_residuals[better]
            jacobian[better] = trial_jacobian[better]
        cost = np.where(better, trial_cost, cost)
        damping = np.clip(np.where(better, damping * 0.1, damping * 10.0), 1e-7, 1e6)
        if not (moved & window.inside).any():
            break
    return parameters


def _finish(window: _Window, parameters: FloatArray, crossings: Crossings, curvature: Patch) -> CrossingFit:
    residuals, jacobian = _model(window, parameters, crossings.signs, curvature)
    part = jacobian.astype(np.float64)
    normal = part @ part.transpose(0, 2, 1)
    n_pixels = window.weights.sum(axis=1).astype(np.int64)
    freedom = np.maximum(n_pixels - N_PARAMETERS, 1)
    variance = _cost(residuals) / freedom
    alike = _likeness(window, residuals)
    ridge = 1e-9 * np.einsum("nii->ni", normal).max(axis=1, initial=1.0)
    inverse = np.linalg.inv(normal + ridge[:, None, None] * np.eye(N_PARAMETERS))
    covariance = alike * variance[:, None, None] * inverse[:, :2, :2]
    covariance[~window.inside] = np.inf
    return CrossingFit(
        points_px=window.centre + parameters[:, :2],
        covariance_px2=covariance,
        directions_rad=parameters[:, 2:4],
        swing=parameters[:, 5],
        noise=np.sqrt(variance),
        blur_px=np.sqrt(0.5 * (parameters[:, 6] ** 2 + parameters[:, 7] ** 2)),
        n_pixels=n_pixels,
        inside=window.inside,
    )


def _likeness(window: _Window, residuals: Patch) -> float:
    """How much larger the variance of a weighted sum of residuals is than if they were independent.

    One plus twice the sum of the correlations of neighbouring pixels' residuals, the median over
    the corners; at least one. Compression and demosaicing make neighbours alike.
    """
    x, y = (window.x.astype(np.int64), window.y.astype(np.int64))
    low = int(min(x.min(initial=0), y.min(initial=0)))
    side = int(max(x.max(initial=0), y.max(initial=0))) - low + 1
    corner = np.arange(len(x))[:, None]
    grid, used = np.zeros((2, len(x), side + 4, side + 4), dtype=np.float32)
    # Pixels that are not used are zero in both, wherever they fall.
    np.add.at(grid, (corner, y - low + 2, x - low + 2), residuals)
    np.add.at(used, (corner, y - low + 2, x - low + 2), window.weights)
    power = np.einsum("nij,nij->n", grid, grid) / np.maximum(used.sum(axis=(1, 2)), 1.0)
    total = np.ones(len(x))
    for dx, dy in _LAGS:
        products = np.einsum("nij,nij->n", grid, np.roll(grid, (dy, dx), axis=(1, 2)))
        pairs = np.einsum("nij,nij->n", used, np.roll(used, (dy, dx), axis=(1, 2)))
        total += 2.0 * products / np.maximum(pairs * power, 1e-12)
    return max(float(np.median(total[window.inside])), 1.0) if window.inside.any() else 1.0
