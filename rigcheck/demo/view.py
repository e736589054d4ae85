"""One picture of the board, as one camera sees it."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.board import BoardInSpace
from rigcheck.demo.camera import RayGrid, ray_grid
from rigcheck.demo.light import Lamps, falling_light
from rigcheck.demo.mount import Picture32
from rigcheck.demo.optics import Lens, Sensor, blur_disc_px, blurred_by_depth, fall_off
from rigcheck.demo.trace import Footprint, footprint, meet, print_seen, texels_met
from rigcheck.model import CameraModel, RigidTransform
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["RenderOptions", "render_view"]

_MARGIN_NODES = 3  # of the ray grid, around the picture, so that blur at its edge knows what is beyond
_NOWHERE = 1e4  # stands for a ray that meets nothing; no pixel of the board is made from it
_STRIP_NODES = 16  # rows of the ray grid that are traced together: few enough to stay in the cache


@dataclass(frozen=True, kw_only=True, eq=False)
class RenderOptions:
    """What stands between a board and its picture. Left at its defaults: evenly lit, sharp, noise-free.

    Parameters
    ----------
    lens : Lens or None
        None leaves out defocus; `blur_px` still applies.
    blur_px : float
        Gaussian sigma of the blur everywhere; ignored when there is a lens (it carries its own).
    sensor : Sensor
    lamps : Lamps or None
        None lights evenly, white paper at `even_paper_dn`.
    background_dn : (H, W) float32 or None
        Light of what is behind the board, before vignetting; None for an even dark grey.
    vignetting_power : float
        Exponent of the cosine off the axis; 4 is natural, 0 none.
    samples : int
        Samples per pixel along each axis.
    grid_step_px : int
        Spacing of the rays that are traced; in between positions are interpolated. 1 traces every pixel.
    """

    lens: Lens | None = None
    blur_px: float = 0.5
    sensor: Sensor = field(default_factory=lambda: Sensor(read_noise_dn=0.0, dn_per_electron=0.0))
    lamps: Lamps | None = None
    even_paper_dn: float = 180.0
    background_dn: Picture32 | None = None
    vignetting_power: float = 0.0
    samples: int = 4
    grid_step_px: int = 2


def render_view(
    camera: CameraModel,
    exposure: tuple[RigidTransform, ...],
    *,
    board: BoardInSpace,
    options: RenderOptions,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """Render the board as a camera with a global shutter records it.

    Parameters
    ----------
    camera : CameraModel
    exposure : tuple of RigidTransform
        `camera_from_board` at moments evenly spread over the exposure; one for a board at rest. The picture
        is their mean.
    board : BoardInSpace
    options : RenderOptions
    rng : numpy.random.Generator
        Source of the noise.

    Returns
    -------
    (H, W) uint8, code values

    Notes
    -----
    Every ray meets the board's surface; its print is read there, averaged over the pixel's area. Light and
    defocus are those at the middle of the exposure. The outline of plate and hand hides what is behind;
    their own shadow on the background is not drawn.
    """
    grid = ray_grid(camera, options.grid_step_px, _MARGIN_NODES)
    margin = _MARGIN_NODES * options.grid_step_px
    light = _background(options.background_dn, grid, camera.image_size_px)
    seen = footprint(camera, exposure, board=board, grid=grid)
    if seen is not None:
        _paint_board(light, seen, board=board, options=options, grid=grid)
    width, height = camera.image_size_px
    light = np.ascontiguousarray(light[margin : margin + height, margin : margin + width])
    if options.vignetting_power > 0:
        light *= fall_off(camera, options.vignetting_power)
    return options.sensor.exposed(light, rng)


def _background(picture: Picture32 | None, grid: RayGrid, size_px: tuple[int, int]) -> Picture32:
    """Light of what is behind the board, with the margin of the ray grid around it."""
    width, height = size_px
    rows, columns = (n * grid.step_px for n in grid.rays.shape[:2])
    if picture is None:
        return np.full((rows, columns), 12.0, dtype=np.float32)
    if picture.shape != (height, width):
        raise ValueError(f"background: shape {picture.shape} found, {(height, width)} needed")
    before = _MARGIN_NODES * grid.step_px
    after = rows - height - before, columns - width - before
    full = cv2.copyMakeBorder(picture, before, after[0], before, after[1], cv2.BORDER_REPLICATE)
    return np.asarray(full, dtype=np.float32)


def _paint_board(
    light: Picture32, seen: Footprint, *, board: BoardInSpace, options: RenderOptions, grid: RayGrid
) -> None:
    """Lay the board over the background, in place: sharp strip by strip, then blurred."""
    middle = seen.exposure[len(seen.exposure) // 2]
    nodes = seen.nodes
    rays = grid.rays[nodes]
    met = [meet(rays, pose, board) for pose in seen.exposure]
    coarse_rays, coarse_met = _coarser(rays), _coarser(met[len(met) // 2])
    lit, glare = falling_light(coarse_rays, coarse_met, middle, options.lamps, options.even_paper_dn)
    region = light[seen.pixels]
    lit_px, glare_px = _spread(lit, region.shape), _spread(glare, region.shape)
    texels = [texels_met(points, board) for points in met]
    for strip in seen.strips(_STRIP_NODES):
        samples = options.samples if strip.on_plate else 1
        shown = print_seen(texels[0], board, strip, samples=samples)
        for moment in texels[1:]:
            shown += print_seen(moment, board, strip, samples=samples)
        shown *= lit_px[strip.pixels] * np.float32(1 / len(texels))
        shown += glare_px[strip.pixels]
        under = region[strip.pixels]
        under += seen.cover(strip) * (shown - under)
    if options.lens is None:
        disc, blur = np.zeros((1, 1)), options.blur_px
    else:
        disc, blur = blur_disc_px(options.lens, _depth(coarse_met, middle, board)), options.lens.sharpest_px
    light[seen.pixels] = blurred_by_depth(region, disc, blur)


def _coarser(nodes: FloatArray) -> FloatArray:
    """Quarter the resolution of (R, C, 3) nodes: enough for light and depth, which vary slowly."""
    size = (max(nodes.shape[1] // 4, 1), max(nodes.shape[0] // 4, 1))
    whole = np.where(np.isnan(nodes), _NOWHERE, nodes)
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA))


def _depth(met: FloatArray, pose: RigidTransform, board: BoardInSpace) -> FloatArray:
    """Depth along the axis at each node, kept within the board's own range of depths."""
    corners = pose.apply(board.on_surface(board.outlines_mm[0]))[:, 2]
    low = max(float(corners.min()), 1.0)
    return np.asarray(np.clip(pose.apply(met)[..., 2], low, max(float(corners.max()), low)))


def _spread(nodes: FloatArray, shape: tuple[int, ...]) -> Picture32:
    full = cv2.resize(nodes.astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full, dtype=np.float32)
