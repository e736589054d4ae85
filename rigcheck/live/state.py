"""What a live session says at one moment: plain frozen values, each as plain JSON too."""

import math
from dataclasses import dataclass, fields, is_dataclass
from typing import Literal

__all__ = [
    "Answer",
    "AnswerStatus",
    "BoardReading",
    "CameraReading",
    "Coverage",
    "Cross",
    "Json",
    "Kept",
    "LiveReading",
    "Mode",
    "Outline",
    "Picture",
    "SafetyLine",
    "SourceKind",
    "SourceState",
    "Subject",
]

Json = dict[str, "Json"] | list["Json"] | str | float | bool | None
SourceKind = Literal["running", "stalled", "lost", "ended"]
AnswerStatus = Literal["pass", "caution", "fail", "inconclusive"]
Subject = Literal["framing", "focus", "light"]
Mode = Literal["face", "board"]


def _plain(value: object) -> Json:
    """A value as JSON knows it; a number that is not finite becomes null."""
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    raise TypeError(f"{type(value).__name__} is no plain value")


class _Plain:
    """Gives a dataclass its JSON."""

    def as_json(self) -> dict[str, Json]:
        """All fields by name, tuples as lists, null for a number that is not finite."""
        plain = _plain(self)
        return plain if isinstance(plain, dict) else {}


@dataclass(frozen=True, kw_only=True)
class SourceState(_Plain):
    """How a source of pictures does; `sentence` says so in plain words, and what to do."""

    camera_idx: int
    name: str
    state: SourceKind
    sentence: str
    seconds_since_picture: float | None
    pictures_per_s: float


@dataclass(frozen=True, kw_only=True)
class Answer(_Plain):
    """One of the three answers; `move` is the one next move for the hand, empty when nothing is to do.

    `number`, `sigma` and `unit` are the steady reading that `code`, the check that speaks, judged; None without one.
    `also` names what else is wrong, in as few words as the headline. `old_s` is how old the pictures are that an answer
    is from, where that is too old to go by; None otherwise.
    """

    subject: Subject
    status: AnswerStatus
    headline: str
    move: str
    number: float | None = None
    sigma: float | None = None
    unit: str = ""
    code: str = ""
    also: tuple[str, ...] = ()
    old_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Cross(_Plain):
    """A measured point: x and y in fractions of the upright picture's width and height, sigma of its width."""

    name: str
    x: float
    y: float
    sigma: float


@dataclass(frozen=True, kw_only=True)
class CameraReading(_Plain):
    """What one camera shows; `sentence` says why there is no face, or is empty."""

    camera_idx: int
    crosses: tuple[Cross, ...] = ()
    face: bool = False
    sentence: str = ""


@dataclass(frozen=True, kw_only=True)
class Coverage(_Plain):
    """Which parts of one camera's upright picture the board has covered: rows of cells from the top, left to right."""

    camera_idx: int
    cells: tuple[tuple[bool, ...], ...]
    fraction: float


@dataclass(frozen=True, kw_only=True)
class Outline(_Plain):
    """Where the board is wanted in one camera's upright picture: four corners, x and y in fractions of it."""

    camera_idx: int
    corners: tuple[tuple[float, float], ...]


@dataclass(frozen=True, kw_only=True)
class BoardReading(_Plain):
    """How far filming the board is.

    `adds` is what this view would add to the information so far, as a share of it (None without a board in view);
    `adds_sentence` says it. `wanted` is the next pose as outlines, one a camera, `wanted_sentence` in words.
    """

    coverage: tuple[Coverage, ...] = ()
    adds: float | None = None
    adds_sentence: str = ""
    wanted: tuple[Outline, ...] = ()
    wanted_sentence: str = ""
    enough: bool = False
    sentence: str = ""
    views_kept: int = 0


@dataclass(frozen=True, kw_only=True)
class SafetyLine(_Plain):
    """What to mind for the person under the helmet; `rest_due` when the reminder to rest is among the sentences."""

    sentences: tuple[str, ...] = ()
    rest_due: bool = False


@dataclass(frozen=True, kw_only=True)
class Kept(_Plain):
    """A moment or calibration that was kept: `link` is its report's path within the out folder, None without one."""

    name: str
    sentence: str
    link: str | None = None


@dataclass(frozen=True, kw_only=True)
class LiveReading(_Plain):
    """All that is known now. `number` grows with every change; `age_ms` is how old the measured pictures are.

    `keeping` is a sentence while pictures are being written, else empty.
    """

    number: int
    mode: Mode
    sources: tuple[SourceState, ...]
    cameras: tuple[CameraReading, ...]
    answers: tuple[Answer, ...]
    board: BoardReading | None
    measured_per_s: float
    age_ms: float | None
    safety: SafetyLine
    keeping: str = ""
    kept: tuple[Kept, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """An upright picture scaled for the page: JPEG, its running number, and when it was taken (monotonic clock)."""

    seq: int
    jpeg: bytes
    size_px: tuple[int, int]
    captured_at_s: float
