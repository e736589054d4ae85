"""What the head's surface is made of at each pixel: reflectance, relief, shine, label."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_eyes import paint_eyes
from rigcheck.demo.head_hair import (
    canvas_hair,
    hair_worn,
    lid_edges,
    paint_dots,
    paint_hair,
    socket_triangles,
)
from rigcheck.demo.head_material import Paint, ramp
from rigcheck.demo.head_mesh import LABEL_OF, head_data, head_surface
from rigcheck.demo.head_occlusion import open_sky
from rigcheck.demo.head_oil import paint_oil
from rigcheck.demo.head_performer import Performer, PosedHead
from rigcheck.demo.head_raster import Patch, taken
from rigcheck.demo.head_skin import SKIN_TEXEL_MM, TEXTURE_MM, Placing, broad_tile, read_tile, skin_tile
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["Canvas", "canvas", "paint_patch"]

Float32 = NDArray[np.float32]

_SKIN_CONTRAST = 0.075
_RELIEF = 0.16
_BROAD = 4.3  # magnification of the second reading of the skin's tile
_FOLD = 16384


@dataclass(frozen=True, kw_only=True, eq=False)
class Canvas:
    """What belongs to the surface itself, for every triangle of `head_surface()` and, last, a frame of glasses.

    `table` (3, 3, T): texture across and down in mm, open sky at the corners. (T + 1,) each: `stretch`, texture mm
    per mm on the average head; `label`; `kinds`, bits of `_KINDS` for triangles that may need that paint. `hair`
    by kind (T + 1,): triangles on which it may grow. `average` (T, 3, 4): place on the average head, and lid edge.
    """

    table: Float32
    stretch: Float32
    label: NDArray[np.uint8]
    kinds: NDArray[np.uint8]
    hair: dict[str, BoolArray]
    average: Float32


_KINDS = {name: np.uint8(1 << bit) for bit, name in enumerate(("lips", "socket", "mouth", "eye", "frame"))}


@lru_cache(maxsize=1)
def canvas() -> Canvas:
    """Work out once what does not depend on the performer."""
    surface, data = head_surface(), head_data()
    fine = surface.refine @ data.vertices_mm
    places = surface.texture[..., ::-1] * TEXTURE_MM  # across, down
    space = fine[surface.triangles]
    area = np.linalg.norm(np.cross(space[:, 1] - space[:, 0], space[:, 2] - space[:, 0]), axis=1)
    one, two = places[:, 1] - places[:, 0], places[:, 2] - places[:, 0]
    flat = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    label = _labels()
    edges = lid_edges(fine)
    sky = surface.refine @ open_sky()
    corners = np.concatenate([places, sky[surface.triangles][..., None]], axis=2)
    skin = label[:-1] == LABEL_OF["skin"]
    return Canvas(
        table=np.ascontiguousarray(corners.transpose(2, 1, 0), dtype=np.float32),
        stretch=np.append(np.sqrt(flat / np.maximum(area, 1e-9)), 1.0).astype(np.float32),
        label=label,
        kinds=_kinds(label),
        hair={name: np.append(on & skin, False) for name, on in canvas_hair(fine, edges).items()},
        average=np.concatenate([fine, edges[:, None]], axis=1).astype(np.float32)[surface.triangles],
    )


def _labels() -> NDArray[np.uint8]:
    """Label of each triangle, and of a frame of glasses, (T + 1,)."""
    surface = head_surface()
    mouth = (_read_mask("mouth_inside", surface.texture.mean(axis=1)) > 0.5) & (surface.part == 0)
    names = ("skin", "eye", "eye", "teeth", "teeth", "tongue")
    label = np.array([LABEL_OF[name] for name in names])[surface.part]
    label[mouth] = LABEL_OF["mouth"]
    return np.append(label, LABEL_OF["occluder"]).astype(np.uint8)


def _kinds(label: NDArray[np.uint8]) -> NDArray[np.uint8]:
    surface = head_surface()
    red = _read_mask("lips", surface.texture.reshape(-1, 2)).reshape(-1, 3).max(axis=1) > 0.05
    found = {
        "lips": np.append(red, False) & (label == LABEL_OF["skin"]),
        "socket": np.append(socket_triangles(), False),
        "mouth": np.isin(label, [LABEL_OF[name] for name in ("teeth", "tongue", "mouth")]),
        "eye": label == LABEL_OF["eye"],
        "frame": label == LABEL_OF["occluder"],
    }
    kinds = np.zeros(len(label), dtype=np.uint8)
    for name, on in found.items():
        kinds[on] |= _KINDS[name]
    return kinds


def _read_mask(name: str, texture: NDArray[np.floating]) -> FloatArray:
    """Read a mask of the data file at texture coordinates (N, 2)."""
    mask = head_data().masks[name]
    x = (texture[:, 0] * len(mask) - 0.5).astype(np.float32)[None]
    y = ((1 - texture[:, 1]) * len(mask) - 0.5).astype(np.float32)[None]
    parts = [
        cv2.remap(mask, x[:, k : k + _FOLD], y[:, k : k + _FOLD], cv2.INTER_CUBIC)
        for k in range(0, x.shape[1], _FOLD)
    ]
    return np.concatenate(parts, axis=1).ravel().astype(np.float64)


@lru_cache(maxsize=16)
def _hairy(kinds: tuple[str, ...]) -> BoolArray:
    """Triangles on which one of these kinds of hair may grow, (T,)."""
    return np.asarray(np.logical_or.reduce([canvas().hair[kind] for kind in kinds]))


@dataclass(frozen=True, kw_only=True)
class _Placed:
    """Where a performer's seed lays the tiles. Each part has a random source of its own."""

    fine: Placing
    broad: Placing
    hair: Placing


@lru_cache(maxsize=32)
def _placed(seed: int) -> _Placed:
    rng = np.random.default_rng([82, 0, seed])
    shifts = [(float(x), float(y)) for x, y in rng.uniform(0, 300, (3, 2))]
    return _Placed(
        fine=Placing(shift_mm=shifts[0]),
        broad=Placing(shift_mm=shifts[1], turn_deg=float(rng.uniform(0, 360)), magnified=_BROAD),
        hair=Placing(shift_mm=shifts[2]),
    )


def paint_patch(
    patch: Patch, places: Float32, pixel_mm: Float32, *, performer: Performer, posed: PosedHead
) -> Paint:
    """Work out the material at a run of pixels.

    Parameters
    ----------
    patch : Patch
        Its triangles are those of `head_surface()`; any after them are a pair of glasses' frame.
    places : (3, m) float32
        Texture across and down in mm, open sky: `canvas().table` interpolated.
    pixel_mm : (m,) float32
        Width of a pixel on the surface, mm.
    performer : Performer
    posed : PosedHead
    """
    surface = canvas()
    triangle = np.minimum(patch.triangle, len(surface.label) - 1)
    placed = _placed(performer.texture_seed)
    fineness = pixel_mm * taken(surface.stretch, triangle) * np.float32(1 / SKIN_TEXEL_MM)
    paint = _skin(performer, placed, places, fineness)
    paint.label[:] = surface.label.take(triangle, mode="clip")
    paint_oil(paint, performer, patch, surface.average)
    kinds = surface.kinds.take(triangle, mode="clip")
    there = np.bitwise_or.reduce(kinds)
    at = {name: np.flatnonzero(kinds & bit) for name, bit in _KINDS.items() if there & bit}
    if "lips" in at:
        _lips(paint, patch, at["lips"])
    hairy = np.flatnonzero(_hairy(hair_worn(performer)).take(triangle, mode="clip"))
    if len(hairy):
        average = patch.spread(surface.average, hairy)
        paint_hair(paint, performer, hairy, average, (places[:2, hairy], fineness[hairy], placed.hair))
    paint_dots(paint, performer, posed, patch)
    if "socket" in at:
        wet = at["socket"]
        paint.luminance[wet], paint.sky[wet] = 0.6 * performer.skin_luminance + 0.1, 0.7
    if "eye" in at:
        paint_eyes(paint, performer, posed, patch, at["eye"])
    if "mouth" in at:
        _mouth(paint, posed, patch, at["mouth"])
    if "frame" in at:
        frame = at["frame"]
        paint.luminance[frame], paint.slope[:, frame], paint.sky[frame] = 0.03, 0.0, 1.0
    return paint


def _skin(performer: Performer, placed: _Placed, places: Float32, fineness: Float32) -> Paint:
    fine = read_tile(skin_tile(), places[0], places[1], fineness, placing=placed.fine)
    broad = read_tile(broad_tile(), places[0], places[1], None, placing=placed.broad)
    change = np.float32(_SKIN_CONTRAST * performer.detail) * (fine[0] + np.float32(0.8) * broad[0])
    luminance = np.float32(performer.skin_luminance) * np.exp(change)
    if performer.freckles > 0:
        luminance *= 1 - np.float32(0.5 * performer.freckles) * fine[3]
    count = len(fineness)
    return Paint(
        luminance=luminance,
        slope=np.float32(_RELIEF * min(performer.detail, 2.0)) * fine[1:3],
        shine=np.float32(performer.oil) * np.clip(1 + np.float32(0.25) * broad[0], 0.2, 2),
        gloss=np.zeros(count, dtype=np.float32),
        sky=np.array(places[2]),
        label=np.zeros(count, dtype=np.uint8),
    )


def _lips(paint: Paint, patch: Patch, at: NDArray[np.int64]) -> None:
    """Colour the red of the lips; its edge follows the data file's mask."""
    texture = patch.spread(_texture(), at)
    share = ramp(_read_mask("lips", texture.T), 0.25, 0.75).astype(np.float32)
    paint.luminance[at] *= 1 - np.float32(0.36) * share
    paint.shine[at] *= 1 + np.float32(0.8) * share
    paint.label[at[share > 0.5]] = LABEL_OF["lips"]


@lru_cache(maxsize=1)
def _texture() -> Float32:
    return head_surface().texture.astype(np.float32)


def _mouth(paint: Paint, posed: PosedHead, patch: Patch, at: NDArray[np.int64]) -> None:
    """Teeth, tongue and the inside of the mouth: darker the farther they lie behind the lips."""
    depth = patch.spread(posed.corners32[..., 2:], at)[0]
    front = max(posed.points_mm["upper_lip_inner"][2], posed.points_mm["mouth_corner_left"][2] - 8.0)
    behind = np.maximum(depth - np.float32(front), 0)
    teeth, tongue = paint.label[at] == LABEL_OF["teeth"], paint.label[at] == LABEL_OF["tongue"]
    paint.luminance[at] = np.where(teeth, 0.45, np.where(tongue, 0.16, 0.09))
    if teeth.any():
        rows = canvas().average[patch.triangle[at[teeth]]]
        x = np.abs(np.einsum("kn,nk->n", patch.weights[:, at[teeth]], rows[:, :, 0]))
        upper = head_surface().part[patch.triangle[at[teeth]]] == 3
        paint.luminance[at[teeth]] *= _between_teeth(x, upper)
    paint.sky[at] = np.exp(-behind / np.where(teeth, 14.0, 9.0))
    paint.slope[:, at] *= np.where(teeth, 0.15, 1.0)
    paint.shine[at] = np.where(teeth, 0.6, 0.4)
    paint.gloss[at] = 0.5


def _between_teeth(x_mm: Float32, upper: BoolArray) -> Float32:
    """Factor below 1 in the gaps between teeth, by the distance from the middle of the mouth."""
    away = np.full(len(x_mm), 9.0, dtype=np.float32)
    for row, gaps in ((upper, _UPPER_GAPS_MM), (~upper, _LOWER_GAPS_MM)):
        for gap in gaps:
            away[row] = np.minimum(away[row], np.abs(x_mm[row] - np.float32(gap)))
    return np.asarray(1 - np.float32(0.6) * ramp(-away, -0.32, -0.08), dtype=np.float32)


# Where one tooth ends and the next begins, seen from the front, mm from the middle.
_UPPER_GAPS_MM, _LOWER_GAPS_MM = (0.0, 8.4, 14.8, 20.5, 25.0), (0.0, 5.2, 11.0, 17.0, 22.0)
