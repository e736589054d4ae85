"""A small renderer of boards with known corners: its own projection, nothing of the package's but the layout.

The picture is made of cells of a third of a pixel: the inverse projection of every pixel corner is
found by Newton's method, each cell's grey value is the board's mean over the cell's area (cells that
hold an edge are sampled 64 times, stratified and jittered), the lens's blur comes before the mean
over the pixel, and light and noise follow.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.ndimage import binary_dilation, gaussian_filter, shift
from scipy.spatial.transform import Rotation

from rigcheck.model import BoardSpec, FrameRef
from rigcheck.target import board_layout
from rigcheck.target.layout import marker_modules

CELLS = 3
REF = FrameRef(camera="test", frame_idx=0, origin="rendered.png")


@dataclass(frozen=True, kw_only=True)
class Lens:
    """Focal length and principal point in px; brown (k1 k2 p1 p2 k3) or fisheye (k1 k2 k3 k4)."""

    size_px: tuple[int, int] = (1080, 1440)
    focal_px: float = 1420.0
    distortion: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    fisheye: bool = False

    @property
    def centre_px(self):
        return 0.5 * self.size_px[0] - 0.3, 0.5 * self.size_px[1] + 0.4

    def bend(self, x, y):
        """Ideal image coordinates (focal length 1) to distorted ones."""
        if self.fisheye:
            r = np.maximum(np.hypot(x, y), 1e-12)
            t = np.arctan(r)
            k1, k2, k3, k4 = self.distortion
            s = t * (1 + t**2 * (k1 + t**2 * (k2 + t**2 * (k3 + t**2 * k4)))) / r
            return x * s, y * s
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        s = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        return x * s + 2 * p1 * x * y + p2 * (r2 + 2 * x * x), y * s + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y

    def unbend(self, xd, yd):
        """Inverse of `bend` by Newton's method with a numerical Jacobian."""
        x, y, h = xd.copy(), yd.copy(), 1e-6
        for _ in range(30):
            fx, fy = self.bend(x, y)
            ax, ay = self.bend(x + h, y)
            bx, by = self.bend(x, y + h)
            jxx, jyx, jxy, jyy = (ax - fx) / h, (ay - fy) / h, (bx - fx) / h, (by - fy) / h
            ex, ey, det = fx - xd, fy - yd, jxx * jyy - jxy * jyx
            dx, dy = (jyy * ex - jxy * ey) / det, (jxx * ey - jyx * ex) / det
            x, y = x - dx, y - dy
            if max(np.abs(dx).max(), np.abs(dy).max()) < 1e-10:
                break
        return x, y


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A board before a camera: where it is, how it is lit and blurred."""

    spec: BoardSpec
    lens: Lens
    rotation_vector: tuple[float, float, float] = (0.0, 0.0, 0.0)
    centre_mm: tuple[float, float, float] = (0.0, 0.0, 200.0)
    blur_px: float = 0.7
    noise: float = 2.0
    black: float = 25.0
    white: float = 225.0
    falloff: float = 0.0
    mirrored: bool = False
    fingers: tuple[tuple[float, float, float], ...] = ()
    motion_px: tuple[float, float] = (0.0, 0.0)

    def placed(self, board_mm):
        """Board points (N, 2) in camera coordinates (N, 3), mm."""
        size = np.array(self.spec.squares) * self.spec.square_mm
        flat = np.column_stack([board_mm - size / 2, np.zeros(len(board_mm))])
        return Rotation.from_rotvec(self.rotation_vector).apply(flat) + self.centre_mm

    def project(self, board_mm):
        """Board points (N, 2) mm to the picture (N, 2) px."""
        p = self.placed(np.asarray(board_mm, dtype=float))
        x, y = self.lens.bend(p[:, 0] / p[:, 2], p[:, 1] / p[:, 2])
        px = np.column_stack([x, y]) * self.lens.focal_px + self.lens.centre_px
        if self.mirrored:
            px[:, 0] = self.lens.size_px[0] - 1 - px[:, 0]
        return px

    @property
    def corners_px(self):
        """True inner corners, in id order."""
        return self.project(self.spec.corners_mm[:, :2])

    def board_from_picture(self):
        """Board coordinates in squares at every pixel corner, (H + 1, W + 1, 2); NaN behind the camera."""
        w, h = self.lens.size_px
        cx, cy = self.lens.centre_px
        yd, xd = np.mgrid[0 : h + 1, 0 : w + 1] - 0.5
        x, y = self.lens.unbend((xd - cx) / self.lens.focal_px, (yd - cy) / self.lens.focal_px)
        turn = Rotation.from_rotvec(self.rotation_vector).as_matrix()
        to_plane = np.linalg.inv(np.column_stack([turn[:, 0], turn[:, 1], self.centre_mm]))
        q = np.einsum("ij,jhw->hwi", to_plane, np.stack([x, y, np.ones_like(x)]))
        flat = np.where(q[..., 2:] > 0, q[..., :2] / q[..., 2:], np.nan)
        return flat / self.spec.square_mm + np.array(self.spec.squares) / 2

    def covered(self, cells):
        """Grey discs (x, y, radius in px) over the board."""
        y, x = (np.indices(cells.shape) - 1) / CELLS
        for cx, cy, radius in self.fingers:
            cells = np.where((x - cx) ** 2 + (y - cy) ** 2 < radius**2, 0.55, cells)
        return cells

    def picture(self, rng):
        """(H, W) uint8."""
        w, h = self.lens.size_px
        white = sharp_picture(self.spec, finer(self.board_from_picture()), rng)
        white = self.covered(white)
        white = moved(white, np.multiply(self.motion_px, CELLS))
        white = gaussian_filter(white, CELLS * self.blur_px, mode="nearest")
        white = white.reshape(h, CELLS, w, CELLS).mean(axis=(1, 3))
        grey = self.black + (self.white - self.black) * white
        yy, xx = np.mgrid[0:h, 0:w]
        r2 = ((xx - w / 2) ** 2 + (yy - h / 2) ** 2) / (w * w / 4 + h * h / 4)
        grey = grey * (1 - self.falloff * r2) + self.noise * rng.standard_normal(grey.shape)
        image = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
        return np.ascontiguousarray(image[:, ::-1]) if self.mirrored else image


def finer(corners):
    """Values at the corners of pixels (H + 1, W + 1, 2) to values at the corners of their cells, bilinear."""
    for _ in range(2):
        corners = np.swapaxes(corners, 0, 1)
        share = (np.arange(CELLS) / CELLS)[:, None, None]
        steps = corners[:-1, None] * (1 - share) + corners[1:, None] * share
        corners = np.concatenate([steps.reshape(-1, *corners.shape[1:]), corners[-1:]])
    return corners


def moved(cells, motion):
    """Mean over a straight, even motion that takes the picture from -motion / 2 to +motion / 2 (cells)."""
    if not np.any(motion):
        return cells
    steps = np.linspace(-0.5, 0.5, 2 * int(np.ceil(np.abs(motion).max())) + 1)
    return np.mean([shift(cells, t * np.array(motion)[::-1], order=1, mode="nearest") for t in steps], axis=0)


def whiteness(spec, squares):
    """1 where the board is white at points (..., 2) in squares; 0.5 beyond the quiet zone of one square."""
    layout = board_layout(spec)
    columns, rows = spec.squares
    u, v = squares[..., 0], squares[..., 1]
    with np.errstate(invalid="ignore"):
        on_board = (u >= 0) & (v >= 0) & (u < columns) & (v < rows)
        near = (u >= -1) & (v >= -1) & (u < columns + 1) & (v < rows + 1)
    c = np.where(on_board, u, 0).astype(int)
    r = np.where(on_board, v, 0).astype(int)
    black = on_board & layout.black[r, c]
    if len(layout.marker_ids):
        side = len(marker_modules(spec.dictionary, 0))
        modules = np.array([marker_modules(spec.dictionary, int(i)) for i in layout.marker_ids])
        number = np.zeros((rows, columns), dtype=int)
        number[layout.marker_cells[:, 1], layout.marker_cells[:, 0]] = layout.marker_ids
        low = 0.5 * (1 - layout.marker_ratio)
        with np.errstate(invalid="ignore"):
            a = np.floor((u - c - low) / layout.marker_ratio * side)
            b = np.floor((v - r - low) / layout.marker_ratio * side)
            inside = on_board & ~layout.black[r, c] & (a >= 0) & (b >= 0) & (a < side) & (b < side)
        a, b = np.where(inside, a, 0).astype(int), np.where(inside, b, 0).astype(int)
        black |= inside & modules[number[r, c], b, a]
    return np.where(near, 1.0 - black, 0.5)


def sharp_picture(spec, corners, rng, side=8):
    """Mean whiteness of each pixel, from board coordinates at its four corners."""
    at = whiteness(spec, corners)
    middle = whiteness(
        spec, 0.25 * (corners[1:, 1:] + corners[1:, :-1] + corners[:-1, 1:] + corners[:-1, :-1])
    )
    stack = np.stack([at[1:, 1:], at[1:, :-1], at[:-1, 1:], at[:-1, :-1], middle])
    mixed = stack.max(axis=0) != stack.min(axis=0)
    grown = binary_dilation(mixed, iterations=2)
    rows, columns = np.nonzero(grown)
    a, b = corners[rows, columns], corners[rows, columns + 1]
    c, d = corners[rows + 1, columns], corners[rows + 1, columns + 1]
    total = np.zeros(len(rows))
    for j in range(side):
        for i in range(side):
            s = ((i + rng.random(len(rows))) / side)[:, None]
            t = ((j + rng.random(len(rows))) / side)[:, None]
            total += whiteness(spec, (1 - t) * ((1 - s) * a + s * b) + t * ((1 - s) * c + s * d))
    picture = middle.copy()
    picture[rows, columns] = total / side**2
    return picture


@pytest.fixture(scope="session")
def ref():
    return REF
