"""Lamps on the rig, the shadow of the helmet's brim, and the light that skin sends back."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.head_paint import Paint
from rigcheck.model._arrays import FloatArray

__all__ = ["Brim", "FaceLight", "Lamp", "lit_surface", "usual_lamps"]

Float32 = NDArray[np.float32]

_MEASURED_AT_MM = 200.0
_SKIN_F0 = np.float32(0.028)  # reflection of skin head-on (refractive index about 1.4)
_WRAP = np.float32(0.12)  # light under the skin carries it a little past the terminator
# (exponent of the half-way cosine, share): a broad lobe of rough skin and a narrow one of its oil
_BROAD, _NARROW, _WET = (22.0, 0.75), (110.0, 0.35), (2600.0, 0.5)


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


def usual_lamps(strength: float = 2.0, *, lopsided_stops: float = 0.0) -> FaceLight:
    """Four diffuse lamps about the cameras.

    Parameters
    ----------
    strength : float
        Of all four together, on a white surface.
    lopsided_stops : float
        By how much those on the performer's left are brighter than those on the right, log2 of the ratio.
    """
    lamps = []
    for x, share in ((-62.0, -0.5), (62.0, 0.5)):
        lamps += [
            Lamp(at_mm=(x, y, 4.0), strength=strength / 4 * 2 ** (share * lopsided_stops), size_mm=24.0)
            for y in (-52.0, 46.0)
        ]
    return FaceLight(lamps=tuple(lamps))


def lit_surface(
    points_mm: Float32, normals: Float32, viewer_mm: FloatArray, paint: Paint, light: FaceLight
) -> tuple[Float32, Float32]:
    """Light sent to the camera: matt part per unit of reflectance, and highlight, (M,) each, full scale 1.

    Parameters
    ----------
    points_mm, normals : (M, 3) float32, rig frame
        The normals carry the relief already.
    viewer_mm : (3,)
        Camera's centre, rig frame.
    paint : Paint
    light : FaceLight

    Notes
    -----
    Lambert's cosine, wrapped a little past the terminator as light scattered in skin is; inverse square of the
    distance; highlight by Blinn's half-way cosine with two exponents, normalised (n + 8) / 8, and Schlick's
    Fresnel term. A lamp's width lowers the exponents so that the highlight widens by the lamp's angle.

    References
    ----------
    Blinn, SIGGRAPH 1977; Schlick, Computer Graphics Forum 13(3), 1994.
    """
    to_eye = viewer_mm.astype(np.float32) - points_mm
    to_eye /= np.sqrt(np.einsum("mc,mc->m", to_eye, to_eye))[:, None]
    matt = np.float32(light.room) * paint.sky
    bright = np.float32(0.5 * light.room) * _SKIN_F0 * paint.sky * paint.shine
    shade = 0.35 + 0.65 * paint.sky  # lamps are wide and close: a crease hides part of them
    wet = np.flatnonzero(paint.gloss > 0)
    for lamp in light.lamps:
        away = np.array(lamp.at_mm, dtype=np.float32) - points_mm
        square = np.einsum("mc,mc->m", away, away)
        distance = np.sqrt(square)
        away /= distance[:, None]
        cosine = np.einsum("mc,mc->m", away, normals)
        strength = np.float32(lamp.strength * light.factor * _MEASURED_AT_MM**2) / square
        if light.brim is not None:
            strength *= _past_brim(points_mm, lamp, light.brim)
        strength *= shade
        matt += strength * np.maximum((cosine + _WRAP) / (1 + _WRAP), 0)
        half = away + to_eye
        half /= np.sqrt(np.einsum("mc,mc->m", half, half))[:, None]
        facing = np.maximum(np.einsum("mc,mc->m", half, normals), 0)
        fresnel = _SKIN_F0 + (1 - _SKIN_F0) * (1 - np.einsum("mc,mc->m", half, to_eye)) ** 5
        strength *= fresnel * np.maximum(cosine, 0)
        width = lamp.size_mm / float(np.median(distance))
        lobe = _lobe(facing, *_BROAD, width) + _lobe(facing, *_NARROW, width)
        glow = strength * paint.shine * lobe
        if len(wet):
            wet_lobe = _lobe(facing[wet], *_WET, width)
            gloss = paint.gloss[wet]
            glow[wet] = strength[wet] * (gloss * wet_lobe + (1 - gloss) * paint.shine[wet] * lobe[wet])
        bright += glow
    return matt, bright


def _lobe(facing: Float32, exponent: float, share: float, width: float) -> Float32:
    """Normalised highlight; `width` of the lamp in radians: variances of lobe (1 / n) and lamp (w² / 48) add."""
    wide = 1.0 / (1.0 / exponent + width * width / 48.0)
    # cos^n without a power: exp(n ln cos)
    with np.errstate(divide="ignore"):
        shape = np.exp(np.float32(wide) * np.log(facing))
    return np.asarray(np.float32(share * (wide + 8.0) / 8.0) * shape, dtype=np.float32)


def _past_brim(points_mm: Float32, lamp: Lamp, brim: Brim) -> Float32:
    """Share of a lamp that is seen from each point past the brim's edge, 0–1; all of it for a lamp below."""
    _, y, z = lamp.at_mm
    if y >= brim.y_mm:
        return np.ones(len(points_mm), dtype=np.float32)
    fall = np.maximum(points_mm[:, 1] - y, 1e-3)
    share = np.minimum(
        (brim.y_mm - y) / fall, 1.0
    )  # of the way from the lamp at which the brim's height is met
    met = z + share * (points_mm[:, 2] - z)
    penumbra = np.maximum(lamp.size_mm * (1 - share) / np.maximum(share, 1e-3), 0.5)
    seen = np.clip((brim.z_mm - met) / penumbra + 0.5, 0, 1)
    return np.where(points_mm[:, 1] <= brim.y_mm, 1.0, seen).astype(np.float32)
