"""Which moments of a take are looked at: key pictures spread over it, of each few the first, or one clearly sharper.

With each goes a run of the pictures after it, at half size: from them the time between the cameras is measured.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.spread import evenly
from rigcheck.jobs.glancing import glance_positions
from rigcheck.jobs.opened import OpenedFootage
from rigcheck.landmarks.boardlike import looks_like_board
from rigcheck.model import BoardSpec, Frame, ImageArray
from rigcheck.opencv import cv2, shrunk

# Moments measured in a take, among how many that are decoded, and pictures in a row from each.
MOMENTS, LOOKED, RUN = 5, 12, 3
# The first of them is taken unless another has so much more detail: the pictures behind that are decoded anew.
_CLEARLY = 1.15
# A picture darker than this in its brighter half is not worth a look, of 255.
_DARK = 12.0
_SMALL_PX = 480
_FEWEST_CORNERS = 6

__all__ = ["LOOKED", "MOMENTS", "RUN", "Moment", "Picture", "Samples", "half_size", "sample_take"]

Moment = tuple[Frame, ...]
Picture = NDArray[np.uint8]


@dataclass(frozen=True, kw_only=True, eq=False)
class Samples:
    """Moments chosen, in order.

    `looked` counts the moments decoded, `repeated` those whose pictures are exact copies of the ones before, by camera;
    `boards` are how many show a board, and `positions` where the chosen ones lie. `runs` are by moment the pictures in
    a row from it, at half size, one of each camera; empty where the take ends before, and with one camera.
    """

    moments: tuple[Moment, ...]
    positions: tuple[int, ...]
    looked: int
    repeated: dict[str, int] = field(default_factory=dict)
    boards: int = 0
    runs: tuple[tuple[tuple[Picture, ...], ...], ...] = ()


@dataclass(kw_only=True, eq=False)
class _Best:
    """The best moment of a group so far, its pictures at half size, and those behind it, by their positions."""

    group: int
    worth: float
    place: int
    moment: Moment
    halves: tuple[Picture, ...]
    behind: dict[int, tuple[Picture, ...]] = field(default_factory=dict)


def sample_take(footage: OpenedFootage, board: BoardSpec | None) -> Samples:
    """Decode moments spread over a take, and keep of each group the first, or a clearly better one.

    Parameters
    ----------
    footage : OpenedFootage
    board : BoardSpec or None
        The board that the calibration was made with; None to look for none.

    Raises
    ------
    InputError
        When a picture cannot be decoded.

    Notes
    -----
    Key pictures are taken where there are enough: a picture between them costs a whole group of pictures. At most five
    moments are held. A board is looked for by both cameras in turn, in pictures that, made small, show many dark
    squares of like size.
    """
    places = evenly(glance_positions(footage), LOOKED)
    groups = np.array_split(np.arange(len(places)), min(MOMENTS, len(places)))
    group_of = {places[int(k)]: number for number, group in enumerate(groups) for k in group}
    best: dict[int, _Best] = {}
    repeated = {clip.info.camera: 0 for clip in footage.clips}
    before: Moment = ()
    boards = looked = 0
    last: _Best | None = None
    firsts = [places[int(group[0])] for group in groups]
    for place, moment in _moments(footage, sorted({*places, *_hanging_on(footage, firsts)})):
        if place not in group_of:
            if last is not None and best[last.group] is last:
                last.behind[place] = tuple(half_size(frame.grey8()) for frame in moment)
            continue
        for now, then in zip(moment, before, strict=False):
            repeated[now.ref.camera] += _copied(now.image, then.image)
        before = moment
        greys = [frame.grey8() for frame in moment]
        halves = tuple(half_size(grey) for grey in greys)
        small = [_shrunk(grey, half) for grey, half in zip(greys, halves, strict=True)]
        turn = looked % len(moment)
        looked += 1
        if board is not None and looks_like_board(small[turn]):
            boards += _shows(board, moment[turn])
        worth = min(_worth(one) for one in small)
        last = _Best(group=group_of[place], worth=worth, place=place, moment=moment, halves=halves)
        if last.group not in best or worth > _CLEARLY * best[last.group].worth:
            best[last.group] = last
    chosen = [best[number] for number in sorted(best)]
    return Samples(
        moments=tuple(one.moment for one in chosen),
        positions=tuple(one.place for one in chosen),
        looked=looked,
        repeated=repeated,
        boards=boards,
        runs=_runs(footage, chosen),
    )


def _copied(now: ImageArray, then: ImageArray) -> bool:
    """Whether a picture is an exact copy: some of its rows tell nearly always."""
    return np.array_equal(now[::64], then[::64]) and np.array_equal(now, then)


def _shows(board: BoardSpec, frame: Frame) -> bool:
    # Few takes show anything like a board: its detector is loaded for them alone.
    from rigcheck.target import BoardDetector

    return BoardDetector(board).glance(frame.grey8()).n >= _FEWEST_CORNERS


def _hanging_on(footage: OpenedFootage, places: Sequence[int]) -> list[int]:
    """Places right behind these whose pictures cannot be decoded without them: to come back for them costs twice."""
    pairing = footage.pairing
    if pairing is None:
        return []
    behind = {place + k for place in places for k in range(1, RUN)} - set(places)
    alone = set(pairing.key_pairs.tolist())
    return [place for place in behind if place < pairing.n_pairs and place not in alone]


def _runs(footage: OpenedFootage, chosen: Sequence[_Best]) -> tuple[tuple[tuple[Picture, ...], ...], ...]:
    """Pictures in a row of each moment; those not at hand are decoded now."""
    pairing = footage.pairing
    if pairing is None:
        return ()
    held: dict[int, tuple[Picture, ...]] = {}
    for one in chosen:
        held |= one.behind | {one.place: one.halves}
    wanted = [range(one.place, one.place + RUN) for one in chosen if one.place + RUN <= pairing.n_pairs]
    lacking = sorted({place for run in wanted for place in run} - set(held))
    for place, moment in _moments(footage, lacking):
        held[place] = tuple(half_size(frame.grey8()) for frame in moment)
    return tuple(_run_of(one.place, held) for one in chosen)


def _run_of(place: int, held: Mapping[int, tuple[Picture, ...]]) -> tuple[tuple[Picture, ...], ...]:
    run = range(place, place + RUN)
    return tuple(held[k] for k in run) if all(k in held for k in run) else ()


def _moments(footage: OpenedFootage, places: Sequence[int]) -> Iterator[tuple[int, Moment]]:
    """Places in order, with their pictures."""
    places = sorted(places)
    if footage.pairing is not None:
        yield from zip(places, footage.pairing.pairs_at(places), strict=True)
        return
    clip = footage.clips[0]
    indices = clip.indices
    frames = clip.frames_at([int(indices[k]) for k in places])
    yield from ((place, (frame,)) for place, frame in zip(places, frames, strict=True))


def half_size(picture: Picture) -> Picture:
    """A picture (H, W) at half size; its pixel p covers pixels 2 p and 2 p + 1."""
    height, width = picture.shape
    even = picture[: height // 2 * 2, : width // 2 * 2]
    size = (width // 2, height // 2)
    return np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _shrunk(picture: Picture, half: Picture) -> Picture:
    """A picture made small, from the one at half size where that is large enough: a quarter of its pixels to read."""
    if max(half.shape) >= _SMALL_PX:
        picture = half
    scale = _SMALL_PX / max(picture.shape)
    size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
    return picture if scale >= 1 else shrunk(picture, size)


def _worth(small: Picture) -> float:
    """Detail for the brightness there is; nothing for a dark picture."""
    bright = float(np.quantile(small[::4, ::4], 0.75))
    if bright < _DARK:
        return 0.0
    _, spread = cv2.meanStdDev(cv2.Laplacian(small, cv2.CV_16S))
    return float(np.asarray(spread).item()) / bright
