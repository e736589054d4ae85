"""How the blur of a board's edges grows with depth: the plane of focus, and the growth on both sides of it.

A lens blurs a point at depth z into a disc whose diameter grows with abs(1/z - 1/z0), z0 the plane
of focus. Across an edge the variances add:

    blur² = a + b r² + (0.26 k)² (1/z - 1/z0)² + (p s)²

with k the growth of the disc's diameter, a the lens's own blur with the pixel's aperture, and b its
growth towards the picture's corners, r from its middle, and p the softness of the print's own edges
(mm), which the picture shows at s px per mm across the edge. All five are fitted: a lens blur taken
for known would move z0, and so would a print taken for perfectly sharp (0.05 mm move it by 6 mm at
f/4); tilted boards, on which s is foreshortened, tell p from defocus.

The standard deviation of a disc along a line is 0.25 of its diameter; the Gaussian that fits its edge
best has 0.25 to 0.275, the more the larger the disc (computed).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

__all__ = ["EdgeDepths", "FocusFit", "fit_focus", "moved_views"]

MIN_VIEWS = 5
MIN_EDGES = 150
# Farthest over nearest depth below which growth and lens blur cannot be told apart.
MIN_DEPTH_RATIO = 1.12
# Growth of the blur disc at the plane of focus, px per mm, below which the plane is not told.
MIN_GROWTH_PX_MM = 0.03
MIN_GROWTH_SIGMAS = 5.0
MAX_PLANE_SIGMA_MM = 10.0
# How far beyond the depths seen the plane may lie, as a share of their range.
MAX_BEYOND = 0.1
# Differences between edges that the model does not hold (astigmatism, field curvature): share of blur².
MODEL_SHARE = 0.06
# Two directions of edges disagree: blur² apart by this share of the smaller and this many sigmas.
MOTION_SHARE, MOTION_SIGMAS = 0.15, 4.0
# A view is blurrier than the others at its depth: ratio of blur² beyond this, and this many robust sigmas.
VIEW_RATIO, VIEW_SIGMAS = 1.15, 4.0
HUBER_WIDTH = 1.5
DISC_TO_BLUR = 0.26
# What the model leaves: a plane off by as much as gives a disc of this diameter, and this share of the growth
# (rendered boards, 6 mm at f/2.8 to f/8: 0.2 to 0.9 mm and 0.5 to 2.4 mm; 4 to 12 %).
SYSTEMATIC_DISC_PX = 0.08
SYSTEMATIC_GROWTH = 0.06
# Softness of a print's edges before anything is seen, as a variance: 0.03 mm, give or take as much again. A dot
# at 600 dpi is 0.042 mm; light that spreads in paper adds to that (common practice, no source).
PRINT_MM2, PRINT_SIGMA_MM2 = 0.03**2, 0.035**2
_ROUNDS = 8
_MAD = 1.4826
_N_PARAMETERS = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class EdgeDepths:
    """Edges of one camera over all views, row for row.

    Parameters
    ----------
    view : (M,) int
    depth_mm : (M,) float64
        Along the camera's axis, from its projection centre.
    place : (M, 2) float64
        Position in the picture, from its middle, 1 at half the picture's diagonal.
    along_x : (M,) bool
        Which of the board's two directions an edge has.
    blur_px, sigma_px : (M,) float64
        As in :class:`rigcheck.target.edges.EdgeBlurs`.
    mtf50_cy_px : (M,) float64
    scale_px_mm : (M,) float64
        Of the board in the picture, across the edge.
    """

    view: IntArray
    depth_mm: FloatArray
    place: FloatArray
    along_x: BoolArray
    blur_px: FloatArray
    sigma_px: FloatArray
    mtf50_cy_px: FloatArray
    scale_px_mm: FloatArray

    def chosen(self, keep: BoolArray) -> "EdgeDepths":
        """Keep some of the edges."""
        return EdgeDepths(**{name: values[keep] for name, values in vars(self).items()})

    @property
    def n_views(self) -> int:
        """Number of views with an edge."""
        return len(np.unique(self.view))


@dataclass(frozen=True, kw_only=True, eq=False)
class FocusFit:
    """How blur grows with depth; `reason` is empty when the plane of focus is told.

    Parameters
    ----------
    inverse_plane_mm, growth_px_mm : float
        1/z0 (1/mm) and k (px mm): the disc at depth z is k abs(1/z - 1/z0) across. NaN when there is no fit.
    covariance : (2, 2) float64
        Of the two.
    lens_blur_px : float
        At the plane of focus, in the middle of the picture, pixel included.
    print_blur_mm : float
        Softness of the print's own edges, as a sigma.
    depths_mm : (float, float)
        Range of depths seen.
    n_edges, n_views, n_moved : int
        Used; and views left out because they were moving.
    reason : str
    """

    inverse_plane_mm: float
    growth_px_mm: float
    covariance: FloatArray
    lens_blur_px: float
    print_blur_mm: float
    depths_mm: tuple[float, float]
    n_edges: int
    n_views: int
    n_moved: int
    reason: str

    @property
    def plane_mm(self) -> float:
        """Depth of the plane of focus."""
        return 1.0 / self.inverse_plane_mm

    @property
    def plane_sigma_mm(self) -> float:
        """Its standard uncertainty."""
        return float(np.sqrt(self.covariance[0, 0])) * self.plane_mm**2

    @property
    def growth_at_plane(self) -> float:
        """Growth of the disc's diameter at the plane of focus, px per mm of depth."""
        return self.growth_px_mm * self.inverse_plane_mm**2

    def disc_px(self, depth_mm: FloatArray) -> FloatArray:
        """Diameter of the blur disc at depths."""
        return np.asarray(self.growth_px_mm * np.abs(1.0 / depth_mm - self.inverse_plane_mm))

    def limit_mm(self, circle_px: float, side: int) -> tuple[float, float]:
        """Depth at which the disc has a diameter, nearer (+1) or farther (-1) than the plane; and its sigma.

        Infinite when the disc stays smaller all the way out.
        """
        step = circle_px / self.growth_px_mm
        inverse = self.inverse_plane_mm + side * step
        if inverse <= 0:
            return np.inf, np.inf
        gradient = np.array([1.0, -side * step / self.growth_px_mm])
        sigma = float(np.sqrt(gradient @ self.covariance @ gradient))
        return 1.0 / inverse, sigma / inverse**2


def moved_views(edges: EdgeDepths) -> IntArray:
    """Views in which edges of one direction are blurrier than those of the other: the board was moving.

    Parameters
    ----------
    edges : EdgeDepths

    Returns
    -------
    (K,) int
        Of `edges.view`.

    Notes
    -----
    Defocus blurs both directions alike. Motion along the bisector of both goes unseen here; such views stand
    out against others at their depth (see :func:`fit_focus`). So does a lens with strong astigmatism: a
    difference of less than 15 % of blur² is let pass.
    """
    moved = []
    for view in np.unique(edges.view):
        mine = edges.view == view
        squares = [edges.blur_px[mine & (edges.along_x == side)] ** 2 for side in (True, False)]
        if min(map(len, squares)) < 4:
            continue
        middle = [float(np.median(each)) for each in squares]
        error = [
            1.25 * _MAD * float(np.median(np.abs(each - at))) / np.sqrt(len(each))
            for each, at in zip(squares, middle, strict=True)
        ]
        apart = abs(middle[0] - middle[1])
        if apart > MOTION_SHARE * min(middle) + MOTION_SIGMAS * float(np.hypot(*error)):
            moved.append(int(view))
    return np.array(moved, dtype=np.int64)


def fit_focus(edges: EdgeDepths) -> FocusFit:
    """Find the plane of focus.

    Parameters
    ----------
    edges : EdgeDepths

    Returns
    -------
    FocusFit
        With a reason in words when the plane cannot be told: too few views or depths, a blur that hardly
        grows, a plane beyond the depths seen.

    Notes
    -----
    Linear least squares in blur² with Huber weights; the covariance treats each view as one draw (sandwich),
    since what the model misses is alike within a view. Views that are moving are left out first by the
    disagreement of their two directions, then by standing out above the others.
    """
    moved = moved_views(edges)
    still = edges.chosen(~np.isin(edges.view, moved))
    depths = _range(still.depth_mm)
    shortage = _shortage(still, depths, len(moved))
    if shortage:
        return _no_fit(still, depths, len(moved), shortage)
    solution = _solved(still)
    blurrier = _blurrier_views(still, solution)
    if len(blurrier):
        still = still.chosen(~np.isin(still.view, blurrier))
        depths = _range(still.depth_mm)
        shortage = _shortage(still, depths, len(moved) + len(blurrier))
        if shortage:
            return _no_fit(still, depths, len(moved) + len(blurrier), shortage)
        solution = _solved(still)
    return _told(still, solution, depths, len(moved) + len(blurrier))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Parabola:
    """blur² = beta . (1, r², q, q², s²) with q = (1/z - middle) / scale."""

    beta: FloatArray
    covariance: FloatArray
    middle: float
    scale: float

    def design(self, edges: EdgeDepths) -> FloatArray:
        q = (1.0 / edges.depth_mm - self.middle) / self.scale
        return np.stack(
            [np.ones_like(q), (edges.place**2).sum(axis=1), q, q * q, edges.scale_px_mm**2], axis=1
        )


def _range(depth_mm: FloatArray) -> tuple[float, float]:
    if len(depth_mm) == 0:
        return 0.0, 0.0
    low, high = np.quantile(depth_mm, [0.03, 0.97])
    return float(low), float(high)


def _shortage(edges: EdgeDepths, depths: tuple[float, float], n_moved: int) -> str:
    moving = f" ({n_moved} more were moving)" if n_moved else ""
    if edges.n_views < MIN_VIEWS or len(edges.view) < MIN_EDGES:
        return (
            f"{edges.n_views} still views with {len(edges.view)} measured edges found{moving}, {MIN_VIEWS} "
            f"with {MIN_EDGES} needed"
        )
    if depths[1] < MIN_DEPTH_RATIO * depths[0]:
        return (
            f"the board was seen from {depths[0]:.0f} to {depths[1]:.0f} mm only, too little for blur to "
            "grow with depth"
        )
    return ""


def _solved(edges: EdgeDepths) -> _Parabola:
    inverse = 1.0 / edges.depth_mm
    form = _Parabola(
        beta=np.zeros(_N_PARAMETERS),
        covariance=np.zeros((_N_PARAMETERS, _N_PARAMETERS)),
        middle=float(inverse.mean()),
        scale=float(inverse.std()),
    )
    design, square = form.design(edges), edges.blur_px**2
    prior = np.zeros((_N_PARAMETERS, _N_PARAMETERS))
    prior[-1, -1] = 1.0 / PRINT_SIGMA_MM2**2
    predicted, weight = square, np.ones(len(square))
    information, residual, normal = weight, square, np.eye(_N_PARAMETERS)
    beta = form.beta
    for _ in range(_ROUNDS):
        variance = 4.0 * predicted * edges.sigma_px**2 + (MODEL_SHARE * predicted) ** 2
        information = weight / variance
        normal = design.T @ (information[:, None] * design) + prior
        solved = np.linalg.solve(normal, design.T @ (information * square) + PRINT_MM2 * prior[:, -1])
        beta = np.asarray(solved, dtype=np.float64)
        # Kept positive: a parabola through few depths may dip below zero between them.
        predicted = np.maximum(design @ beta, 0.25 * float(np.quantile(square, 0.05)))
        residual = square - design @ beta
        pull = np.abs(residual) / np.sqrt(variance)
        pull /= max(_MAD * float(np.median(pull)), 1e-12)
        weight = np.asarray(np.minimum(1.0, HUBER_WIDTH / np.maximum(pull, 1e-12)), dtype=np.float64)
    score = design * (information * residual)[:, None]
    views, number = np.unique(edges.view, return_inverse=True)
    sums = np.zeros((len(views), _N_PARAMETERS))
    np.add.at(sums, number, score)
    inverse_normal = np.linalg.inv(normal)
    spread = len(views) / max(len(views) - 2, 1) * sums.T @ sums + prior
    return _Parabola(
        beta=beta,
        covariance=inverse_normal @ spread @ inverse_normal,
        middle=form.middle,
        scale=form.scale,
    )


def _blurrier_views(edges: EdgeDepths, solution: _Parabola) -> IntArray:
    """Views whose blur² stands above that of the others at their depths."""
    floor = 0.25 * float(np.quantile(edges.blur_px**2, 0.05))
    ratio = edges.blur_px**2 / np.maximum(solution.design(edges) @ solution.beta, floor)
    views = np.unique(edges.view)
    of_view = np.array([float(np.median(ratio[edges.view == view])) for view in views])
    middle = float(np.median(of_view))
    spread = _MAD * float(np.median(np.abs(of_view - middle)))
    return views[of_view > middle + max(VIEW_SIGMAS * spread, VIEW_RATIO - 1.0)]


def _told(edges: EdgeDepths, solution: _Parabola, depths: tuple[float, float], n_moved: int) -> FocusFit:
    level, _, tilt, bend, _ = solution.beta
    bend_sigma = float(np.sqrt(solution.covariance[3, 3]))
    if bend <= MIN_GROWTH_SIGMAS * bend_sigma:
        return _no_fit(edges, depths, n_moved, _flat(edges, solution, depths))
    at = -0.5 * tilt / bend
    inverse_plane = solution.middle + solution.scale * at
    growth = float(np.sqrt(bend)) / (DISC_TO_BLUR * solution.scale)
    jacobian = np.array(
        [
            [0.0, 0.0, -0.5 * solution.scale / bend, 0.5 * solution.scale * tilt / bend**2, 0.0],
            [0.0, 0.0, 0.0, 0.5 / (DISC_TO_BLUR * solution.scale * np.sqrt(bend)), 0.0],
        ]
    )
    systematic = np.diag([(SYSTEMATIC_DISC_PX / growth) ** 2, (SYSTEMATIC_GROWTH * growth) ** 2])
    fit = FocusFit(
        inverse_plane_mm=float(inverse_plane),
        growth_px_mm=growth,
        covariance=jacobian @ solution.covariance @ jacobian.T + systematic,
        lens_blur_px=float(np.sqrt(max(level - bend * at * at, 0.0))),
        print_blur_mm=float(np.sqrt(max(solution.beta[4], 0.0))),
        depths_mm=depths,
        n_edges=len(edges.view),
        n_views=edges.n_views,
        n_moved=n_moved,
        reason="",
    )
    reason = _doubt(fit)
    return fit if not reason else _no_fit(edges, depths, n_moved, reason)


def _doubt(fit: FocusFit) -> str:
    near, far = fit.depths_mm
    reach = MAX_BEYOND * (1.0 / near - 1.0 / far)
    if fit.inverse_plane_mm > 1.0 / near + reach:
        return (
            f"the nearest board seen, at {near:.0f} mm, is the sharpest: the plane of focus is nearer still"
        )
    if fit.inverse_plane_mm < 1.0 / far - reach:
        return (
            f"the farthest board seen, at {far:.0f} mm, is the sharpest: the plane of focus is farther still"
        )
    if fit.growth_at_plane < MIN_GROWTH_PX_MM:
        return (
            f"blur grows by {fit.growth_at_plane:.3f} px a mm only, {MIN_GROWTH_PX_MM} needed: "
            f"from {near:.0f} to {far:.0f} mm all is about equally sharp"
        )
    if fit.plane_sigma_mm > MAX_PLANE_SIGMA_MM:
        return f"its uncertainty is {fit.plane_sigma_mm:.0f} mm, {MAX_PLANE_SIGMA_MM:.0f} mm or less needed"
    return ""


def _flat(edges: EdgeDepths, solution: _Parabola, depths: tuple[float, float]) -> str:
    """Say what is seen where blur does not grow on both sides of a plane."""
    near, far = depths
    tilt, sigma = solution.beta[2], float(np.sqrt(solution.covariance[2, 2]))
    if tilt > MIN_GROWTH_SIGMAS * sigma:
        return f"blur grows all the way nearer: the plane of focus is at {far:.0f} mm or beyond"
    if tilt < -MIN_GROWTH_SIGMAS * sigma:
        return f"blur grows all the way farther: the plane of focus is at {near:.0f} mm or nearer"
    return f"blur does not grow between {near:.0f} and {far:.0f} mm"


def _no_fit(edges: EdgeDepths, depths: tuple[float, float], n_moved: int, reason: str) -> FocusFit:
    return FocusFit(
        inverse_plane_mm=float("nan"),
        growth_px_mm=float("nan"),
        covariance=np.full((2, 2), np.nan),
        lens_blur_px=float("nan"),
        print_blur_mm=float("nan"),
        depths_mm=depths,
        n_edges=len(edges.view),
        n_views=edges.n_views,
        n_moved=n_moved,
        reason=reason,
    )
