"""Moments of a clip as read for picking, and what was picked of them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rigcheck.model.estimate import Estimate
from rigcheck.model.frame import Finding, FrameRef

__all__ = [
    "PICK_POSES",
    "Pick",
    "PickGates",
    "PickOutcome",
    "PickPose",
    "PickReason",
    "PoseChoice",
    "PoseReading",
    "RejectedMoment",
]

PickPose = Literal["neutral", "bite", "side"]
PICK_POSES: tuple[PickPose, ...] = ("neutral", "bite", "side")


@dataclass(frozen=True, kw_only=True, eq=False)
class PoseReading:
    """Everything read of one moment.

    `refs` are its pictures, a camera each, camera 1 first. `cameras` maps a camera's name to its measures by name,
    `pair` holds those that need both. `findings` are what a person must know of this moment.
    """

    refs: tuple[FrameRef, ...]
    cameras: Mapping[str, Mapping[str, Estimate]]
    pair: Mapping[str, Estimate] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    @property
    def ref(self) -> FrameRef:
        """The first camera's picture."""
        return self.refs[0]

    @property
    def frame_idx(self) -> int:
        """Of the first camera's picture."""
        return self.refs[0].frame_idx

    @property
    def time_s(self) -> float | None:
        """Of the first camera's picture."""
        return self.refs[0].time_s

    def values(self, name: str) -> dict[str, Estimate]:
        """One measure, by camera; cameras that do not have it are left out."""
        return {camera: measures[name] for camera, measures in self.cameras.items() if name in measures}


@dataclass(frozen=True, kw_only=True)
class PickReason:
    """One part of a score: `score` 0 to 1 of `weight`; the sentence holds the numbers."""

    code: str
    sentence: str
    score: float
    weight: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Pick:
    """One moment proposed for a pose; `score` 0 to 1 is the weighted mean of its reasons' scores."""

    pose: PickPose
    reading: PoseReading
    score: float
    reasons: tuple[PickReason, ...]
    numbers: Mapping[str, Estimate] = field(default_factory=dict)

    @property
    def frame_idx(self) -> int:
        """Of the first camera's picture."""
        return self.reading.frame_idx

    @property
    def timecode(self) -> str | None:
        """Of the first camera's picture."""
        return self.reading.ref.timecode


@dataclass(frozen=True, kw_only=True, eq=False)
class RejectedMoment:
    """A moment that is not proposed for a pose, and every fault that speaks against it, the worst first.

    `span` is None for a moment read in full; else the first and last picture, of camera 1, of a stretch that was seen
    in passing only, and the moment is its middle.
    """

    pose: PickPose
    reading: PoseReading
    faults: tuple[Finding, ...]
    span: tuple[FrameRef, FrameRef] | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class PoseChoice:
    """What was found for one pose.

    `picks` are as many as were wanted, from different moments, best first; `alternates` are further moments,
    best first. `missing` are codes of what keeps the clip from holding a good moment, the commonest first;
    empty when there is a pick.
    """

    pose: PickPose
    wanted: int
    picks: tuple[Pick, ...]
    alternates: tuple[Pick, ...]
    rejected: tuple[RejectedMoment, ...]
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class PickOutcome:
    """All poses, and the clip's own usual values that moments were compared with."""

    choices: tuple[PoseChoice, ...]
    usual: Mapping[str, Estimate] = field(default_factory=dict)

    def of(self, pose: PickPose) -> PoseChoice | None:
        """The choice of one pose; None when it was not wanted."""
        return next((choice for choice in self.choices if choice.pose == pose), None)


@dataclass(frozen=True, kw_only=True)
class PickGates:
    """How far each measure may be off before a moment is not proposed; by the name of its limit."""

    values: Mapping[str, float]

    def __getitem__(self, name: str) -> float:
        """Give a limit by name; KeyError for an unknown one."""
        return self.values[name]
