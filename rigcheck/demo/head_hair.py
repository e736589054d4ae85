"""Hair on the face and head, lashes, painted dots."""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_material import Paint, ramp
from rigcheck.demo.head_mesh import head_data, head_surface
from rigcheck.demo.head_performer import Performer, PosedHead
from rigcheck.demo.head_raster import Patch
from rigcheck.demo.head_shape import vertex_of
from rigcheck.demo.head_skin import HAIR_TEXEL_MM, MIDDLE_MM, SKIN_TEXEL_MM, Placing, hair_tile, read_tile
from rigcheck.model._arrays import BoolArray, FloatArray, IntArray

__all__ = ["canvas_hair", "hair_worn", "lid_edges", "paint_dots", "paint_hair", "socket_triangles"]

Float32 = NDArray[np.float32]

# Middle of the brow above the sellion, and half its height, by the distance from the middle of the face, mm.
_BROW_LINE = ((0.0, 8.0, 20.0, 33.0, 46.0, 55.0), (-9.0, -11.0, -15.5, -17.5, -13.0, -8.0))
_BROW_HALF = ((5.0, 7.0, 12.0, 30.0, 46.0, 49.0), (0.0, 2.8, 4.2, 3.4, 1.2, 0.0))
_OTHER_SIDE_MM = 137.0  # the two sides carry different hairs


@lru_cache(maxsize=1)
def _marks() -> tuple[FloatArray, ...]:
    base = head_data().vertices_mm
    return tuple(base[vertex_of(name)] for name in ("chin", "subnasale", "upper_lip_inner", "sellion"))


def _hair_masks(at: NDArray[np.floating]) -> dict[str, NDArray[np.floating]]:
    """Where hair grows, 0–1, for places (3, n) on the average head."""
    x, y, z = np.abs(at[0]), at[1], at[2]
    chin, nose, lip, root = _marks()
    front = ramp(-z, 40.0, 75.0)
    beard = front * ramp(y, nose[1] + 2.0, lip[1] + 6.0) * (1 - ramp(y, chin[1] + 18, chin[1] + 40))
    beard *= np.maximum(ramp(x, 24.0, 36.0), ramp(y, lip[1] + 12.0, lip[1] + 20.0))
    moustache = ramp(y, nose[1] + 2.0, nose[1] + 5.0) * (1 - ramp(y, lip[1] - 9.0, lip[1] - 6.0))
    moustache *= front * (1 - ramp(x, 20.0, 30.0))
    middle, half = np.interp(x, *_BROW_LINE), np.interp(x, *_BROW_HALF)
    return {
        "brow": front * ramp(half - np.abs(y - root[1] - middle), -1.2, 1.2) * (half > 0),
        "scalp": ramp(-(y - root[1]) + 0.55 * (z - root[2]), 52.0, 60.0),
        "cap": ramp(-(y - root[1]) + 0.55 * (z - root[2]), 38.0, 39.0),
        "beard": beard,
        "moustache": moustache,
        "fringe": front * (1 - ramp(y, root[1] - 8.0, root[1] - 3.0)),
    }


@lru_cache(maxsize=1)
def socket_triangles() -> BoolArray:
    """Triangles behind the lids' edges (T,): they have a patch of the texture for themselves."""
    surface = head_surface()
    u, v = surface.texture.mean(axis=1).T
    return np.asarray((surface.part == 0) & (u < 0.17) & (v > 0.52) & (v < 0.65))


def lid_edges(fine_mm: FloatArray) -> FloatArray:
    """1 at the vertices of the upper lids' edge, 0.3 at the lower, 0 elsewhere: (V',)."""
    surface = head_surface()
    behind, before = np.zeros(len(fine_mm), dtype=bool), np.zeros(len(fine_mm), dtype=bool)
    behind[surface.triangles[socket_triangles()].ravel()] = True
    before[surface.triangles[(surface.part == 0) & ~socket_triangles()].ravel()] = True
    rim = behind & before
    middle = fine_mm[[vertex_of("eye_inner_left"), vertex_of("eye_outer_left")], 1].mean()
    return np.where(rim, np.where(fine_mm[:, 1] < middle, 1.0, 0.3), 0.0)


def canvas_hair(fine_mm: FloatArray, edges: FloatArray) -> dict[str, BoolArray]:
    """Triangles on which each kind of hair may grow, (T,)."""
    surface = head_surface()
    masks = {**_hair_masks(fine_mm.T), "lash": edges}
    grown = {name: mask[surface.triangles].max(axis=1) > 0 for name, mask in masks.items()}
    # The brow is narrower than some triangles: those it may cross count too.
    middle = fine_mm[surface.triangles].mean(axis=1)
    grown["brow"] = (np.abs(middle[:, 0]) < 60) & (middle[:, 2] < -90)
    grown["brow"] &= np.abs(middle[:, 1] - _marks()[3][1] + 13.0) < 20.0
    return grown


def hair_worn(performer: Performer) -> tuple[str, ...]:
    """Kinds of hair that a performer has."""
    worn = ["brow", "lash"]
    worn += ["scalp"] if performer.hair in ("short", "fringe") else []
    worn += ["cap"] if performer.hair == "cap" else []
    worn += ["fringe"] if performer.hair == "fringe" else []
    worn += ["beard"] if max(performer.beard, performer.stubble) > 0 else []
    worn += ["moustache"] if max(performer.moustache, performer.stubble) > 0 else []
    return tuple(worn)


def paint_hair(
    paint: Paint,
    performer: Performer,
    at: IntArray,
    average: Float32,
    reading: tuple[Float32, Float32, Placing],
) -> None:
    """Darken the skin by the hair that covers it, in place.

    Parameters
    ----------
    paint : Paint
    performer : Performer
    at : (n,) int
        Pixels of the patch on which hair may grow.
    average : (4, n) float32
        Place on the average head, mm, and lid edge.
    reading : ((2, n) texture in mm, (n,) skin texels a pixel, Placing)
    """
    places, fineness, placing = reading
    across = places[0] - np.float32(MIDDLE_MM)
    across = np.where(across < 0, np.float32(_OTHER_SIDE_MM) - across, across)
    texels = fineness * np.float32(SKIN_TEXEL_MM / HAIR_TEXEL_MM)
    long, short = read_tile(hair_tile(), across, places[1], texels, placing=placing)[:2]
    masks, lash = _hair_masks(average[:3]), average[3]
    scalp, beard, moustache = masks["scalp"], masks["beard"], masks["moustache"]
    cover = performer.brow_density * 0.85 * ramp(long + masks["brow"], 0.85, 1.5)
    cover = np.maximum(cover, 0.85 * ramp(lash, 0.25, 0.9))
    if performer.stubble > 0:
        cover = np.maximum(cover, performer.stubble * 0.75 * short * np.maximum(beard, moustache))
    for share, grown in ((performer.beard, beard), (performer.moustache, moustache)):
        if share > 0:
            cover = np.maximum(cover, share * (0.35 + 0.6 * long) * ramp(grown, 0.3, 0.7))
    if performer.hair in ("short", "fringe"):
        cover = np.maximum(cover, (0.75 + 0.25 * long) * scalp)
    if performer.hair == "fringe":
        cover = np.maximum(cover, ramp(long + masks["fringe"], 1.0, 1.4) * masks["fringe"])
    dark = np.float32(min(0.04, 0.5 * performer.skin_luminance))
    if performer.hair == "cap":
        cloth = masks["cap"]
        paint.luminance[at] += cloth * (np.float32(0.1) * (0.8 + 0.4 * short) - paint.luminance[at])
        paint.shine[at] *= 1 - cloth
        cover = cover * (1 - cloth)
    paint.luminance[at] += cover * (dark - paint.luminance[at])
    paint.shine[at] *= 1 - 0.7 * cover


def paint_dots(paint: Paint, performer: Performer, posed: PosedHead, patch: Patch) -> None:
    """Paint round black dots, round on the resting face, in place."""
    for vertex in performer.dots:
        near = _near_dot(posed, vertex, performer.dot_radius_mm)
        own = patch.triangle < len(near)
        at = np.flatnonzero(near[np.where(own, patch.triangle, 0)] & own)
        if len(at) == 0:
            continue
        rest = patch.spread(posed.rest_corners32, at)
        away = np.linalg.norm(rest - posed.rest_mm[vertex].astype(np.float32)[:, None], axis=0)
        share = ramp(np.float32(performer.dot_radius_mm) - away, -0.12, 0.12)
        paint.luminance[at] += share * (np.float32(0.03) - paint.luminance[at])


@lru_cache(maxsize=256)
def _near_dot(posed: PosedHead, vertex: int, radius_mm: float) -> BoolArray:
    surface = head_surface()
    middle = posed.rest_mm[surface.triangles].mean(axis=1)
    away = np.linalg.norm(middle - posed.rest_mm[vertex], axis=1)
    return np.asarray((away < radius_mm + 12.0) & (surface.part == 0))
