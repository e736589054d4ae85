"""Stills of the frames picked: lossless, as recorded and upright, and a sheet of them all."""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.errors import OutputError
from rigcheck.footage import Clip
from rigcheck.geometry.upright import upright_picture
from rigcheck.model import Frame
from rigcheck.model._arrays import ImageArray
from rigcheck.model.picking import Pick
from rigcheck.opencv import cv2
from rigcheck.report.picks_page import ShownPick

__all__ = ["SmallPictures", "Still", "contact_sheet", "fetch_stills"]

_SHOWN_PX = 360  # longer side of the pictures on page and sheet
# Linear code values look too dark: a power of 1/2.2, near enough to the curves of screens.
_FOR_THE_EYE = np.rint(255.0 * (np.arange(256) / 255.0) ** (1.0 / 2.2)).astype(np.uint8)
_LABEL_PX, _GAP_PX = 22, 10


@dataclass(frozen=True, kw_only=True, eq=False)
class Still:
    """One file: its name beside picks.json, and its content."""

    name: str
    content: bytes


class SmallPictures:
    """Small upright pictures of every moment read, to show those picked without fetching them again.

    Parameters
    ----------
    turns : mapping
        Camera to the clockwise turn that makes its pictures upright, degrees.
    linear : collection of str
        Cameras whose pictures are coded for the eye.
    """

    def __init__(self, turns: Mapping[str, int], *, linear: Collection[str] = ()) -> None:
        self._turns = turns
        self._linear = linear
        self._by_frame: dict[tuple[str, int], NDArray[np.uint8]] = {}

    def keep(self, frames: Sequence[Frame]) -> None:
        """Keep those of one moment."""
        for frame in frames:
            camera = frame.ref.camera
            picture = upright_picture(_small(frame.grey8()), self._turns[camera])
            shown = _FOR_THE_EYE[picture] if camera in self._linear else picture
            self._by_frame[camera, frame.ref.frame_idx] = shown

    def shown(self, ranked: Sequence[tuple[int, Pick, bool]]) -> tuple[ShownPick, ...]:
        """Pictures of picks and alternates, given as (rank, pick, whether it is an alternate)."""
        return tuple(
            ShownPick(
                rank=rank,
                alternate=alternate,
                pick=pick,
                pictures={ref.camera: self._by_frame[ref.camera, ref.frame_idx] for ref in pick.reading.refs},
            )
            for rank, pick, alternate in ranked
        )


def fetch_stills(
    ranked: Sequence[tuple[int, Pick]], clips: Sequence[Clip], turns: Mapping[str, int]
) -> dict[tuple[str, int], tuple[Still, ...]]:
    """Fetch the pictures of picks again, each once, and encode them, as recorded and upright.

    Parameters
    ----------
    ranked : sequence of (rank, pick)
    clips : sequence of Clip
    turns : mapping
        See `SmallPictures`.

    Returns
    -------
    dict of (pose, rank) to Still
        PNG: 8 bit where the footage has 8, else 16 with the code values moved up to full scale (nothing is lost); in
        colour where the footage is.
    """
    stills: dict[tuple[str, int], tuple[Still, ...]] = {}
    for k, clip in enumerate(clips):
        wanted = sorted({pick.reading.refs[k].frame_idx for _, pick in ranked})
        for frame in clip.frames_at(wanted, colour=clip.info.colour):
            for rank, pick in ranked:
                if pick.reading.refs[k].frame_idx == frame.ref.frame_idx:
                    own = _stills(_name(rank, pick, frame), frame, turns[clip.info.camera])
                    stills[pick.pose, rank] = (*stills.get((pick.pose, rank), ()), *own)
    return stills


def _stills(name: str, frame: Frame, turn_deg: int) -> tuple[Still, Still]:
    full = _full_scale(frame)
    recorded = _png(full, frame)
    upright = recorded if turn_deg == 0 else _png(upright_picture(full, turn_deg), frame)
    return (
        Still(name=f"stills/{name}_recorded.png", content=recorded),
        Still(name=f"stills/{name}_upright.png", content=upright),
    )


def contact_sheet(shown: Sequence[ShownPick]) -> bytes:
    """One PNG of all picks and alternates: a row each, a column a camera, named by pose, rank and frame."""
    rows = []
    for one in shown:
        label = f"{one.pose} {'alternate ' if one.alternate else ''}{one.rank}  frame {one.pick.frame_idx}"
        cells = [_labelled(picture, f"{label}") for picture in one.pictures.values()]
        height = max(cell.shape[0] for cell in cells)
        padded = [
            np.pad(cell, ((0, height - cell.shape[0]), (0, _GAP_PX)), constant_values=255) for cell in cells
        ]
        rows.append(np.concatenate(padded, axis=1))
    width = max(row.shape[1] for row in rows)
    sheet = np.concatenate(
        [np.pad(row, ((0, _GAP_PX), (0, width - row.shape[1])), constant_values=255) for row in rows]
    )
    return _encoded(sheet)


def _labelled(picture: NDArray[np.uint8], label: str) -> NDArray[np.uint8]:
    strip = np.full((_LABEL_PX, max(picture.shape[1], 200)), 255, dtype=np.uint8)
    cv2.putText(strip, label, (2, 15), cv2.FONT_HERSHEY_SIMPLEX, 0.42, 40, 1, cv2.LINE_AA)
    wide = np.pad(picture, ((0, 0), (0, strip.shape[1] - picture.shape[1])), constant_values=255)
    return np.concatenate([strip, wide])


def _name(rank: int, pick: Pick, frame: Frame) -> str:
    ref = frame.ref
    parts = [
        f"{pick.pose}-{rank}",
        ref.camera,
        f"{ref.frame_idx:06d}",
        *([ref.timecode] if ref.timecode else []),
    ]
    return "_".join(re.sub(r"[^\w-]+", "-", part).strip("-") for part in parts)


def _full_scale(frame: Frame) -> ImageArray:
    image = frame.image
    if image.dtype == np.uint8:
        return image
    return np.asarray(image << (16 - frame.bit_depth), dtype=np.uint16)


def _png(image: ImageArray, frame: Frame) -> bytes:
    return _encoded(image[..., ::-1] if image.ndim == 3 else image)


def _encoded(image: ImageArray) -> bytes:
    done, encoded = cv2.imencode(".png", np.ascontiguousarray(image))
    if not done:
        raise OutputError(
            "A still cannot be encoded as PNG.", hint="report this with the footage's size and format."
        )
    return np.asarray(encoded).tobytes()


def _small(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    scale = min(_SHOWN_PX / max(picture.shape), 1.0)
    size = (max(round(picture.shape[1] * scale), 1), max(round(picture.shape[0] * scale), 1))
    return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
