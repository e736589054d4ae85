"""Clipped pixels of a face joined into highlights: on the skin, in the eyes, on the teeth."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.face.exposure_skin import EYES, MOUTH, OTHER, PLACES, SkinLayout
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2

__all__ = ["Highlight", "Highlights", "highlights_of", "outlines_px"]

_NAMES = (*PLACES, "the brows", "the mouth", "the eyes")
# Clipped pixels closer than this share of the outer-eye distance are one highlight.
_JOINED = 0.03
_LEAST_PX = 4
# Less than this share of an area on the skin is spilled there from a catch-light or a tooth.
_SPILLED = 0.2
_LIPS = list(PLACES).index("the lips") + 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Highlight:
    """One blown area of the skin.

    `place` is where most of it lies, `area_px` its pixels; `mask` (h, w) are the coarse pixels of skin that it touches,
    from column and row `corner` on.
    """

    place: str
    area_px: int
    mask: BoolArray
    corner: tuple[int, int]

    def outlines_px(self, layout: SkinLayout) -> FloatArray:
        """Its outlines as `outlines_px` gives them."""
        return outlines_px(self.mask, layout, corner=self.corner)


@dataclass(frozen=True, kw_only=True, eq=False)
class Highlights:
    """What is clipped within a face.

    `on_skin` from the largest down. `skin_px` counts their pixels on skin; `eye_count` and `mouth_count` are
    clipped areas in the eyes (catch-lights) and on teeth and tongue.
    """

    on_skin: tuple[Highlight, ...] = ()
    skin_px: int = 0
    eye_count: int = 0
    mouth_count: int = 0


def highlights_of(clipped: NDArray[np.uint8], layout: SkinLayout) -> Highlights:
    """Join the clipped pixels of a face's crop into highlights.

    Parameters
    ----------
    clipped : (y1 - y0, x1 - x0) uint8, 255 where a pixel is at the ceiling, else 0
    layout : SkinLayout

    Notes
    -----
    An area that lies in the eyes or the mouth but for a fifth is a catch-light or a tooth as a whole, where it spills
    over a lid or a lip too; one that runs on from the lips into the mouth is the lips' as a whole, since the mesh often
    parts lips that are sealed. Between the hairs of the brows it is skin that blows. Outside the face nothing counts.
    Pixels are counted as they are: where the light is just below the ceiling noise clips some and spares others, and
    pores make a highlight's edge ragged for true.
    """
    share = _coarse_share(clipped, layout)
    share[layout.places == 0] = 0.0
    lit = share > 0.0
    places = _lips_whole(lit, layout.places)
    labels, boxes = _joined(lit, layout)
    count = len(boxes)
    wide = len(_NAMES) + 1
    where = labels[lit] * wide + places[lit]
    pixels = np.bincount(where, weights=share[lit] * layout.step**2, minlength=count * wide)
    on_skin, eyes, mouth = [], 0, 0
    for label, area in enumerate(pixels.reshape(count, wide)[1:, 1:], start=1):
        skin = area[:OTHER]
        if area.sum() < _LEAST_PX - 0.5:
            continue
        eyes += int(area[EYES - 1] >= _LEAST_PX - 0.5)
        mouth += int(area[MOUTH - 1] >= _LEAST_PX - 0.5)
        if skin.sum() >= max(_LEAST_PX - 0.5, _SPILLED * area.sum()):
            x, y, width, height = (int(n) for n in boxes[label, :4])
            part = slice(y, y + height), slice(x, x + width)
            on_skin.append(
                Highlight(
                    place=_NAMES[int(np.argmax(skin))],
                    area_px=round(float(skin.sum())),
                    mask=(labels[part] == label) & lit[part] & (places[part] <= OTHER),
                    corner=(x, y),
                )
            )
    on_skin.sort(key=lambda each: -each.area_px)
    return Highlights(
        on_skin=tuple(on_skin),
        skin_px=sum(each.area_px for each in on_skin),
        eye_count=eyes,
        mouth_count=mouth,
    )


def outlines_px(mask: BoolArray, layout: SkinLayout, *, corner: tuple[int, int] = (0, 0)) -> FloatArray:
    """Outlines of a coarse mask (h, w) in pixels as recorded, (N, 2); rows of NaN part one outline from the next.

    `corner` is the column and row of the layout at which the mask begins.
    """
    padded = np.pad(mask.astype(np.uint8), 1)
    grown = cv2.resize(padded, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    outlines, _ = cv2.findContours(grown, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    parts = []
    for outline in outlines:
        # Grown twice: the middle of grown pixel g lies at (g + 0.5) / 2 - 0.5, less the padding.
        at = (outline.reshape(-1, 2).astype(np.float64) + 0.5) / 2.0 - 1.0 + corner
        parts += [at * layout.step - 0.5 + (layout.x0, layout.y0), np.full((1, 2), np.nan)]
    return np.concatenate(parts[:-1]) if parts else np.zeros((0, 2))


def _coarse_share(clipped: NDArray[np.uint8], layout: SkinLayout) -> NDArray[np.float32]:
    """Share of each coarse pixel that is clipped."""
    height, width = layout.places.shape
    below, beside = height * layout.step - clipped.shape[0], width * layout.step - clipped.shape[1]
    whole = cv2.copyMakeBorder(clipped, 0, below, 0, beside, cv2.BORDER_CONSTANT, value=0)
    mean = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    # Averaged in whole numbers, which is quick; the count behind each is got back by rounding, exactly up to 11 px.
    area = layout.step**2
    return np.asarray(np.rint(np.asarray(mean, dtype=np.float32) * (area / 255.0)) / area, dtype=np.float32)


def _lips_whole(lit: BoolArray, places: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Places, with what is clipped of the mouth given to the lips where it runs on from theirs."""
    if not (lit & (places == MOUTH)).any():
        return places
    either = lit & ((places == MOUTH) | (places == _LIPS))
    count, labels = cv2.connectedComponents(either.astype(np.uint8))
    of_lips = np.bincount(labels[either & (places == _LIPS)], minlength=count)
    whole = np.bincount(labels[either], minlength=count)
    return np.where(either & (of_lips >= _SPILLED * whole)[labels], np.uint8(_LIPS), places)


def _joined(lit: BoolArray, layout: SkinLayout) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Number of each coarse pixel's highlight (h, w), and the boxes (x, y, width, height, …) of all; 0 is none."""
    radius = max(round(_JOINED * layout.eyes_px / layout.step / 2.0), 1)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    wide = cv2.dilate(lit.astype(np.uint8), np.asarray(disc, dtype=np.uint8))
    _, labels, boxes, _ = cv2.connectedComponentsWithStats(wide)
    return np.asarray(labels, dtype=np.int32), np.asarray(boxes, dtype=np.int32)
