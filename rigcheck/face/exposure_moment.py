"""The exposure of one face in one picture: what is blown, what drowns in noise, and how bright each place is."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_highlights import Highlights, highlights_of
from rigcheck.face.exposure_light import Ceiling, LightCurve, ceiling_of
from rigcheck.face.exposure_noise import PlaceNoise, place_noise
from rigcheck.face.exposure_sides import mirrored_ratio
from rigcheck.face.exposure_skin import EYES, OTHER, PLACES, SkinLayout, skin_layout
from rigcheck.model import Estimate, FaceLandmarks, Frame, FrameRef
from rigcheck.model._arrays import FloatArray
from rigcheck.opencv import cv2

__all__ = ["CHANNELS", "ExposureMoment", "PlaceLight", "exposure_moment", "grey_of", "skin_level"]

CHANNELS = ("red", "green", "blue")
_BT709 = np.array([[0.2126, 0.7152, 0.0722]], dtype=np.float32)
_MOST_BITS = 12
# Not asked for shadow: wet or hollow places, and the rim where face and ear or hair meet.
_NOT_NEEDED = ("the lips", "wing of the nose", "temple")
_HAIRY = ("the upper lip's skin", "the chin", "of the jaw")
_UNDER_HAIR = ("forehead", "temple", "upper lid", "between the brows")
# Middle part of a place's pixels that its brightness is taken from: highlights and pores fall outside.
_MIDDLE = (0.25, 0.75)
# The brightest share of the skin that exposure is set by; and how far below the ceiling its slope is read, stops.
_BRIGHTEST, _SLOPE_STOPS = 0.001, 0.25
_MOST_OVER = 3.0
# Dark places that are tried for noise, from the darkest on: in small pictures some are too small.
_DARK_TRIES = 4


@dataclass(frozen=True, kw_only=True)
class PlaceLight:
    """Brightness of one place: its median code value, its light (None without a curve), its pixels."""

    code: float
    light: float | None
    n: int


@dataclass(frozen=True, kw_only=True, eq=False)
class ExposureMoment:
    """What one picture says. `reason` says why not, when it says nothing.

    `skin_px` are the pixels of skin, `face_px` those with the brows, between whose hairs skin may blow; `crushed_px`
    are the pixels of skin at darkness, `unsure_px` by how many pixels the blown area changes as the ceiling moves by
    half the noise or by what coding spreads it. `darkest` names the darkest needed place and `noise` is its noise;
    `level` is the light of all skin, `top_light` that of the ceiling. `room_stops` is how much brighter the picture
    could be until a thousandth of the skin is blown: negative when more is blown already, extrapolated. `mirrored` is
    the left's light over the right's by cells across a straight middle line (`exposure_sides`). `channel_px` counts the
    face's clipped pixels of each colour channel, and those where some are clipped but not all; None for grey pictures.
    """

    ref: FrameRef
    size_px: tuple[int, int]
    reason: str = ""
    layout: SkinLayout | None = None
    skin_px: int = 0
    face_px: int = 0
    ceiling: Ceiling = field(default_factory=lambda: Ceiling(code=0, piled_up=False))
    highlights: Highlights = field(default_factory=Highlights)
    unsure_px: int = 0
    crushed_px: int = 0
    places: Mapping[str, PlaceLight] = field(default_factory=dict)
    darkest: str = ""
    noise: PlaceNoise | None = None
    level: float | None = None
    top_light: float = 1.0
    room_stops: Estimate | None = None
    mirrored: Estimate | None = None
    channel_px: tuple[int, int, int, int] | None = None


def exposure_moment(
    frame: Frame,
    face: FaceLandmarks,
    curve: LightCurve,
    *,
    facial_hair: bool = False,
    hair_over_brows: bool = False,
) -> ExposureMoment:
    """Measure the exposure of one face.

    Parameters
    ----------
    frame : Frame
        As recorded, at its full size and depth; RGB where the footage is coloured, since luma hides a clipped
        channel.
    face : FaceLandmarks
        Of this picture.
    curve : LightCurve
        Of this camera, for this bit depth.
    facial_hair, hair_over_brows : bool
        What is known of the performer: such places are not asked for shadow.

    Returns
    -------
    ExposureMoment

    Raises
    ------
    ValueError
        When frame, face and curve are of different size or depth.

    Notes
    -----
    Clipping is counted at full resolution. Brightness comes from each place's histogram: the mean of its middle half.
    Of coloured pictures brightness and noise are those of luma (ITU-R BT.709). More than 12 bits are read as 12.
    """
    _check_fit(frame, face, curve)
    layout = skin_layout(face)
    if isinstance(layout, str):
        return ExposureMoment(ref=frame.ref, size_px=frame.size_px, reason=layout)
    curve, crop = _at_most_12_bit(curve, frame.image[layout.crop])
    grey, places = grey_of(crop), layout.full()
    planes = _planes(crop, grey)
    # Where colour channels clip one by one, room above the skin is the brightest channel's.
    brightest = reduce(np.maximum, planes)
    counts = _counts(grey, places, 2**curve.bit_depth)
    clipped = _clipped(planes, places, counts, curve)
    found = highlights_of(clipped.mask, layout) if clipped.any else Highlights()
    skin = counts[1 : len(PLACES) + 1]
    lights = {
        name: _place_light(skin[number - 1], curve)
        for number, name in enumerate(PLACES, start=1)
        if skin[number - 1].sum() > 0
    }
    needed = _by_darkness(lights, facial_hair=facial_hair, hair_over_brows=hair_over_brows)
    darkest, noise = _shadow(grey, places, needed)
    whole = skin.sum(axis=0)
    tops = counts if brightest is grey else _counts(brightest, places, 2**curve.bit_depth)
    return ExposureMoment(
        ref=frame.ref,
        size_px=frame.size_px,
        layout=layout,
        skin_px=int(whole.sum()),
        face_px=int(counts[1 : OTHER + 1].sum()),
        ceiling=clipped.ceiling,
        highlights=found,
        unsure_px=_unsure(whole, clipped.ceiling, noise),
        crushed_px=_crushed(whole, curve, noise),
        places=lights,
        darkest=darkest,
        noise=noise,
        level=_place_light(whole, curve).light if whole.any() else None,
        top_light=1.0 if curve.light is None else float(curve.light[clipped.ceiling.code]),
        room_stops=_room(tops[1 : OTHER + 1].sum(axis=0), found.skin_px, curve, clipped.ceiling),
        mirrored=mirrored_ratio(grey, face, layout, curve, clipped.ceiling),
        channel_px=clipped.channel_px,
    )


def _check_fit(frame: Frame, face: FaceLandmarks, curve: LightCurve) -> None:
    if frame.size_px != face.image_size_px or frame.bit_depth != curve.bit_depth:
        raise ValueError(
            f"{frame.ref.label}: {frame.size_px} px of {frame.bit_depth} bit found, the face is of "
            f"{face.image_size_px} px, the curve of {curve.bit_depth} bit"
        )


def skin_level(frame: Frame, layout: SkinLayout, curve: LightCurve) -> float:
    """Mean light of the skin within a layout found on a picture nearby: quick, for the level over time.

    Returns
    -------
    float
        NaN when the curve is not known. The layout's coarse grid is sampled, one pixel of each coarse pixel.
    """
    if curve.light is None:
        return float("nan")
    sampled = frame.image[layout.crop][layout.step // 2 :: layout.step, layout.step // 2 :: layout.step]
    grey = grey_of(np.ascontiguousarray(sampled))
    height, width = grey.shape
    skin = layout.places[:height, :width]
    return float(curve.light[grey[(skin > 0) & (skin <= len(PLACES))]].mean())


@dataclass(frozen=True, kw_only=True, eq=False)
class _Clipped:
    mask: NDArray[np.uint8]
    ceiling: Ceiling
    channel_px: tuple[int, int, int, int] | None

    @property
    def any(self) -> bool:
        return bool(self.mask.any())


def grey_of(image: NDArray[Any]) -> NDArray[Any]:
    """Luma (ITU-R BT.709 weights) of an RGB picture; a grey picture as it is."""
    if image.ndim == 2:
        return np.ascontiguousarray(image)
    return np.asarray(cv2.transform(np.ascontiguousarray(image), _BT709), dtype=image.dtype).reshape(
        image.shape[:2]
    )


def _at_most_12_bit(curve: LightCurve, crop: NDArray[Any]) -> tuple[LightCurve, NDArray[Any]]:
    shift = curve.bit_depth - _MOST_BITS
    if shift <= 0:
        return curve, crop
    scale = 2.0**shift
    coarser = LightCurve(
        light=None if curve.light is None else curve.light[2 ** (shift - 1) :: 2**shift],
        bit_depth=_MOST_BITS,
        black=curve.black / scale,
        white=float(int(curve.white) >> shift),
        black_stated=curve.black_stated,
        unknown=curve.unknown,
        transfer=curve.transfer,
    )
    return coarser, (crop >> shift).astype(np.uint16)


def _counts(grey: NDArray[Any], places: NDArray[np.uint8], codes: int) -> FloatArray:
    """Pixels by place and code value, (places, codes)."""
    both = [places.astype(grey.dtype), grey]
    table = cv2.calcHist(both, [0, 1], None, [EYES + 1, codes], [0, EYES + 1, 0, codes])
    return np.asarray(table, dtype=np.float64)


def _planes(crop: NDArray[Any], grey: NDArray[Any]) -> list[NDArray[Any]]:
    """The colour channels one by one, or the grey picture alone."""
    if crop.ndim == 2:
        return [grey]
    return [np.asarray(each, dtype=crop.dtype) for each in cv2.split(np.ascontiguousarray(crop))]


def _clipped(
    planes: list[NDArray[Any]], places: NDArray[np.uint8], counts: FloatArray, curve: LightCurve
) -> _Clipped:
    """Pixels at the ceiling: of grey, or of any colour channel, each by its own ceiling."""
    if len(planes) == 1:
        ceiling = ceiling_of(counts.sum(axis=0), curve)
        return _Clipped(mask=_at_least(planes[0], ceiling), ceiling=ceiling, channel_px=None)
    masks, ceilings = [], []
    for each in planes:
        histogram = cv2.calcHist([each], [0], None, [counts.shape[1]], [0, counts.shape[1]])
        ceilings.append(ceiling_of(np.asarray(histogram, dtype=np.float64).ravel(), curve))
        masks.append(_at_least(each, ceilings[-1]))
    face = ((places > 0) & (places <= OTHER)).view(np.uint8) * np.uint8(255)
    some = masks[0] | masks[1] | masks[2]
    every = masks[0] & masks[1] & masks[2]
    numbers = [int(cv2.countNonZero(mask & face)) for mask in (*masks, some & ~every)]
    return _Clipped(
        mask=some,
        ceiling=min(ceilings, key=lambda each: each.code),
        channel_px=(numbers[0], numbers[1], numbers[2], numbers[3]),
    )


def _at_least(image: NDArray[Any], ceiling: Ceiling) -> NDArray[np.uint8]:
    return np.asarray((image >= ceiling.code).view(np.uint8) * np.uint8(255))


def _place_light(counts: FloatArray, curve: LightCurve) -> PlaceLight:
    """Median code value, and the mean light of the middle half of the pixels."""
    total = float(counts.sum())
    below = np.cumsum(counts) - counts
    low, high = (share * total for share in _MIDDLE)
    middle = np.clip(np.minimum(below + counts, high) - np.maximum(below, low), 0.0, None)
    code = int(np.searchsorted(below + counts, 0.5 * total))
    inside = 0.5 if counts[code] == 0 else (0.5 * total - below[code]) / counts[code]
    light = None if curve.light is None else float(middle @ curve.light / middle.sum())
    return PlaceLight(code=code - 0.5 + float(inside), light=light, n=int(total))


def _by_darkness(lights: Mapping[str, PlaceLight], *, facial_hair: bool, hair_over_brows: bool) -> list[str]:
    """Places asked for shadow, the darkest first; slivers of places are left out."""
    left_out = (*_NOT_NEEDED, *(_HAIRY if facial_hair else ()), *(_UNDER_HAIR if hair_over_brows else ()))
    largest = max((each.n for each in lights.values()), default=0)
    needed = [
        name
        for name, each in lights.items()
        if not any(word in name for word in left_out) and each.n > 0.05 * largest
    ]
    return sorted(needed, key=lambda name: lights[name].code)


def _shadow(
    grey: NDArray[Any], places: NDArray[np.uint8], by_darkness: list[str]
) -> tuple[str, PlaceNoise | None]:
    """The darkest place that is large enough for its noise to be told, and that noise."""
    for name in by_darkness[:_DARK_TRIES]:
        noise = _noise_at(grey, places, list(PLACES).index(name) + 1)
        if noise is not None:
            return name, noise
    return (by_darkness[0] if by_darkness else ""), None


def _noise_at(grey: NDArray[Any], places: NDArray[np.uint8], number: int) -> PlaceNoise | None:
    mask = (places == number).view(np.uint8)
    x, y, width, height = cv2.boundingRect(mask)
    part = slice(y, y + height), slice(x, x + width)
    return place_noise(grey[part].astype(np.float64), mask[part] > 0)


def _crushed(whole: FloatArray, curve: LightCurve, noise: PlaceNoise | None) -> int:
    """Pixels within two deviations of the noise above darkness."""
    reach = 2.0 * (noise.code_sd if noise is not None else 1.0)
    return int(whole[: int(np.floor(curve.black + reach)) + 1].sum())


def _unsure(whole: FloatArray, ceiling: Ceiling, noise: PlaceNoise | None) -> int:
    """Pixels that join the clipped ones when the ceiling is lower by half the noise, or by what coding spreads it."""
    reach = max(round(0.5 * (noise.code_sd if noise is not None else 1.0)), ceiling.spread + 1)
    return int(whole[max(ceiling.code - reach, 0) : ceiling.code].sum())


def _room(whole: FloatArray, blown_px: int, curve: LightCurve, ceiling: Ceiling) -> Estimate | None:
    """Stops until the brightest share of the skin meets the ceiling; negative where it is past it.

    Past the ceiling the area blown is extrapolated by how it grows over the quarter stop below: evenly, as the cap of a
    smooth highlight does, and by an even factor, as a long tail does. The truth lies between; the middle is given.
    """
    if curve.light is None or not whole.any():
        return None
    total, light = float(whole.sum()), curve.light
    top = float(light[min(ceiling.code, len(light) - 1)])
    share = blown_px / total
    above = np.cumsum(whole[::-1])[::-1] / total
    if share <= _BRIGHTEST:
        code = int(np.flatnonzero(above >= _BRIGHTEST)[-1])
        at = min(float(light[code]), top)
        if at <= 0:
            return None
        step = float(np.log2(max(float(light[min(code + 1, len(light) - 1)]), at) / at))
        return Estimate(value=float(np.log2(top / at)), sigma=max(step, 0.02), unit="stops", n=int(total))
    # Blown areas count whole highlights, the mouth's part of the lips' too, which the histogram lacks.
    lacking = max(share - float(above[min(ceiling.code, len(above) - 1)]), 0.0)
    lower = float(above[int(np.searchsorted(light, top * 2.0**-_SLOPE_STOPS))]) + lacking
    lower = max(lower, share * 1.0001)
    even = _SLOPE_STOPS * (share - _BRIGHTEST) / max(lower - share, 1e-6)
    by_factor = _SLOPE_STOPS * float(np.log(share / _BRIGHTEST) / max(np.log(lower / share), 1e-6))
    even, by_factor = (min(each, _MOST_OVER) for each in (even, by_factor))
    return Estimate(
        value=-(even + by_factor) / 2.0,
        sigma=max(abs(by_factor - even) / 4.0, 0.03),
        unit="stops",
        n=int(total),
    )
