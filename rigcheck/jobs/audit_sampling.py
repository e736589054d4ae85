"""Which moments of a take are looked at: key pictures spread over it, of each few the sharpest well-lit one."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from rigcheck.geometry.spread import evenly
from rigcheck.jobs.opening import OpenedFootage
from rigcheck.jobs.verify_looking import glance_positions
from rigcheck.landmarks.boardlike import looks_like_board
from rigcheck.model import Frame
from rigcheck.opencv import cv2
from rigcheck.target import BoardDetector

# Moments measured in a take, and how many are decoded for each of them.
MOMENTS, CANDIDATES = 6, 2
# A picture darker than this in its brighter half is not worth a look, of 255.
_DARK = 12.0
_SMALL_PX = 480
_FEWEST_CORNERS = 6

__all__ = ["CANDIDATES", "MOMENTS", "Moment", "Samples", "sample_take"]

Moment = tuple[Frame, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Samples:
    """Moments chosen, in order.

    `looked` counts the moments decoded, `repeated` those whose pictures are exact copies of the ones before, by camera;
    `boards` are how many show a board, and `positions` where the chosen ones lie.
    """

    moments: tuple[Moment, ...]
    positions: tuple[int, ...]
    looked: int
    repeated: dict[str, int] = field(default_factory=dict)
    boards: int = 0


def sample_take(footage: OpenedFootage, detector: BoardDetector | None) -> Samples:
    """Decode moments spread over a take, and keep of each group the best.

    Parameters
    ----------
    footage : OpenedFootage
    detector : BoardDetector or None
        Of the board that the calibration was made with; None to look for none.

    Raises
    ------
    InputError
        When a picture cannot be decoded.

    Notes
    -----
    Key pictures are taken where there are enough: a picture between them costs a whole group of pictures. At most six
    moments are held. A board is looked for by both cameras in turn, in pictures that, made small, show many dark
    squares of like size.
    """
    places = evenly(glance_positions(footage), MOMENTS * CANDIDATES)
    groups = np.array_split(np.arange(len(places)), min(MOMENTS, len(places)))
    group_of = {int(k): number for number, group in enumerate(groups) for k in group}
    best: dict[int, tuple[float, int, Moment]] = {}
    repeated = {clip.info.camera: 0 for clip in footage.clips}
    before: Moment = ()
    boards = 0
    for k, moment in enumerate(_moments(footage, places)):
        for now, then in zip(moment, before, strict=False):
            repeated[now.ref.camera] += bool(np.array_equal(now.image, then.image))
        before = moment
        small = [_shrunk(frame) for frame in moment]
        turn = k % len(moment)
        if detector is not None and looks_like_board(small[turn]):
            boards += detector.glance(moment[turn].grey8()).n >= _FEWEST_CORNERS
        value = min(_worth(one) for one in small)
        number = group_of[k]
        if number not in best or value > best[number][0]:
            best[number] = (value, places[k], moment)
    chosen = [best[number] for number in sorted(best)]
    return Samples(
        moments=tuple(moment for _, _, moment in chosen),
        positions=tuple(place for _, place, _ in chosen),
        looked=len(places),
        repeated=repeated,
        boards=boards,
    )


def _moments(footage: OpenedFootage, places: Sequence[int]) -> Iterator[Moment]:
    if footage.pairing is not None:
        yield from footage.pairing.pairs_at(places)
        return
    clip = footage.clips[0]
    indices = clip.indices
    yield from ((frame,) for frame in clip.frames_at([int(indices[k]) for k in places]))


def _shrunk(frame: Frame) -> NDArray[np.uint8]:
    image = frame.grey8()
    scale = _SMALL_PX / max(image.shape)
    if scale >= 1:
        return image
    return np.asarray(
        cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), dtype=np.uint8
    )


def _worth(small: NDArray[np.uint8]) -> float:
    """Detail for the brightness there is; nothing for a dark picture."""
    bright = float(np.quantile(small[::4, ::4], 0.75))
    if bright < _DARK:
        return 0.0
    return float(cv2.Laplacian(small, cv2.CV_32F).std()) / bright
