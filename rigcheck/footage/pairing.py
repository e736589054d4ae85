"""Two cameras in step: which picture of one was taken together with which of the other."""

from collections.abc import Iterator, Sequence
from typing import Literal

import numpy as np

from rigcheck.errors import InputError
from rigcheck.footage.ahead import ahead
from rigcheck.footage.clip import Clip
from rigcheck.footage.matching import Match, match_places, spans
from rigcheck.footage.names import missing_numbers, number_findings
from rigcheck.footage.same import refuse_same_footage
from rigcheck.footage.sides import Side, places_by_timecode, sides_of
from rigcheck.model import Finding, Frame
from rigcheck.model._arrays import IntArray

__all__ = ["Basis", "Pairing", "pair_clips"]

Basis = Literal["index", "time", "timecode", "offset"]
_QUARTER_FRAME = 0.25  # how far two times may differ and still be one moment
_BELOW_HALF = 0.45  # never so far that a picture could have two partners
_BASIS_WORDS: dict[Basis, str] = {
    "index": "index",
    "time": "time, since the times show dropped pictures or an uneven rate",
    "timecode": "timecode",
    "offset": "the given offset in frames",
}
_REMEDIES = (
    "cut both to the same moments with in and out points (clip.mov@3.0-21.5), or, where both cameras "
    "recorded timecode, use --pair timecode, or give the known shift with --offset-frames N"
)


class Pairing:
    """Two clips with their pictures paired. Made by :func:`pair_clips`.

    Parameters
    ----------
    clips : tuple of Clip
    indices : (N, 2) int64
        `frame_idx` in camera 1 and in camera 2 of each pair.
    basis : {"index", "time", "timecode", "offset"}
        What the pictures were paired by.
    findings : tuple of Finding
    """

    def __init__(
        self, clips: tuple[Clip, Clip], indices: IntArray, *, basis: Basis, findings: tuple[Finding, ...]
    ) -> None:
        self.clips = clips
        self.indices = indices
        self.basis = basis
        self.findings = findings

    @property
    def n_pairs(self) -> int:
        """Number of pairs."""
        return len(self.indices)

    @property
    def key_pairs(self) -> IntArray:
        """Positions of the pairs of which both pictures can be decoded on their own."""
        clip1, clip2 = self.clips
        both = np.isin(self.indices[:, 0], clip1.key_indices) & np.isin(self.indices[:, 1], clip2.key_indices)
        return np.flatnonzero(both)

    def pairs(self, *, step: int = 1, keyframes_only: bool = False) -> Iterator[tuple[Frame, Frame]]:
        """Yield the pairs in order, a few in memory at a time.

        Parameters
        ----------
        step : int
            Every how many pairs.
        keyframes_only : bool
            Take only pairs of which both pictures can be decoded on their own (`key_pairs`). There may be
            none, when the cameras' key pictures fall on different moments.

        Raises
        ------
        InputError
            When a picture cannot be decoded.
        """
        if step < 1:
            raise ValueError(f"step: {step} found, 1 or more needed")
        positions = self.key_pairs if keyframes_only else np.arange(self.n_pairs)
        yield from self.pairs_at(positions[::step])

    def pairs_at(self, positions: Sequence[int] | IntArray) -> Iterator[tuple[Frame, Frame]]:
        """Yield the pairs at these positions (0 to `n_pairs` - 1), ascending, each once.

        Parameters
        ----------
        positions : sequence of int

        Raises
        ------
        InputError
            When a picture cannot be decoded.
        """
        wanted = np.unique(np.asarray(positions, dtype=np.int64))
        if len(wanted) and not 0 <= wanted[0] <= wanted[-1] < self.n_pairs:
            raise ValueError(f"positions: 0 to {self.n_pairs - 1} needed")
        clip1, clip2 = self.clips
        first, second = self.indices[wanted, 0], self.indices[wanted, 1]
        if clip1.shares_pictures(clip2) and np.array_equal(first, second):
            yield from clip1.halves_at(clip2, first)
            return
        with ahead(clip1.frames_at(first)) as frames1, ahead(clip2.frames_at(second)) as frames2:
            yield from zip(frames1, frames2, strict=True)


def pair_clips(
    clip1: Clip,
    clip2: Clip,
    *,
    by: Literal["auto", "index", "timecode"] = "auto",
    offset_frames: int | None = None,
) -> Pairing:
    """Pair the pictures of two cameras, or say why they cannot be paired.

    Parameters
    ----------
    clip1, clip2 : Clip
    by : {"auto", "index", "timecode"}
        ``index``: first with first, second with second; the clips must be equally long.
        ``timecode``: pictures of equal timecode; only the overlap is used.
        ``auto``: by timecode where both cameras have it, it does not start at zero, and it overlaps; else by
        index, and where the times show that a picture was dropped, by time within a quarter of a frame.
    offset_frames : int, optional
        Pair picture i of camera 1 with picture i + `offset_frames` of camera 2, and use the overlap.

    Returns
    -------
    Pairing

    Raises
    ------
    InputError
        When both cameras show the same footage, their rates or lengths differ, or they have no timecode where
        it was asked for.

    Notes
    -----
    Clips of several parts are paired part by part. Cameras that run at one rate but out of step by less than
    a frame are paired as they are: the measured time offset between cameras tells.
    """
    refuse_same_footage(clip1, clip2)
    if by == "timecode" and offset_frames is not None:
        raise InputError(
            "pairing by timecode and by an offset in frames are both asked for; one is needed.",
            hint="leave out --pair timecode or --offset-frames",
        )
    indices: list[IntArray] = []
    findings: list[Finding] = []
    basis: Basis = "index"
    for pair in sides_of(clip1, clip2):
        basis, notes = _basis(pair, by=by, offset_frames=offset_frames)
        match = _match(pair, basis, offset_frames or 0)
        _check_match(pair, basis, match)
        findings += [*notes, *_match_findings(pair, basis, match)]
        indices.append(np.stack([pair[0].ids[match.first], pair[1].ids[match.second]], axis=1))
    return Pairing((clip1, clip2), np.concatenate(indices), basis=basis, findings=tuple(findings))


def _basis(
    pair: tuple[Side, Side], *, by: Literal["auto", "index", "timecode"], offset_frames: int | None
) -> tuple[Basis, list[Finding]]:
    """Choose what to pair by, and say what a person must know about the choice."""
    if offset_frames is not None:
        return "offset", []
    if by == "timecode":
        _check_timecodes(pair)
        return "timecode", []
    if by == "index":
        return "index", []
    notes: list[Finding] = []
    timecodes = [side.timecode for side in pair]
    if all(timecodes):
        if any(known.start for known in timecodes if known) and _overlap_by_timecode(pair):
            return "timecode", []
        if any(known.start for known in timecodes if known):
            sentence = "the cameras' timecodes do not overlap: they were not set together, and are not used."
            notes.append(Finding(code="timecode_apart", sentence=sentence))
    elif any(timecodes):
        lacking = next(side.camera for side in pair if side.timecode is None)
        notes.append(
            Finding(code="timecode_missing", sentence=f"{lacking} has no timecode, so none is used.")
        )
    return ("index" if all(side.regular for side in pair) else "time"), notes


def _check_timecodes(pair: tuple[Side, Side]) -> None:
    for side in pair:
        if side.timecode is None:
            raise InputError(
                f"{side.origin}: {side.camera} has no timecode that can be read, and pairing by timecode "
                "needs it in both cameras.",
                hint="pair by index (leave out --pair timecode), or give the shift with --offset-frames N",
            )
    if not _one_counting(pair):
        raise InputError(
            f"{pair[0].origin} and {pair[1].origin}: one camera counts drop-frame timecode and the other "
            "does not, so equal timecodes do not mean equal moments.",
            hint="give the known shift with --offset-frames N, and set both cameras alike for the next take",
        )


def _one_counting(pair: tuple[Side, Side]) -> bool:
    one, other = (side.timecode for side in pair)
    return (
        one is not None
        and other is not None
        and ((one.counting, one.per_number) == (other.counting, other.per_number))
    )


def _overlap_by_timecode(pair: tuple[Side, Side]) -> bool:
    return _one_counting(pair) and len(_match(pair, "timecode", 0)) > 0


def _match(pair: tuple[Side, Side], basis: Basis, offset_frames: int) -> Match:
    side1, side2 = pair
    if basis == "index" or (basis == "offset" and side1.regular and side2.regular):
        places1, places2 = (np.arange(len(side.ids), dtype=np.float64) for side in pair)
    elif basis == "timecode":
        places1, places2 = places_by_timecode(side1, side2)
    else:
        places1, places2 = side1.grid, side2.grid
    tolerance = min(_QUARTER_FRAME + max(side1.tick_frames, side2.tick_frames), _BELOW_HALF)
    return match_places(places1, places2 - offset_frames, tolerance=tolerance)


def _check_match(pair: tuple[Side, Side], basis: Basis, match: Match) -> None:
    """Refuse unequal lengths where nothing says which moments belong together, and pairings of nothing."""
    side1, side2 = pair
    counts = f"{side1.camera} has {len(side1.ids)} pictures, {side2.camera} has {len(side2.ids)}"
    where = f"{side1.origin} and {side2.origin}"
    if basis == "index" and len(side1.ids) != len(side2.ids):
        lacking = missing_numbers(side1.numbers, side2.numbers, (side1.camera, side2.camera))
        raise InputError(
            f"{where}: {counts}{f' ({lacking})' if lacking else ''}; equal numbers needed to pair by index.",
            hint=_REMEDIES,
        )
    if not len(match):
        raise InputError(
            f"{where}: {counts}, but no two belong to the same moment ({basis}).", hint=_REMEDIES
        )
    if basis == "time":
        after = [
            len(side.ids) - 1 - int(last)
            for side, last in zip(pair, (match.first[-1], match.second[-1]), strict=True)
        ]
        if any(after):
            longer, more = (side1, after[0]) if after[0] else (side2, after[1])
            raise InputError(
                f"{where}: {counts}; pictures were dropped, and {longer.camera} also goes on for {more} "
                "more after the other ends; to pair by time, both must cover the same span.",
                hint=_REMEDIES,
            )


def _match_findings(pair: tuple[Side, Side], basis: Basis, match: Match) -> list[Finding]:
    side1, side2 = pair
    findings: list[Finding] = []
    if basis == "index":
        findings += number_findings(side1.numbers, side2.numbers, (side1.camera, side2.camera))
        apart = float(np.abs(side1.grid - side2.grid).max())
        if apart > _BELOW_HALF and not (side1.regular and side2.regular):
            sentence = (
                f"paired by index, though the times of paired pictures differ by up to {apart:.1f} frames."
            )
            findings.append(Finding(code="times_disagree", sentence=sentence))
        return findings
    first, second = int(side1.ids[match.first[0]]), int(side2.ids[match.second[0]])
    sentence = (
        f"paired by {_BASIS_WORDS[basis]}: {len(match)} pairs, the first being frame {first} of "
        f"{side1.camera} and frame {second} of {side2.camera}."
    )
    findings.append(Finding(code=f"paired_by_{basis}", sentence=sentence))
    for side, left in ((side1, match.left1), (side2, match.left2)):
        if len(left):
            shown = spans(side.ids[left])
            sentence = f"left out of {side.camera} for want of a partner: {len(left)} (frame {shown})."
            findings.append(Finding(code="left_out", sentence=sentence))
    return findings
