"""Looking for the board in one or two clips, a picture at a time."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from rigcheck.calibration import View
from rigcheck.errors import BoardError
from rigcheck.footage import Clip, Pairing
from rigcheck.model import BoardSpec, Frame, Observation, Rejection
from rigcheck.target import BoardDetector, diagnose_description

OnProgress = Callable[[int, int], None]

# Moments looked at in a clip, however long: enough to choose from, few enough to wait for.
MOST_LOOKS = 240
# Key pictures alone are looked at when there are at least this many: they cost no decoding of their
# neighbours.
ENOUGH_KEY_PICTURES = 80

# Pictures asked for a misdescription, a camera; when none shows the board, spread over the clip.
_ASKED = 3
_ASKED_UNSEEN = 6

__all__ = ["MOST_LOOKS", "Looked", "look_at_clip", "look_at_pair", "refuse_other_board"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Looked:
    """What was seen.

    `views` have at least one side, `positions` say where they come from, `rejected` are the pictures without
    a board; `looked` counts the pictures looked at, a camera.
    """

    views: tuple[View, ...]
    positions: tuple[int, ...]
    rejected: tuple[Rejection, ...]
    looked: int


def _spread(count: int, most: int) -> list[int]:
    if count <= most:
        return list(range(count))
    return sorted(set(np.linspace(0, count - 1, most).round().astype(int).tolist()))


def positions_to_look_at(count: int, key_positions: Sequence[int]) -> list[int]:
    """Which of `count` moments to look at: key pictures where there are enough, else evenly spread."""
    keys = [int(k) for k in key_positions]
    if count > MOST_LOOKS and len(keys) >= ENOUGH_KEY_PICTURES:
        return [keys[k] for k in _spread(len(keys), MOST_LOOKS)]
    return _spread(count, MOST_LOOKS)


def look_at_clip(clip: Clip, board: BoardSpec, on_progress: OnProgress) -> Looked:
    """Look for the board in one camera's clip."""
    indices = clip.indices
    keys = np.flatnonzero(np.isin(indices, clip.key_indices)).tolist() if clip.info.kind == "video" else []
    places = positions_to_look_at(len(indices), keys)
    frames = ((frame,) for frame in clip.frames_at([int(indices[k]) for k in places]))
    return _look(frames, places, board, on_progress)


def look_at_pair(pairing: Pairing, board: BoardSpec, on_progress: OnProgress) -> Looked:
    """Look for the board in both cameras at the same moments."""
    video = all(clip.info.kind == "video" for clip in pairing.clips)
    places = positions_to_look_at(pairing.n_pairs, pairing.key_pairs.tolist() if video else [])
    return _look(pairing.pairs_at(places), places, board, on_progress)


def _look(
    moments: Iterator[tuple[Frame, ...]], places: Sequence[int], board: BoardSpec, on_progress: OnProgress
) -> Looked:
    views: list[View] = []
    positions: list[int] = []
    rejected: list[Rejection] = []
    detector = BoardDetector(board)
    with ThreadPoolExecutor(max_workers=2) as pool:
        for done, (place, frames) in enumerate(zip(places, moments, strict=True), start=1):
            found = list(pool.map(lambda frame: detector.detect(frame.grey8(), frame.ref), frames))
            sides = tuple(one if isinstance(one, Observation) else None for one in found)
            rejected += [one for one in found if isinstance(one, Rejection)]
            if any(side is not None for side in sides):
                views.append(sides)
                positions.append(place)
            on_progress(done, len(places))
    return Looked(
        views=tuple(views), positions=tuple(positions), rejected=tuple(rejected), looked=len(places)
    )


def refuse_other_board(looked: Looked, board: BoardSpec, clips: Sequence[Clip]) -> None:
    """Raise when a camera never saw the board, or saw one that differs from its description.

    Raises
    ------
    BoardError
        Says what was seen instead, and the misdescription where one fits.

    Notes
    -----
    A few pictures of each camera are asked, those with most corners where there are any: two that name the
    same misdescription are believed.
    """
    for number, clip in enumerate(clips):
        sides = [view[number] for view in looked.views]
        seen = sorted((side for side in sides if side is not None), key=lambda side: -side.n)
        named = _misdescription(clip, board, [side.ref.frame_idx for side in seen[:_ASKED]])
        if named is not None:
            raise BoardError(
                f"{clip.info.origin} ({clip.info.camera}): the board differs from its description. {named}",
                hint=f"correct the description of {board.name}, or give the board file of the board filmed.",
            )
        if seen:
            continue
        camera, origin = clip.info.camera, clip.info.origin
        mine = [one for one in looked.rejected if one.ref.camera == camera]
        reasons = Counter(one.code for one in mine)
        code = reasons.most_common(1)[0][0] if reasons else ""
        example = next((one.sentence for one in mine if one.code == code), "no picture could be looked at")
        raise BoardError(
            f"{origin} ({camera}): the board {board.name} was found in none of {looked.looked} pictures. "
            f"Most often: {example.rstrip('.')}.",
            hint="check that this is the footage with the board and that the board file describes the board "
            "filmed; light it evenly and fill half of the picture with it.",
        )


def _misdescription(clip: Clip, board: BoardSpec, best: Sequence[int]) -> str | None:
    indices = clip.indices
    asked = sorted(best) or [int(indices[k]) for k in _spread(len(indices), _ASKED_UNSEEN)]
    told = Counter(
        named
        for frame in clip.frames_at(asked)
        if (named := diagnose_description(frame.grey8(), board)) is not None
    )
    if not told:
        return None
    sentence, votes = told.most_common(1)[0]
    return sentence if votes >= min(2, len(asked)) else None
