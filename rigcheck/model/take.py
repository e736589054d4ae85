"""Takes of a shoot day: what was recorded, what one of them says, and all of them together."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from rigcheck.model._arrays import FloatArray
from rigcheck.model.auditing import CalibrationsCompared, CalibrationUse, DayGeometry, TakeGeometry
from rigcheck.model.estimate import Estimate
from rigcheck.model.result import Status

__all__ = ["AuditRun", "BoardInTake", "Take", "TakeRecord"]


@dataclass(frozen=True, kw_only=True)
class Take:
    """One take as listed.

    `footage` is FOOTAGE of each camera, in the order of the cameras; empty where `fault` says why the take cannot be
    read (`hint`: what to do). `recorded` is ISO 8601; `performer` a code name.
    """

    name: str
    footage: tuple[str, ...]
    recorded: str | None = None
    performer: str | None = None
    fault: str = ""
    hint: str = ""


@dataclass(frozen=True, kw_only=True)
class BoardInTake:
    """A board held up during a take: in how many of the pictures looked at, and what `verify` makes of it.

    `status` and `message` are of the check that judges the harm on the face; `reason` says why nothing was made of it.
    """

    seen: int
    status: Status | None = None
    message: str = ""
    reason: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class TakeRecord:
    """What was measured in one take.

    Parameters
    ----------
    take : Take
    cameras : tuple of str
    fault, hint : str
        Why nothing could be read of it, and what to do; empty for a take that was read.
    measurements : mapping of str to Estimate
        By camera where they are one camera's: ``framing.<camera>.roll_deg``.
    geometry : TakeGeometry or None
        None where `geometry_reason` says why not.
    contrast : mapping of camera to (R, C) float64
        Logarithm of the contrast of coarse detail in each cell of the picture as recorded; NaN where it is dark.
    apart : mapping of camera to (R, C) float64
        By how much the skin's contrast is more in this camera's picture than in the other's, logarithm, cell by cell:
        see :class:`rigcheck.face.audit_skin.SkinSeen`; empty where nothing was matched.
    settings : mapping of camera to text
        Size and rate as recorded.
    timecodes : mapping of camera to text
        Of the first picture, where there is one.
    findings : tuple of str
        Sentences about the footage.
    board : BoardInTake or None
        None where no board was seen.
    picture : bytes
        JPEG of the matches of one moment; empty where there is none.
    """

    take: Take
    cameras: tuple[str, ...] = ()
    fault: str = ""
    hint: str = ""
    measurements: Mapping[str, Estimate] = field(default_factory=dict)
    geometry: TakeGeometry | None = None
    geometry_reason: str = ""
    contrast: Mapping[str, FloatArray] = field(default_factory=dict)
    apart: Mapping[str, FloatArray] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)
    timecodes: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[str, ...] = ()
    board: BoardInTake | None = None
    picture: bytes = b""

    @property
    def name(self) -> str:
        """The take's name."""
        return self.take.name

    def number(self, name: str) -> Estimate:
        """A measurement; one without a value when it was not made."""
        known = self.measurements.get(name)
        return known or Estimate(value=None, reason=self.fault or f"{name} was not measured")


@dataclass(frozen=True, kw_only=True, eq=False)
class AuditRun:
    """A day's takes in order, and what they say together.

    Parameters
    ----------
    records : tuple of TakeRecord
    changes : mapping of take to mapping of str to Estimate
        Each take against the reference: see :func:`rigcheck.face.audit_changes.changes_of_day`.
    reference : str
        What slip is counted from: the approved fitting, or a take.
    day : DayGeometry or None
        None where `day_reason` says why not.
    ends : CalibrationsCompared or None
    uses : tuple of CalibrationUse
        One a take, in the order of `records`; empty without a calibration.
    numbers : mapping of str to Estimate
        Of the day as a whole.
    looks : tuple of str
        What differs in the performer's looks from those at the approval, by the record.
    notes : tuple of str
    """

    records: tuple[TakeRecord, ...]
    changes: Mapping[str, Mapping[str, Estimate]]
    reference: str
    day: DayGeometry | None
    day_reason: str = ""
    calibrated: bool = False
    ends: CalibrationsCompared | None = None
    uses: tuple[CalibrationUse, ...] = ()
    numbers: Mapping[str, Estimate] = field(default_factory=dict)
    looks: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def read(self) -> tuple[TakeRecord, ...]:
        """Takes that could be read."""
        return tuple(one for one in self.records if not one.fault)

    @property
    def cameras(self) -> tuple[str, ...]:
        """The cameras' names; empty when no take could be read."""
        return self.read[0].cameras if self.read else ()

    def change(self, take: str, name: str) -> Estimate:
        """A take's change; one without a value when it was not made."""
        known = self.changes.get(take, {}).get(name)
        return known or Estimate(value=None, reason=f"{name} was not measured")

    def day_index(self, take: str) -> int | None:
        """Place of a take among those whose geometry was measured."""
        return self.day.names.index(take) if self.day is not None and take in self.day.names else None
