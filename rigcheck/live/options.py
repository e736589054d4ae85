"""What a live session is started with."""

from dataclasses import dataclass
from pathlib import Path

from rigcheck.jobs.fitting_inputs import FittingInputs
from rigcheck.jobs.wearing import WornSaid
from rigcheck.live.state import Mode
from rigcheck.model import BoardSpec, Calibration, PerformerLooks, PerformerRecord, RigDescription

__all__ = ["LiveOptions"]


@dataclass(frozen=True, kw_only=True)
class LiveOptions:
    """What a live session is started with; all but sources and out folder are optional.

    Parameters
    ----------
    sources : tuple of str
        One or two: a capture device ("0", "/dev/video2"), the address of a network stream ("rtsp://…"), a folder that
        stills are saved into, or a video file played at its own rate. One that holds both cameras in a picture ends in
        ``#side-by-side`` or ``#stacked``.
    out : path
        Folder in which moments and calibrations are kept, each in a numbered folder. Nothing is written before.
    rig, calibration, approved, performer, code_name, looks, worn
        As for `fitting`.
    board : BoardSpec or path of a board file, optional
        Needed for board mode.
    mode : "face" or "board"
        What to start with.
    loop : bool
        Play video files again from the start when they end.
    mass_g, overhang_mm : float, optional
        What the head carries, and how far its centre of mass lies before the ear canals; override the record's.
    rest_after_min : float
        Minutes worn after which the reminder to rest shows. No limit for a person: breaks on request, whenever.
    most_per_s : float, optional
        Measure no more often than this.
    aside : bool
        Measure each camera in a process of its own: both cores are taken, and starting takes a second or two.
    picture_height_px : int
        Height of the upright pictures for the page.
    stills : int
        Pictures kept of each camera when a moment is kept, over about a second.
    """

    sources: tuple[str, ...]
    out: str | Path
    rig: RigDescription | str | Path | None = None
    calibration: Calibration | str | Path | None = None
    approved: str | Path | None = None
    performer: PerformerRecord | str | Path | None = None
    code_name: str | None = None
    looks: PerformerLooks | None = None
    worn: WornSaid | None = None
    board: BoardSpec | str | Path | None = None
    mode: Mode = "face"
    loop: bool = False
    mass_g: float | None = None
    overhang_mm: float | None = None
    rest_after_min: float = 30.0
    most_per_s: float | None = None
    aside: bool = False
    picture_height_px: int = 720
    stills: int = 4

    @property
    def fitting(self) -> FittingInputs:
        """What of this `fitting` takes beside the pictures."""
        return FittingInputs(
            rig=self.rig,
            calibration=self.calibration,
            approved=self.approved,
            performer=self.performer,
            code_name=self.code_name,
            looks=self.looks,
            worn=self.worn,
        )
