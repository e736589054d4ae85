"""Lamps on the rig, the shadow of the helmet's brim, and the light that skin sends back."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_material import Paint
from rigcheck.model._arrays import IntArray
from rigcheck.opencv import cv2

__all__ = ["Brim", "FaceLight", "Lamp", "Lit", "lit_surface", "usual_lamps"]

Float32 = NDArray[np.float32]

_MEASURED_AT_MM = 200.0
_SKIN_F0 = np.float32(0.028)  # reflection of skin head-on (refractive index about 1.4)
_WRAP = np.float32(0.12)  # light under the skin carries it a little past the terminator
# (exponent of the half-way cosine, share): a broad lobe of rough skin and a narrow one of its oil
_BROAD, _NARROW, _WET = (20.0, 0.7), (90.0, 0.22), (2600.0, 0.5)


@dataclass(frozen=True, kw_only=True)
class Lamp:
    """One lamp fixed to the rig.

    Parameters
    ----------
    at_mm : (x, y, z), mm, rig frame
    strength : float
        Light it gives on a white matt surface that faces it from 200 mm, as a share of the sensor's full scale
        at exposure 0.
    size_mm : float
        Width; a wider lamp makes softer highlights and shadows.
    """

    at_mm: tuple[float, float, float]
    strength: float = 0.8
    size_mm: float = 20.0


@dataclass(frozen=True, kw_only=True)
class Brim:
    """Straight front edge of the helmet's brim, across the rig's x: shades what lies below and behind it.

    `y_mm`, `z_mm` rig frame; y is down, so a brim above the face has a negative y.
    """

    y_mm: float = -85.0
    z_mm: float = 150.0


@dataclass(frozen=True, kw_only=True)
class FaceLight:
    """All the light there is: lamps, even room light (share of full scale on white), a brim or none.

    `factor` multiplies the lamps, not the room: flicker, or a lamp dimmed.
    """

    lamps: tuple[Lamp, ...]
    room: float = 0.05
    brim: Brim | None = None
    factor: float = 1.0


def usual_lamps(
    strength: float = 2.0, *, lopsided_stops: float = 0.0, left_stops: float = 0.0, right_stops: float = 0.0
) -> FaceLight:
    """Four diffuse lamps about the cameras.

    Parameters
    ----------
    strength : float
        Of all four together, on a white surface.
    lopsided_stops : float
        By how much those on the performer's left are brighter than those on the right, log2 of the ratio.
    left_stops, right_stops : float
        Added to the lamps on that side of the performer: +2 on one of them overblows that side.
    """
    lamps = []
    for x, stops in (
        (-62.0, -0.5 * lopsided_stops + right_stops),
        (62.0, 0.5 * lopsided_stops + left_stops),
    ):
        lamps += [
            Lamp(at_mm=(x, y, 4.0), strength=strength / 4 * 2**stops, size_mm=24.0) for y in (-52.0, 46.0)
        ]
    return FaceLight(lamps=tuple(lamps))


@dataclass(frozen=True, kw_only=True, eq=False)
class Lit:
    """Light at m places, (m,) float32, full scale 1.

    `light` goes to the camera; `highlight` is the part of it that mirrors the lamps, in their colour; `fallen` is
    what a white matt surface there would send.
    """

    light: Float32
    highlight: Float32
    fallen: Float32


def lit_surface(
    points_mm: Float32, normals: Float32, to_eye: Float32, *, paint: Paint, light: FaceLight
) -> Lit:
    """Light a surface.

    Parameters
    ----------
    points_mm, normals, to_eye : (3, m) float32, rig frame
        Normals (with the relief) and directions to the camera are unit vectors.
    paint : Paint
    light : FaceLight

    Notes
    -----
    Lambert's cosine, wrapped a little past the terminator as light scattered in skin is; inverse square of the
    distance; highlight by Blinn's half-way cosine with two exponents, normalised (n + 8) / 8, and Schlick's
    Fresnel term. A lamp's width lowers the exponents so that the highlight widens by the lamp's angle. A hollow
    is darker by the share of open sky it sees.

    References
    ----------
    Blinn, SIGGRAPH 1977; Schlick, Computer Graphics Forum 13(3), 1994.
    """
    room = np.float32(light.room) * paint.sky
    matt, bright = room.copy(), np.float32(0.5 * _SKIN_F0) * room * paint.shine
    shade = np.float32(0.35) + np.float32(0.65) * paint.sky  # lamps are wide and close: a crease hides a part
    wet = np.flatnonzero(paint.gloss > 0)
    to_eye_cosine = _dot(to_eye, normals)
    for lamp in light.lamps:
        away = np.array(lamp.at_mm, dtype=np.float32)[:, None] - points_mm
        nearness = 1 / np.sqrt(_dot(away, away))
        cosine, between = _dot(away, normals), _dot(away, to_eye)
        cosine *= nearness
        between *= nearness  # cosine of the angle between the ways to the lamp and to the camera
        strength = np.float32(lamp.strength * light.factor * _MEASURED_AT_MM**2) * nearness * nearness
        strength *= shade
        if light.brim is not None:
            strength *= _past_brim(points_mm, lamp, light.brim)
        matt += strength * np.maximum((cosine + _WRAP) * np.float32(1 / (1 + _WRAP)), 0)
        # The half-way direction is the sum of both ways; half its length is its cosine to either.
        half = np.sqrt(np.maximum(np.float32(0.5) + np.float32(0.5) * between, np.float32(1e-6)))
        facing = np.clip((cosine + to_eye_cosine) / (half + half), np.float32(1e-6), 1)
        graze = 1 - half
        squared = graze * graze
        strength *= (_SKIN_F0 + (1 - _SKIN_F0) * squared * squared * graze) * np.maximum(cosine, 0)
        bright += strength * _highlight(facing, paint, wet, lamp.size_mm / _MEASURED_AT_MM)
    return Lit(light=matt * paint.luminance + bright, highlight=bright, fallen=matt)


def _dot(first: Float32, second: Float32) -> Float32:
    return np.asarray(first[0] * second[0] + first[1] * second[1] + first[2] * second[2], dtype=np.float32)


def _highlight(facing: Float32, paint: Paint, wet: IntArray, width: float) -> Float32:
    """Strength of the highlight for a half-way cosine: skin's two lobes, a narrow one where it is wet."""
    fall = np.asarray(cv2.log(facing), dtype=np.float32).reshape(-1)
    skin = (_lobe(fall, *_BROAD, width) + _lobe(fall, *_NARROW, width)) * paint.shine
    if len(wet):
        gloss = paint.gloss[wet]
        skin[wet] += gloss * (_lobe(fall[wet], *_WET, width) - skin[wet])
    return skin


def _lobe(log_facing: Float32, exponent: float, share: float, width: float) -> Float32:
    """Normalised highlight; `width` of the lamp in radians: variances of lobe (1 / n) and lamp (w² / 48) add."""
    wide = 1.0 / (1.0 / exponent + width * width / 48.0)
    bell = cv2.exp(np.float32(wide) * log_facing).reshape(-1)
    return np.asarray(np.float32(share * (wide + 8.0) / 8.0) * bell, dtype=np.float32)


def _past_brim(points_mm: Float32, lamp: Lamp, brim: Brim) -> Float32:
    """Share of a lamp that is seen from each point past the brim's edge, 0–1; all of it for a lamp below."""
    _, y, z = lamp.at_mm
    if y >= brim.y_mm:
        return np.ones(points_mm.shape[1], dtype=np.float32)
    fall = np.maximum(points_mm[1] - np.float32(y), np.float32(1e-3))
    share = np.minimum(
        (brim.y_mm - y) / fall, 1.0
    )  # of the way from the lamp at which the brim's height is met
    met = z + share * (points_mm[2] - z)
    penumbra = np.maximum(lamp.size_mm * (1 - share) / np.maximum(share, 1e-3), 0.5)
    seen = np.clip((brim.z_mm - met) / penumbra + 0.5, 0, 1)
    return np.where(points_mm[1] <= brim.y_mm, 1.0, seen).astype(np.float32)
