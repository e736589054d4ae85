"""Looking for the board in one or two clips, a picture at a time."""

from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from rigcheck.calibration.choose import choose_views
from rigcheck.errors import BoardError, EstimationError
from rigcheck.footage import Clip, Pairing
from rigcheck.geometry.board_views import usable_views
from rigcheck.geometry.spread import evenly
from rigcheck.jobs.inspecting import (
    Inspected,
    Light,
    Looked,
    OnProgress,
    Search,
    gathered,
    inspect,
    rough_observation,
)
from rigcheck.jobs.one_pass import kept_picture, look_in_one_pass
from rigcheck.jobs.refusing import blank_pictures, interlaced_words
from rigcheck.jobs.sensors import SensorWatch
from rigcheck.model import BoardSpec, Frame, Rejection
from rigcheck.target import BoardDetector, diagnose_description

Moments = Iterator[tuple[Frame, ...]]

# Moments looked at in a clip, however long: enough to choose from, few enough to wait for.
MOST_LOOKS = 240
# Key pictures alone are looked at when there are at least this many: they cost no decoding of their
# neighbours, and 28 pairs lose nothing measurable (handbook, table of speeds).
ENOUGH_KEY_PICTURES = 28

# Of more moments than this, only those chosen after a glance are looked at fully.
MOST_FULL_LOOKS = 72
# Of fewer key pictures, but more than this, the sharper of neighbours: they lie as they fall.
MOST_FULL_LOOKS_AT_KEYS = 40
# Where all must be decoded: moments glanced at, and looked at fully, the sharper of each two in a row.
MOST_LOOKS_IN_ONE_PASS, MOST_FULL_LOOKS_IN_ONE_PASS = 68, 34
# Of these, moments whose pictures are watched for hot pixels: about as many as a clip's key pictures.
_MOST_WATCHED_IN_ONE_PASS = 48

# Moments decoded while earlier ones are still looked at, their pictures in memory with them.
_MOMENTS_WAITING = 2

# Pictures asked for a misdescription, a camera; when none shows the board, spread over the clip.
_ASKED = 3
_ASKED_UNSEEN = 6

__all__ = [
    "MOST_FULL_LOOKS",
    "MOST_FULL_LOOKS_AT_KEYS",
    "MOST_FULL_LOOKS_IN_ONE_PASS",
    "MOST_LOOKS",
    "MOST_LOOKS_IN_ONE_PASS",
    "Light",
    "Looked",
    "OnProgress",
    "Search",
    "look_at_clip",
    "look_at_pair",
    "pictures_again",
    "refuse_other_board",
    "rough_observation",
]


def positions_to_look_at(count: int, key_positions: Sequence[int]) -> list[int]:
    """Which of `count` moments to look at: key pictures where there are enough, else evenly spread."""
    keys = [int(k) for k in key_positions]
    if count > MOST_LOOKS and len(keys) >= ENOUGH_KEY_PICTURES:
        return evenly(keys, MOST_LOOKS)
    return evenly(range(count), MOST_LOOKS)


def look_at_clip(clip: Clip, search: Search) -> Looked:
    """Look for the board in one camera's clip."""
    indices = clip.indices
    video = clip.info.kind == "video"
    keys = np.flatnonzero(np.isin(indices, clip.key_indices)).tolist() if video else []
    places = positions_to_look_at(len(indices), keys)

    sensors = SensorWatch([clip.info.camera])

    def fetch(wanted: Sequence[int]) -> Moments:
        return sensors.passing((frame,) for frame in clip.frames_at([int(indices[k]) for k in wanted]))

    if video and not set(places) <= set(keys):
        places = evenly(places, MOST_LOOKS_IN_ONE_PASS)
        looked = look_in_one_pass(fetch, places, search, most=MOST_FULL_LOOKS_IN_ONE_PASS)
    else:
        looked = _had_alone(fetch, places, search, video=video)
    return replace(looked, sensors=sensors.looks())


def look_at_pair(pairing: Pairing, search: Search) -> Looked:
    """Look for the board in both cameras at the same moments.

    Notes
    -----
    Where key pictures are too few every picture must be decoded on the way: it is then done once, for the moving
    board as well (`Looked.moving`).
    """
    video = all(clip.info.kind == "video" for clip in pairing.clips)
    keys = pairing.key_pairs.tolist() if video else []
    places = positions_to_look_at(pairing.n_pairs, keys)
    sensors = SensorWatch([clip.info.camera for clip in pairing.clips])

    def fetch(wanted: Sequence[int]) -> Moments:
        return sensors.passing(pairing.pairs_at(wanted), [place in watched for place in wanted])

    watched = set(places)
    if video and not set(places) <= set(keys):
        places = evenly(places, MOST_LOOKS_IN_ONE_PASS)
        # Not the pictures of runs: they follow too closely to show anything else under a pixel.
        watched = set(evenly(places, _MOST_WATCHED_IN_ONE_PASS))
        looked = look_in_one_pass(fetch, places, search, most=MOST_FULL_LOOKS_IN_ONE_PASS, pairing=pairing)
    else:
        looked = _had_alone(fetch, places, search, video=video)
    return replace(looked, sensors=sensors.looks())


def _had_alone(
    fetch: Callable[[Sequence[int]], Moments], places: Sequence[int], search: Search, *, video: bool
) -> Looked:
    """Look at pictures that each can be had alone: of a video's few key pictures at the sharper of neighbours."""
    if video and len(places) <= MOST_FULL_LOOKS:
        return look_in_one_pass(fetch, places, search, most=MOST_FULL_LOOKS_AT_KEYS)
    return _survey(fetch, places, search)


def _survey(fetch: Callable[[Sequence[int]], Moments], places: Sequence[int], search: Search) -> Looked:
    """Look fully where there are few moments; else glance at all of them first and choose."""
    board, tell = search.board, search.on_progress
    if len(places) <= MOST_FULL_LOOKS:
        return _look(fetch(places), places, search, tell)
    total = len(places) + MOST_FULL_LOOKS
    glanced = _glance(fetch(places), places, board, lambda done, _: tell(done, total))
    seen = zip(glanced.positions, glanced.views, strict=True)
    usable = [(place, kept[0]) for place, view in seen if (kept := usable_views([view], board))]
    if len(usable) <= MOST_FULL_LOOKS:
        return _look(fetch(places), places, search, lambda done, _: tell(done, len(places)))
    try:
        chosen = choose_views([view for _, view in usable], board, search.setups, most=MOST_FULL_LOOKS)
    except EstimationError:
        chosen = evenly(range(len(usable)), MOST_FULL_LOOKS)
    wanted = [usable[n][0] for n in chosen]
    found = _look(fetch(wanted), wanted, search, lambda done, _: tell(len(places) + done, total))
    return replace(
        found, rejected=(*glanced.rejected, *found.rejected), looked=len(places), worth=len(usable)
    )


def _glance(moments: Moments, places: Sequence[int], board: BoardSpec, on_progress: OnProgress) -> Looked:
    """Rough corners of every moment, their sigma from how sharp the picture is."""
    detector, found, rejected = BoardDetector(board), [], []
    for done, (place, frames) in enumerate(zip(places, moments, strict=True), start=1):
        sides = tuple(rough_observation(detector, frame) for frame in frames)
        for frame, side in zip(frames, sides, strict=True):
            if side is None:
                sentence = f"{frame.ref.label}: no board seen at a glance."
                rejected.append(Rejection(ref=frame.ref, code="no-board-at-a-glance", sentence=sentence))
        if any(side is not None for side in sides):
            found.append((place, sides))
        on_progress(done, len(places))
    return Looked(
        views=tuple(view for _, view in found),
        positions=tuple(place for place, _ in found),
        rejected=tuple(rejected),
        looked=len(places),
        worth=len(found),
    )


def _look(moments: Moments, places: Sequence[int], search: Search, on_progress: OnProgress) -> Looked:
    seen: list[tuple[int, list[Inspected]]] = []
    detector = BoardDetector(search.board)

    def look(frame: Frame) -> Inspected:
        return inspect(detector, frame, search.lights.get(frame.ref.camera, Light()))

    waiting: deque[tuple[int, list[Future[Inspected]]]] = deque()
    with ThreadPoolExecutor(max_workers=2) as pool:
        for done, (place, frames) in enumerate(zip(places, moments, strict=True), start=1):
            # The next moment is decoded while these are looked at.
            waiting.append((place, [pool.submit(look, frame) for frame in frames]))
            if len(waiting) > _MOMENTS_WAITING:
                seen.append(_waited_for(waiting.popleft()))
            on_progress(done, len(places))
        seen += [_waited_for(moment) for moment in waiting]
    return gathered(seen, search)


def _waited_for(moment: tuple[int, list[Future[Inspected]]]) -> tuple[int, list[Inspected]]:
    place, futures = moment
    return place, [future.result() for future in futures]


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
        named = _misdescription(looked, clip, board, [side.ref.frame_idx for side in seen[:_ASKED]])
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
        example = blank_pictures(clip) or example.removesuffix(".")
        raise BoardError(
            f"{origin} ({camera}): the board {board.name} was found in none of {looked.looked} pictures. "
            f"Most often: {example}{'' if example.endswith('?') else '.'}{interlaced_words(clip)}",
            hint="check that this is the footage with the board and that the board file describes the board "
            "filmed; light it evenly and fill half of the picture with it.",
        )


def pictures_again(
    looked: Looked, clip: Clip, indices: Sequence[int]
) -> Iterator[tuple[int, NDArray[np.uint8]]]:
    """Yield number and 8-bit picture of some that were looked at fully, from memory where they were kept.

    Parameters
    ----------
    looked : Looked
    clip : Clip
    indices : sequence of int
        `frame_idx`, ascending.
    """
    kept = [looked.kept.get((clip.info.camera, index)) for index in indices]
    if all(one is not None for one in kept):
        yield from ((index, kept_picture(one)) for index, one in zip(indices, kept, strict=True) if one)
        return
    yield from ((frame.ref.frame_idx, frame.grey8()) for frame in clip.frames_at(indices))


def _misdescription(looked: Looked, clip: Clip, board: BoardSpec, best: Sequence[int]) -> str | None:
    indices = clip.indices
    asked = sorted(best) or evenly(indices.tolist(), _ASKED_UNSEEN)
    told = Counter(
        named
        for _, image in pictures_again(looked, clip, asked)
        if (named := diagnose_description(image, board)) is not None
    )
    if not told:
        return None
    sentence, votes = told.most_common(1)[0]
    return sentence if votes >= min(2, len(asked)) else None
