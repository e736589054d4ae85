"""What the head's surface is made of at each pixel: reflectance, relief, shine, label."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from rigcheck.demo.head_mesh import LABELS, head_data, head_surface
from rigcheck.demo.head_occlusion import open_sky
from rigcheck.demo.head_performer import Performer, PosedHead, vertex_of
from rigcheck.demo.head_raster import Seen, spread_over_triangles
from rigcheck.demo.head_skin import SKIN_TEXEL_MM, Placing, hair_tile, read_tile, skin_tile
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["IRIS_MM", "PUPIL_MM", "Paint", "paint_surface"]

Float32 = NDArray[np.float32]

IRIS_MM = 11.7  # across, as seen from outside (white to white)
PUPIL_MM = 4.0
_TEXTURE_MM = 1000.0  # of one unit of texture coordinates, about the same all over the face
_MIDDLE_V = 0.4829  # texture coordinate across, of the middle of the face
_SKIN_CONTRAST = 0.075
_RELIEF = 0.16
_LABEL = {name: number for number, name in enumerate(LABELS)}


@dataclass(frozen=True, kw_only=True, eq=False)
class Paint:
    """Material at the M pixels that met the head, in the order of `Seen.pixels`.

    `luminance` (M,) reflectance Y; `redness` (M,) 0 for neutral, 1 for skin's own colour, more for lips;
    `slope` (M, 2) of the relief along the texture's two directions; `shine` (M,) strength of the highlight over
    bare skin's; `gloss` (M,) 0 for skin's broad highlight, 1 for a wet eye's or tooth's; `sky` (M,) share of even
    light that reaches the place; `label` (M,) index into LABELS.
    """

    luminance: Float32
    redness: Float32
    slope: Float32
    shine: Float32
    gloss: Float32
    sky: Float32
    label: NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Canvas:
    """What belongs to the surface itself, for every triangle of `head_surface()`.

    `places` (T, 3, 2) texture in mm; `average` (V', 4) place on the average head and lid edge; `masked` (T,) where hair may grow;
    `stretch` (T,) texture mm per mm on the average head; `label` (T,); `sky` (V',).
    """

    places: Float32
    average: Float32
    masked: BoolArray
    stretch: Float32
    label: NDArray[np.uint8]
    inside: BoolArray
    sky: Float32


@lru_cache(maxsize=1)
def _canvas() -> _Canvas:
    surface, data = head_surface(), head_data()
    fine = surface.refine @ data.vertices_mm
    places = surface.texture[..., ::-1] * _TEXTURE_MM  # across, down
    masks = _hair_masks(fine)
    lash = _lid_edges()
    grown = np.maximum.reduce([*masks.values(), lash])[surface.triangles].max(axis=1) > 0
    # The brow is narrower than some triangles: those it may cross are read too.
    brow = (np.abs(corner_mean := fine[surface.triangles].mean(axis=1))[:, 0] < 60) & (
        corner_mean[:, 2] < -90
    )
    brow &= np.abs(corner_mean[:, 1] - data.vertices_mm[vertex_of("sellion"), 1] + 13.0) < 20.0
    corners = fine[surface.triangles]
    space = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    one, two = places[:, 1] - places[:, 0], places[:, 2] - places[:, 0]
    flat = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    inside = _read_mask("mouth_inside", surface.texture.mean(axis=1)) > 0.5
    inside &= surface.part == 0
    label = np.array([_LABEL[name] for name in ("skin", "eye", "eye", "teeth", "teeth", "tongue")])[
        surface.part
    ]
    label[inside] = _LABEL["mouth"]
    return _Canvas(
        places=places.astype(np.float32),
        average=np.concatenate([fine, lash[:, None]], axis=1).astype(np.float32),
        masked=(grown | brow) & (surface.part == 0) & ~inside,
        stretch=np.sqrt(flat / np.maximum(space, 1e-9)).astype(np.float32),
        label=label.astype(np.uint8),
        inside=inside,
        sky=np.asarray(surface.refine @ open_sky(), dtype=np.float32),
    )


def _read_mask(name: str, texture: FloatArray) -> FloatArray:
    """Read a mask of the data file at texture coordinates (N, 2)."""
    mask = head_data().masks[name]
    side = len(mask)
    x = (texture[:, 0] * side - 0.5).astype(np.float32).reshape(1, -1)
    y = ((1 - texture[:, 1]) * side - 0.5).astype(np.float32).reshape(1, -1)
    out = [
        cv2.remap(mask, x[:, k : k + 16384], y[:, k : k + 16384], cv2.INTER_CUBIC)
        for k in range(0, x.shape[1], 16384)
    ]
    return np.concatenate(out, axis=1).ravel()


def _ramp(values: FloatArray, start: float, end: float) -> FloatArray:
    share = np.clip((values - start) / (end - start), 0.0, 1.0)
    return np.asarray(share * share * (3 - 2 * share))


def _hair_masks(at: FloatArray) -> dict[str, FloatArray]:
    """Where hair grows, 0–1, for places (N, 3) on the average head."""
    x, y, z = np.abs(at[:, 0]), at[:, 1], at[:, 2]
    base = head_data().vertices_mm
    chin, nose, lip, root = (
        base[vertex_of(name)] for name in ("chin", "subnasale", "upper_lip_inner", "sellion")
    )
    front = _ramp(-z, 40.0, 75.0)
    beard = front * _ramp(y, nose[1] + 2.0, lip[1] + 6.0) * (1 - _ramp(y, chin[1] + 18, chin[1] + 40))
    beard *= np.maximum(_ramp(x, 24.0, 36.0), _ramp(y, lip[1] + 12.0, lip[1] + 20.0))
    moustache = _ramp(y, nose[1] + 2.0, nose[1] + 5.0) * (1 - _ramp(y, lip[1] - 9.0, lip[1] - 6.0))
    moustache *= front * (1 - _ramp(x, 20.0, 30.0))
    middle = np.interp(x, *_BROW_LINE)
    half = np.interp(x, *_BROW_HALF)
    return {
        "brow": front * _ramp(half - np.abs(y - root[1] - middle), -1.2, 1.2) * (half > 0),
        "scalp": _ramp(-(y - root[1]) + 0.55 * (z - root[2]), 62.0, 72.0),
        "beard": beard,
        "moustache": moustache,
        "fringe": front * (1 - _ramp(y, root[1] - 8.0, root[1] - 3.0)),
    }


# Middle of the brow above the sellion, and half its height, by the distance from the middle of the face, mm.
_BROW_LINE = ((0.0, 8.0, 20.0, 33.0, 46.0, 55.0), (-9.0, -11.0, -15.5, -17.5, -13.0, -8.0))
_BROW_HALF = ((5.0, 7.0, 12.0, 30.0, 46.0, 49.0), (0.0, 2.8, 4.2, 3.4, 1.2, 0.0))


def _lid_edges() -> FloatArray:
    """1 at the vertices of the upper lids' edge, 0.3 at the lower, 0 elsewhere: (V',)."""
    surface = head_surface()
    edge = np.zeros(surface.refine.shape[0])
    ends = np.zeros_like(edge)
    ends[surface.triangles[_socket()].ravel()] += 1
    others = np.zeros_like(edge)
    others[surface.triangles[(surface.part == 0) & ~_socket()].ravel()] += 1
    fine = surface.refine @ head_data().vertices_mm
    rim = (ends > 0) & (others > 0)
    middle = fine[[vertex_of("eye_inner_left"), vertex_of("eye_outer_left")], 1].mean()
    edge[rim] = np.where(fine[rim, 1] < middle, 1.0, 0.3)
    return edge


@lru_cache(maxsize=1)
def _socket() -> BoolArray:
    """Triangles behind the lids' edges: they have a patch of the texture for themselves."""
    surface = head_surface()
    u, v = surface.texture.mean(axis=1).T
    return np.asarray((surface.part == 0) & (u < 0.17) & (v > 0.52) & (v < 0.65))


def paint_surface(seen: Seen, performer: Performer, posed: PosedHead, pixel_mm: Float32) -> Paint:
    """Work out the material at every pixel that met the head.

    Parameters
    ----------
    seen : Seen
        Its triangles are those of `head_surface()`; more may follow them, painted as occluders.
    performer : Performer
    posed : PosedHead
    pixel_mm : (M,) float32
        Width of a pixel on the surface, mm.
    """
    canvas, surface = _canvas(), head_surface()
    triangle = seen.triangles
    own = triangle < len(surface.triangles)
    triangle = np.where(own, triangle, 0)
    places = np.einsum("mk,mkc->mc", seen.weights, canvas.places[triangle])
    fineness = pixel_mm * canvas.stretch[triangle] / np.float32(SKIN_TEXEL_MM)
    label = np.where(own, canvas.label[triangle], _LABEL["occluder"]).astype(np.uint8)
    sky = np.einsum("mk,mk->m", seen.weights, canvas.sky[surface.triangles][triangle])
    # Each part has a source of its own, so that what one camera does not see changes nothing else.
    rngs = [np.random.default_rng([82, part, performer.texture_seed]) for part in range(3)]
    paint = _skin(performer, places, fineness, label, sky, rngs[0])
    _lips(paint, seen, triangle, own)
    _hairs(paint, performer, seen, triangle, own, places, fineness, rngs[1])
    _dots(paint, performer, posed, seen, triangle, own)
    _eyes(paint, seen, posed, triangle, own, rngs[2])
    wet = np.flatnonzero(own & _socket()[triangle])
    paint.luminance[wet], paint.sky[wet], paint.redness[wet] = 0.6 * performer.skin_luminance + 0.1, 0.7, 1.2
    _mouth(paint, posed, seen, triangle)
    return paint


def _skin(
    performer: Performer,
    places: Float32,
    fineness: Float32,
    label: NDArray[np.uint8],
    sky: Float32,
    rng: np.random.Generator,
) -> Paint:
    fine = read_tile(skin_tile(), places, fineness, _placed(rng, 1.0))
    broad = read_tile(skin_tile(), places, fineness, _placed(rng, 4.3))
    change = _SKIN_CONTRAST * performer.detail * (fine[:, 0] + 0.8 * broad[:, 0])
    luminance = performer.skin_luminance * np.exp(change)
    if performer.freckles > 0:
        luminance *= 1 - 0.5 * performer.freckles * np.maximum(fine[:, 3], broad[:, 3])
    relief = np.float32(_RELIEF * min(performer.detail, 2.0))
    count = len(places)
    return Paint(
        luminance=luminance.astype(np.float32),
        redness=np.ones(count, dtype=np.float32),
        slope=relief * fine[:, 1:3],
        shine=np.full(count, performer.oil, dtype=np.float32) * (1 + 0.25 * broad[:, 0]).clip(0.2, 2),
        gloss=np.zeros(count, dtype=np.float32),
        sky=np.asarray(sky, dtype=np.float32),
        label=label,
    )


def _placed(rng: np.random.Generator, magnified: float) -> Placing:
    shift = rng.uniform(0, 300, 2)
    return Placing(
        shift_mm=(float(shift[0]), float(shift[1])),
        turn_deg=float(rng.uniform(0, 360)) if magnified > 1 else 0.0,
        magnified=magnified,
    )


def _lips(paint: Paint, seen: Seen, triangle: NDArray[np.int32], own: BoolArray) -> None:
    """Colour the red of the lips; its edge follows the data file's mask."""
    surface = head_surface()
    at = np.flatnonzero(own & _lip_triangles()[triangle] & (paint.label == _LABEL["skin"]))
    if len(at) == 0:
        return
    texture = np.einsum("mk,mkc->mc", seen.weights[at], surface.texture[triangle[at]])
    share = _ramp(_read_mask("lips", texture), 0.25, 0.75).astype(np.float32)
    paint.luminance[at] *= 1 - np.float32(0.36) * share
    paint.redness[at] += np.float32(0.7) * share
    paint.shine[at] *= 1 + np.float32(0.8) * share
    paint.label[at[share > 0.5]] = _LABEL["lips"]


@lru_cache(maxsize=1)
def _lip_triangles() -> BoolArray:
    surface = head_surface()
    corners = surface.texture.reshape(-1, 2)
    return np.asarray(_read_mask("lips", corners).reshape(-1, 3).max(axis=1) > 0.05)


def _hairs(
    paint: Paint,
    performer: Performer,
    seen: Seen,
    triangle: NDArray[np.int32],
    own: BoolArray,
    places: Float32,
    fineness: Float32,
    rng: np.random.Generator,
) -> None:
    canvas, surface = _canvas(), head_surface()
    at = np.flatnonzero(own & canvas.masked[triangle])
    if len(at) == 0:
        return
    average = spread_over_triangles_at(seen, at, canvas.average[surface.triangles])
    where = np.array(places[at])
    mirrored = where[:, 0] < _MIDDLE_V * _TEXTURE_MM
    where[:, 0] = np.abs(where[:, 0] - np.float32(_MIDDLE_V * _TEXTURE_MM)) + 137.0 * mirrored
    hair = read_tile(hair_tile(), where, fineness[at] * np.float32(SKIN_TEXEL_MM / 0.05), _placed(rng, 1.0))
    long, short = hair[:, 0], hair[:, 1]
    masks = _hair_masks(average[:, :3])
    lash = average[:, 3]
    scalp, beard, moustache, fringe = (masks[name] for name in ("scalp", "beard", "moustache", "fringe"))
    dark = np.float32(min(0.04, 0.5 * performer.skin_luminance))
    cover = performer.brow_density * 0.85 * _ramp(long + masks["brow"], 0.95, 1.7)
    cover = np.maximum(cover, 0.85 * _ramp(lash, 0.25, 0.9))
    cover = np.maximum(cover, performer.stubble * 0.75 * short * np.maximum(beard, moustache))
    cover = np.maximum(cover, performer.beard * (0.35 + 0.6 * long) * _ramp(beard, 0.3, 0.7))
    cover = np.maximum(cover, performer.moustache * (0.35 + 0.6 * long) * _ramp(moustache, 0.3, 0.7))
    if performer.hair == "short":
        cover = np.maximum(cover, (0.75 + 0.25 * long) * scalp)
    if performer.hair == "fringe":
        cover = np.maximum(
            cover, np.maximum((0.75 + 0.25 * long) * scalp, _ramp(long + fringe, 1.0, 1.4) * fringe)
        )
    cover = cover.astype(np.float32)
    if performer.hair == "cap":
        cloth = (scalp * (0.8 + 0.4 * short)).astype(np.float32)
        paint.luminance[at] = paint.luminance[at] * (1 - scalp) + np.float32(0.10) * cloth
        paint.redness[at] *= 1 - scalp
        paint.shine[at] *= 1 - scalp
    paint.luminance[at] += cover * (dark - paint.luminance[at])
    paint.redness[at] *= 1 - 0.6 * cover
    paint.shine[at] *= 1 - 0.7 * cover


def spread_over_triangles_at(seen: Seen, at: NDArray[np.int64], corner_values: Float32) -> Float32:
    """Interpolate corner values at some of the pixels only."""
    part = Seen(
        triangle=seen.triangle, pixels=seen.pixels[at], weights=seen.weights[at], depth_mm=seen.depth_mm[at]
    )
    return spread_over_triangles(part, corner_values)


def _dots(
    paint: Paint,
    performer: Performer,
    posed: PosedHead,
    seen: Seen,
    triangle: NDArray[np.int32],
    own: BoolArray,
) -> None:
    """Paint round black dots, round on the resting face."""
    if not performer.dots:
        return
    surface = head_surface()
    centres = posed.rest_mm[list(performer.dots)]
    middle = posed.rest_mm[surface.triangles].mean(axis=1)
    for centre in centres:
        near = (np.linalg.norm(middle - centre, axis=1) < performer.dot_radius_mm + 12.0) & (
            surface.part == 0
        )
        at = np.flatnonzero(own & near[triangle])
        if len(at) == 0:
            continue
        rest = spread_over_triangles_at(seen, at, posed.rest_mm[surface.triangles])
        away = np.linalg.norm(rest - centre.astype(np.float32), axis=1)
        share = _ramp(performer.dot_radius_mm - away, -0.12, 0.12).astype(np.float32)
        paint.luminance[at] += share * (np.float32(0.03) - paint.luminance[at])
        paint.redness[at] *= 1 - share


def _eyes(
    paint: Paint,
    seen: Seen,
    posed: PosedHead,
    triangle: NDArray[np.int32],
    own: BoolArray,
    rng: np.random.Generator,
) -> None:
    surface = head_surface()
    brown = float(rng.uniform(0.035, 0.16))
    spokes = rng.uniform(0, 2 * np.pi, 6)
    for side, eye in enumerate(posed.eyes):
        at = np.flatnonzero(own & (surface.part[triangle] == side + 1))
        if len(at) == 0:
            continue
        local = spread_over_triangles_at(seen, at, posed.vertices_mm[surface.triangles] - eye.centre_mm)
        axis = eye.axis.astype(np.float32)
        along = local @ axis
        right = np.cross(axis, [0.0, 1.0, 0.0]).astype(np.float32)
        right /= np.linalg.norm(right)
        x, y = local @ right, local @ np.cross(right, axis).astype(np.float32)
        radius = np.hypot(x, y)
        radius = np.where(along > 0, radius, 99.0)
        angle = np.arctan2(y, x)
        streaks = sum(
            np.sin((9 + 8 * k) * angle + spokes[k] + 0.5 * np.sin(2.1 * radius + k)) / (1 + 0.3 * k)
            for k in range(6)
        )
        iris = brown * (1 + 0.28 * streaks * _ramp(radius, 1.8, 3.0)) * (1 + 0.5 * _ramp(-radius, -3.6, -2.4))
        iris *= 1 - 0.6 * _ramp(radius, IRIS_MM / 2 - 1.1, IRIS_MM / 2 - 0.1)
        iris = iris * _ramp(radius, PUPIL_MM / 2 - 0.15, PUPIL_MM / 2 + 0.15) + 0.004
        veins = 1 - 0.22 * np.abs(np.sin(7 * angle + 1.3 * np.sin(0.9 * radius + spokes[1]))) ** 24
        white = 0.52 * veins * (1 - 0.28 * _ramp(radius, 9.0, 14.0))
        share = _ramp(radius, IRIS_MM / 2 - 0.16, IRIS_MM / 2 + 0.16)
        paint.luminance[at] = iris * (1 - share) + white * share
        paint.redness[at] = 0.12 * share + 0.4 * (1 - share)
        paint.slope[at] = 0.0
        paint.shine[at], paint.gloss[at] = 1.0, 1.0


def _mouth(paint: Paint, posed: PosedHead, seen: Seen, triangle: NDArray[np.int32]) -> None:
    """Teeth, tongue and the inside of the mouth: darker the farther they lie behind the lips."""
    surface = head_surface()
    at = np.flatnonzero(np.isin(paint.label, [_LABEL["teeth"], _LABEL["tongue"], _LABEL["mouth"]]))
    if len(at) == 0:
        return
    depth = spread_over_triangles_at(seen, at, posed.vertices_mm[surface.triangles][..., 2:])[:, 0]
    front = max(posed.points_mm["upper_lip_inner"][2], posed.points_mm["mouth_corner_left"][2] - 8.0)
    behind = np.maximum(depth - np.float32(front), 0)
    which = paint.label[at]
    base = np.where(which == _LABEL["teeth"], 0.55, np.where(which == _LABEL["tongue"], 0.16, 0.09))
    paint.luminance[at] = base * (
        0.85 + 0.15 * paint.luminance[at] / max(float(paint.luminance[at].mean()), 1e-6)
    )
    paint.sky[at] = np.exp(-behind / np.where(which == _LABEL["teeth"], 14.0, 9.0))
    paint.redness[at] = np.where(which == _LABEL["teeth"], 0.25, 1.6)
    paint.shine[at] = np.where(which == _LABEL["teeth"], 0.6, 0.4)
    paint.gloss[at] = 0.5


def vertex_normals(vertices_mm: FloatArray) -> FloatArray:
    """Outward unit normals (V', 3), weighted by the area of the triangles around each vertex."""
    surface = head_surface()
    a, b, c = (vertices_mm[surface.triangles[:, k]] for k in range(3))
    normal = _around() @ np.cross(b - a, c - a)
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12))


@lru_cache(maxsize=1)
def _around() -> csr_array:
    """Which triangles meet at each vertex: (V', T) of ones."""
    triangles = head_surface().triangles
    count = len(triangles)
    where = (triangles.ravel(), np.repeat(np.arange(count), 3))
    shape = (head_surface().refine.shape[0], count)
    return csr_array((np.ones(3 * count), where), shape=shape)
