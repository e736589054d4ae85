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

from rigcheck.target.likeness import likeness
from rigcheck.target.quadrants import MAX_CORRELATION, blurred_quadrants
from rigcheck.target.windows import Windows, cut_windows

FloatArray = NDArray[np.float64]
Patch = NDArray[np.float32]

__all__ = ["Care", "CrossingFit", "Crossings", "fit_crossings"]

START_BLUR_PX = 1.2
BLUR_RANGE_PX = (0.25, 8.0)
N_PARAMETERS = 11
# The parameters: corner x, y; directions of the two edges; level (at the window's centre); swing; blur across
# the edge along the board's x, and across the other; correlation; slope x, y.
_FIRST_STAGE, _EVERYTHING = np.array([0, 1, 4, 5]), np.arange(N_PARAMETERS)
_FIRST_STEPS = 2
# Corners fitted together: many, so that threads that each look at a picture seldom wait for the interpreter between
# two steps of arithmetic; few enough for their pixels to stay in the processor's cache.
_TOGETHER = 96


@dataclass(frozen=True, kw_only=True)
class Care:
    """How carefully corners are fitted.

    A corner is left alone when its last step moved it by less than `move_px` and its blur by less than this share:
    position rests before blur does where the lens bends the edges, so that both are asked. Steps shrink
    quadratically: after one of 0.003 px the next would be below 0.0001 px. Pixels farther from both edges than
    `most_blurs` sigmas tell only how black and white the squares are, and which light falls on them.
    `rough` leaves the likeness of neighbouring residuals out of the sigmas.
    """

    move_px: float = 3e-3
    blur_share: float = 1e-2
    most_blurs: float = np.inf
    rough: bool = False


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
    earlier : (N, 11) float64, optional
        ``CrossingFit.parameters`` of an earlier fit to go on from; NaN where there is none.
    """

    points_px: FloatArray
    steps_px: FloatArray
    signs: FloatArray
    margin_squares: float
    curvature_per_px: FloatArray
    blur_px: FloatArray
    earlier: FloatArray | None = None


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
    parameters : (N, 11) float64
        All that was fitted, for a later fit to go on from; corners in the picture's coordinates.
    """

    points_px: FloatArray
    covariance_px2: FloatArray
    directions_rad: FloatArray
    swing: FloatArray
    noise: FloatArray
    blur_px: FloatArray
    n_pixels: NDArray[np.int64]
    inside: NDArray[np.bool_]
    parameters: FloatArray

    def joined(self, other: "CrossingFit") -> "CrossingFit":
        """These corners and then the other ones."""
        return CrossingFit(
            **{
                field.name: np.concatenate([getattr(self, field.name), getattr(other, field.name)])
                for field in fields(self)
            }
        )

    @property
    def sigma_px(self) -> FloatArray:
        """Standard uncertainty per axis, (N,) float64, px: root mean of the two variances."""
        return np.asarray(np.sqrt(0.5 * np.trace(self.covariance_px2, axis1=1, axis2=2)), dtype=np.float64)

    def chosen(self, keep: NDArray[np.bool_]) -> "CrossingFit":
        """Keep some of the corners."""
        return CrossingFit(**{field.name: getattr(self, field.name)[keep] for field in fields(self)})


@dataclass(frozen=True, kw_only=True, eq=False)
class _Fitted:
    """Parameters of some corners, with residuals and the sums that belong to them."""

    parameters: FloatArray
    residuals: Patch
    sums: FloatArray

    @property
    def cost(self) -> FloatArray:
        return np.asarray(self.sums[:, -1, -1])

    def chosen(self, rows: NDArray[np.int64], n_pixels: int) -> "_Fitted":
        return _Fitted(
            parameters=self.parameters[rows], residuals=self.residuals[rows, :n_pixels], sums=self.sums[rows]
        )


def fit_crossings(
    image: NDArray[np.uint8],
    crossings: Crossings,
    *,
    iterations: int = 9,
    care: Care | None = None,
) -> CrossingFit:
    """Fit the crossing model to the pixels around each corner.

    Parameters
    ----------
    image : (H, W) uint8
    crossings : Crossings
    iterations : int
        Largest number of steps of the damped Gauss-Newton iteration.
    care : Care, optional

    Returns
    -------
    CrossingFit

    Notes
    -----
    The window is a cross along the two edges (see :func:`rigcheck.target.windows.cut_windows`). Pixel noise is
    taken as white within a window.
    """
    care = care or Care()
    window = cut_windows(
        image,
        crossings.points_px,
        crossings.steps_px,
        margin_squares=crossings.margin_squares,
        blur_px=crossings.blur_px,
        most_blurs=care.most_blurs,
        min_pixels=2 * N_PARAMETERS,
    )
    start, warm = _start(window, crossings)
    curvature = crossings.curvature_per_px.astype(np.float32)
    parts = []
    for rows in _parts(warm):
        model = _Model(
            window=window.chosen(rows),
            signs=crossings.signs[rows, None].astype(np.float32),
            curvature=curvature[rows],
        )
        here = model.at(start[rows])
        if not warm[rows[0]]:
            here = _descend(model, here, _FIRST_STAGE, iterations=_FIRST_STEPS, care=care)
        here = _descend(model, here, _EVERYTHING, iterations=iterations, care=care)
        parts.append((rows, here))
    return _finish(window, parts, rough=care.rough)


def _parts(warm: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Rows to fit together; those that go on from an earlier fit need no first stage."""
    out = []
    for kind in (False, True):
        rows = np.flatnonzero(warm == kind)
        out += [part for part in np.array_split(rows, -(-len(rows) // _TOGETHER) or 1) if len(part)]
    return out


def _start(window: Windows, crossings: Crossings) -> tuple[FloatArray, NDArray[np.bool_]]:
    """First guess, (N, 11), and where it is an earlier fit; else geometry from the prediction, levels from pixels."""
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
    if crossings.earlier is None:
        return start, np.zeros(len(start), dtype=np.bool_)
    warm = np.asarray(np.isfinite(crossings.earlier).all(axis=1), dtype=np.bool_)
    start[warm] = _moved(crossings.earlier[warm], -window.centre[warm])
    return start, warm


def _moved(parameters: FloatArray, shift: NDArray[np.int64]) -> FloatArray:
    """The same light with the origin of coordinates moved: corners and level change."""
    out = parameters.copy()
    out[:, :2] += shift
    out[:, 4] -= (out[:, 9:11] * shift).sum(axis=1)
    return out


@dataclass(frozen=True, kw_only=True, eq=False)
class _Model:
    """The model of some corners' pixels."""

    window: Windows
    signs: Patch
    curvature: Patch

    def chosen(self, rows: NDArray[np.int64]) -> "_Model":
        return _Model(window=self.window.chosen(rows), signs=self.signs[rows], curvature=self.curvature[rows])

    def at(self, parameters: FloatArray) -> _Fitted:
        """Weighted residuals (N, P) and sums of products of derivatives and residuals (N, 12, 12)."""
        window, p = self.window, parameters.astype(np.float32)[:, :, None]
        x, y = window.x - p[:, 0], window.y - p[:, 1]
        # d1 grows towards +y of the board from the edge along x; d2 towards +x from the edge along y.
        scale1, scale2 = 1.0 / p[:, 6], -1.0 / p[:, 7]
        z1, a1, s1, c1 = _edge(x, y, p[:, 2], self.curvature[:, :1], scale1)
        z2, a2, s2, c2 = _edge(x, y, p[:, 3], self.curvature[:, 1:], scale2)
        q = blurred_quadrants(z1, z2, p[:, 8])
        swing = self.signs * p[:, 5]
        w1, w2 = q.by_z1, q.by_z2
        w1 *= window.weights
        w1 *= swing * scale1
        w2 *= window.weights
        w2 *= swing * scale2
        out = np.zeros((len(x), N_PARAMETERS + 1, x.shape[1]), dtype=np.float32)
        np.add(w1 * s1, w2 * s2, out=out[:, 0])
        np.add(w1 * c1, w2 * c2, out=out[:, 1])
        np.negative(out[:, 1], out=out[:, 1])
        np.multiply(w1, -a1, out=out[:, 2])
        np.multiply(w2, -a2, out=out[:, 3])
        out[:, 4] = window.weights
        np.multiply(q.value, window.weights, out=out[:, 5])
        out[:, 5] *= self.signs
        np.multiply(w1, -z1, out=out[:, 6])
        np.multiply(w2, z2, out=out[:, 7])
        np.multiply(q.by_correlation, window.weights, out=out[:, 8])
        out[:, 8] *= swing
        out[:, 9], out[:, 10] = window.x, window.y
        residuals = window.values - p[:, 4] * window.weights
        residuals -= p[:, 5] * out[:, 5]
        residuals -= p[:, 9] * window.x
        residuals -= p[:, 10] * window.y
        out[:, 11] = residuals
        sums = (out @ out.transpose(0, 2, 1)).astype(np.float64)
        return _Fitted(parameters=parameters, residuals=residuals, sums=sums)


def _edge(x: Patch, y: Patch, angle: Patch, bend: Patch, scale: Patch) -> tuple[Patch, Patch, Patch, Patch]:
    """Distance to an edge in sigmas, place along it in px, and its direction's sine and cosine."""
    cos, sin = np.cos(angle), np.sin(angle)
    along = x * cos
    along += y * sin
    distance = along * along
    distance *= -0.5 * bend
    distance += y * cos
    distance -= x * sin
    distance *= scale
    return distance, along, sin, cos


def _descend(
    model: _Model, here: _Fitted, columns: NDArray[np.int64], *, iterations: int, care: Care
) -> _Fitted:
    """Levenberg-Marquardt on some corners at once; a corner's step is taken only when its cost falls."""
    done = _Fitted(parameters=here.parameters.copy(), residuals=here.residuals.copy(), sums=here.sums.copy())
    rows, damping = np.arange(len(here.parameters)), np.full(len(here.parameters), 1e-3)
    for _ in range(iterations):
        step = _step(here.sums, columns, damping)
        trial = here.parameters.copy()
        trial[:, columns] += step
        trial[:, 6:8] = np.clip(trial[:, 6:8], *BLUR_RANGE_PX)
        trial[:, 8] = np.clip(trial[:, 8], -MAX_CORRELATION, MAX_CORRELATION)
        there = model.at(trial)
        better = there.cost < here.cost
        went = np.abs(trial - here.parameters)
        moving = (went[:, :2].max(axis=1) > care.move_px) | (
            went[:, 6:8].max(axis=1) > care.blur_share * here.parameters[:, 6:8].min(axis=1)
        )
        if not better.all():
            for new, old in zip(vars(there).values(), vars(here).values(), strict=True):
                new[~better] = old[~better]
        here = there
        damping = np.clip(np.where(better, damping * 0.1, damping * 10.0), 1e-7, 1e6)
        _put(done, rows, here)
        going = np.flatnonzero((moving | ~better) & model.window.inside)
        if not len(going):
            break
        if len(going) < 0.7 * len(rows):
            model, rows, damping = model.chosen(going), rows[going], damping[going]
            here = here.chosen(going, model.window.values.shape[1])
    return done


def _put(done: _Fitted, rows: NDArray[np.int64], part: _Fitted) -> None:
    """Write what was fitted of some rows over what is there."""
    done.parameters[rows], done.sums[rows] = part.parameters, part.sums
    done.residuals[rows, : part.residuals.shape[1]] = part.residuals


def _step(sums: FloatArray, columns: NDArray[np.int64], damping: FloatArray) -> FloatArray:
    """Damped Gauss-Newton step of the chosen columns."""
    normal = sums[:, columns[:, None], columns]
    diagonal = np.einsum("nii->ni", normal)
    diagonal += damping[:, None] * diagonal + 1e-9
    return np.asarray(np.linalg.solve(normal, sums[:, columns, -1, None])[..., 0])


def _finish(window: Windows, parts: list[tuple[NDArray[np.int64], _Fitted]], *, rough: bool) -> CrossingFit:
    n = len(window.inside)
    parameters, sums = np.zeros((n, N_PARAMETERS)), np.zeros((n, N_PARAMETERS + 1, N_PARAMETERS + 1))
    residuals = np.zeros(window.values.shape, dtype=np.float32)
    whole = _Fitted(parameters=parameters, residuals=residuals, sums=sums)
    for rows, part in parts:
        _put(whole, rows, part)
    normal = sums[:, :-1, :-1]
    n_pixels = window.weights.sum(axis=1).astype(np.int64)
    variance = whole.cost / np.maximum(n_pixels - N_PARAMETERS, 1)
    ridge = 1e-9 * np.einsum("nii->ni", normal).max(axis=1, initial=1.0)
    inverse = np.linalg.inv(normal + ridge[:, None, None] * np.eye(N_PARAMETERS))
    alike = 1.0 if rough else likeness(window, residuals)
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
        parameters=_moved(parameters, window.centre),
    )
