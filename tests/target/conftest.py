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
        return self.noisy(self.clean(rng), rng)

    def clean(self, rng):
        """(H, W) float: all but noise and rounding."""
        w, h = self.lens.size_px
        white = sharp_picture(self.spec, self.board_from_picture(), rng)
        white = self.covered(white)
        white = moved(white, np.multiply(self.motion_px, CELLS))
        white = gaussian_filter(white, CELLS * self.blur_px, mode="nearest")
        white = white.reshape(h, CELLS, w, CELLS).mean(axis=(1, 3))
        grey = self.black + (self.white - self.black) * white
        yy, xx = np.mgrid[0:h, 0:w]
        r2 = ((xx - w / 2) ** 2 + (yy - h / 2) ** 2) / (w * w / 4 + h * h / 4)
        return grey * (1 - self.falloff * r2)

    def noisy(self, grey, rng):
        """A clean picture with noise, rounded: (H, W) uint8."""
        grey = grey + self.noise * rng.standard_normal(grey.shape)
        image = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
        return np.ascontiguousarray(image[:, ::-1]) if self.mirrored else image


def moved(cells, motion):
    """Mean over a straight, even motion that takes the picture from -motion / 2 to +motion / 2 (cells)."""
    if not np.any(motion):
        return cells
    steps = np.linspace(-0.5, 0.5, 2 * int(np.ceil(np.abs(motion).max())) + 1)
    return np.mean([shift(cells, t * np.array(motion)[::-1], order=1, mode="nearest") for t in steps], axis=0)


class Print:
    """Whiteness at points of a board's plane: 0 black, 1 white, 0.5 beyond the quiet zone of one square."""

    def __init__(self, spec):
        layout, (columns, rows) = board_layout(spec), spec.squares
        self.side = len(marker_modules(spec.dictionary, 0)) if len(layout.marker_ids) else 1
        self.ratio = layout.marker_ratio or 1.0
        self.low = 0.5 * (1 - self.ratio)
        # Squares -2 to columns + 1, each of margin, modules, margin; likewise down.
        table = np.full((rows + 4, self.side + 2, columns + 4, self.side + 2), 0.5, dtype=np.float32)
        table[1:-1, :, 1:-1] = 1.0
        table[2:-2, :, 2:-2] = np.where(layout.black, 0.0, 1.0)[:, None, :, None]
        for marker, (c, r) in zip(layout.marker_ids, layout.marker_cells, strict=True):
            table[r + 2, 1:-1, c + 2, 1:-1] = ~marker_modules(spec.dictionary, int(marker))
        self.shape, self.table = table.shape, table.ravel()

    def __call__(self, squares):
        """Whiteness (...) at points (..., 2), in squares from the board's origin."""
        v, b = self.place(squares[..., 1], self.shape[0])
        u, a = self.place(squares[..., 0], self.shape[2])
        return self.table[((v * self.shape[1] + b) * self.shape[2] + u) * self.shape[3] + a]

    def place(self, along, count):
        along = np.nan_to_num(along, nan=-9.0)
        whole = np.floor(along)
        part = np.floor((along - whole - self.low) * (self.side / self.ratio))
        part = np.clip(part, -1, self.side).astype(np.int32) + 1
        return np.clip(whole, -2, count - 3).astype(np.int32) + 2, part


def within(corners, s, t):
    """Bilinear between the corners (N, 4, 2) of pixels, at shares s to the right and t down."""
    s, t = np.asarray(s)[..., None], np.asarray(t)[..., None]
    top = corners[:, 0] + s * (corners[:, 1] - corners[:, 0])
    return top + t * (corners[:, 2] + s * (corners[:, 3] - corners[:, 2]) - top)


def sharp_picture(spec, corners, rng, side=8):
    """Mean whiteness of each cell (CELLS H, CELLS W), from board coordinates at the pixels' corners."""
    paint = Print(spec)
    at, middle = (
        paint(corners),
        paint(0.25 * (corners[1:, 1:] + corners[1:, :-1] + corners[:-1, 1:] + corners[:-1, :-1])),
    )
    stack = np.stack([at[1:, 1:], at[1:, :-1], at[:-1, 1:], at[:-1, :-1], middle])
    rows, columns = np.nonzero(binary_dilation(stack.max(axis=0) != stack.min(axis=0)))
    four = np.stack([corners[rows + j, columns + i] for j in (0, 1) for i in (0, 1)], axis=1)
    picture = np.repeat(np.repeat(middle, CELLS, axis=0), CELLS, axis=1)
    for j in range(CELLS):
        for i in range(CELLS):
            ends = [(i / CELLS, j / CELLS), ((i + 1) / CELLS, j / CELLS)]
            ends += [(i / CELLS, (j + 1) / CELLS), ((i + 1) / CELLS, (j + 1) / CELLS)]
            cell = np.stack([within(four, np.float64(s), np.float64(t)) for s, t in ends], axis=1)
            values = paint(cell)
            value = values.mean(axis=1)
            mixed = np.flatnonzero(values.max(axis=1) != values.min(axis=1))
            value[mixed] = mean_whiteness(paint, cell[mixed], rng, side)
            picture[CELLS * rows + j, CELLS * columns + i] = value
    return picture


def mean_whiteness(paint, cell, rng, side):
    """Mean over cells with corners (N, 4, 2): side x side samples, each jittered within its own part."""
    total = np.zeros(len(cell))
    for j in range(side):
        for i in range(side):
            s, t = (i + rng.random(len(cell))) / side, (j + rng.random(len(cell))) / side
            total += paint(within(cell, s, t))
    return total / side**2


@pytest.fixture(scope="session")
def ref():
    return REF


@pytest.fixture(scope="session")
def reference_board():
    """The handbook's reference board."""
    return BoardSpec(
        name="reference",
        kind="charuco",
        squares=(9, 12),
        square_mm=9.0,
        marker_mm=6.75,
        dictionary="DICT_4X4_100",
    )


@pytest.fixture(scope="session")
def plain_board():
    return BoardSpec(name="plain", kind="checkerboard", squares=(8, 11), square_mm=10.0)


@pytest.fixture(scope="session")
def scene():
    """Make a scene: a small camera with the reference rig's field of view, the board tilted; changes by name."""

    def make(spec, **changes):
        usual = {
            "lens": Lens(size_px=(540, 720), focal_px=710.0, distortion=(-0.1, 0.02, 0.0, 0.0, 0.0)),
            "rotation_vector": (0.3, -0.3, 0.15),
            "centre_mm": (3.0, -4.0, 185.0),
        }
        return Scene(spec=spec, **(usual | changes))

    return make


@pytest.fixture(scope="session")
def lens():
    return Lens
