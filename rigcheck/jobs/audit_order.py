"""What a process needs to measure one take: plain values that can be handed to it."""

from dataclasses import dataclass, field

from rigcheck.model import Calibration, PerformerLooks, RigDescription
from rigcheck.model.take import Take

__all__ = ["TakeOrder"]


@dataclass(frozen=True, kw_only=True, eq=False)
class TakeOrder:
    """One take to measure.

    `cameras` are the cameras' names in order; `calibration_sha256` and `rig_sha256` stand for the files' content in the
    record's name.
    """

    take: Take
    cameras: tuple[str, ...]
    calibration: Calibration | None = None
    rig: RigDescription | None = None
    looks: PerformerLooks = field(default_factory=PerformerLooks)
    pictures: bool = True
    calibration_sha256: str = ""
    rig_sha256: str = ""

    @property
    def working_distance_mm(self) -> float:
        """By the rig file, else by the calibration, else 200."""
        if self.rig is not None and self.rig.working_distance_mm:
            return self.rig.working_distance_mm
        volume = None if self.calibration is None else self.calibration.face_volume
        return 200.0 if volume is None else volume.working_distance_mm
