"""A picture without a usable face: why, in a sentence, and what to do."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rigcheck.landmarks.boardlike import looks_like_board
from rigcheck.model import FrameRef, Rejection

__all__ = ["MIRRORED_NOTE", "NoFace", "NoFaceCode", "no_face"]

NoFaceCode = Literal[
    "black", "empty", "board", "none", "two_faces", "turned", "cut_off", "unsure", "covered", "jump", "lost"
]

MIRRORED_NOTE = (
    "A mirrored picture cannot be told from the face: if a monitor or recorder mirrors, left and right "
    "in this report are exchanged."
)
_HINT_POINTS = "mark the points on this picture and give the file with --points"
_BLACK = 12  # 99.5th percentile of a picture in which nothing is seen, of 255
_FLAT = 4.0  # standard deviation of a picture in which nothing is seen

_WORDS = {
    "black": ("the picture is black", "take the lens cap off, switch the lamps on, check the exposure"),
    "empty": (
        "the picture shows next to nothing",
        "check lens cap, focus, exposure and what the camera points at",
    ),
    "board": (
        "a calibration board is seen, not a face",
        "give the performer's footage; a board belongs to 'calibrate' or 'verify'",
    ),
    "none": ("no face was found", f"check that this is the performer's footage; else {_HINT_POINTS}"),
    "two_faces": (
        "two faces were found, one is needed",
        f"have others step out of the picture; or {_HINT_POINTS}",
    ),
    "turned": ("the face only fits", ""),
    "cut_off": (
        "only a part of the face is in the picture",
        f"move the camera until eyes, nose and mouth are seen; or {_HINT_POINTS}",
    ),
    "unsure": (
        "something like a face was found, but its points are not those of a face",
        f"check that nothing covers the face; else {_HINT_POINTS}",
    ),
    "covered": (
        "a face was found, but its nose and mouth are covered, or the jaw is dropped further than the mesh follows",
        f"take the hand, mask or cable away, or leave this moment out; or {_HINT_POINTS}",
    ),
    "lost": (
        "none of the marked points could be followed this far",
        "mark the points on a frame nearer to this one; check for a cut, a hand or a flash in between",
    ),
    "jump": ("the face is not where it was just before and after", f"if it really is there, {_HINT_POINTS}"),
}


@dataclass(frozen=True, kw_only=True)
class NoFace(Rejection):
    """A picture without a usable face: data, not an exception.

    `hint` is what to do. `turned_deg` is set with code "turned": by how much further the picture has to be turned
    clockwise for the face to stand upright; a suggestion.
    """

    hint: str
    turned_deg: int = 0


def no_face(ref: FrameRef, code: NoFaceCode, *, detail: str = "") -> NoFace:
    """Build a NoFace with its usual words; `detail` is put in brackets."""
    what, hint = _WORDS[code]
    more = f" ({detail})" if detail else ""
    return NoFace(ref=ref, code=code, sentence=f"{ref.label}: {what}{more}.", hint=f"{hint}.")


def turned_face(ref: FrameRef, turned_deg: int, mount_rotation_deg: int) -> NoFace:
    """Build the NoFace of a face that only fits turned."""
    wanted = (mount_rotation_deg + turned_deg) % 360
    how = "upside down" if turned_deg == 180 else f"by {turned_deg}° clockwise"
    return NoFace(
        ref=ref,
        code="turned",
        sentence=f"{ref.label}: the face only fits when the picture is turned {how}.",
        hint=f"write 'mount_rotation_deg: {wanted}' for camera {ref.camera!r} in the rig file, if it is mounted so.",
        turned_deg=turned_deg,
    )


def nothing_seen(grey: NDArray[np.uint8], ref: FrameRef) -> NoFace:
    """Say what a picture without any face shows instead."""
    bright = float(np.percentile(grey[::4, ::4], 99.5))
    if bright <= _BLACK:
        return no_face(ref, "black", detail=f"nothing in it is brighter than {bright:.0f} of 255")
    if float(grey[::4, ::4].std()) < _FLAT:
        return no_face(ref, "empty")
    if looks_like_board(grey):
        return no_face(ref, "board")
    return no_face(ref, "none")
