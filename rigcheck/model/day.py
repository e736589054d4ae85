"""A shoot day as planned: steps that need each other; and as it went."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rigcheck.model.performer import PerformerLooks
from rigcheck.model.result import Report

__all__ = ["DayPlan", "DayRun", "DayStep", "StepCommand", "StepOutcome", "StepState"]

StepCommand = Literal["calibrate", "verify", "fitting", "picks", "audit"]
StepState = Literal["measured", "unchanged", "not measured", "held back"]


@dataclass(frozen=True, kw_only=True)
class DayStep:
    """One step of a day.

    Parameters
    ----------
    name : str
        Its own within the day; also the name of its folder.
    command : StepCommand
    rig, performer : str or None
        Names within the day, for people.
    footage : tuple of str
        FOOTAGE of each camera as written, relative to the day's file; empty for `audit`.
    files : mapping of str to str
        Files and folders as written, by what they are to the step: "board", "rig", "calibration", "takes", …
    from_steps : mapping of str to str
        Names of the steps whose files it uses, by what they are to it.
    points : tuple of str
        Files of marked points as written.
    options : mapping
        Options by name, plain values; what is not named is left to the command.
    looks : PerformerLooks
        As said for the performer.
    even_if_failed : bool
        Whether it runs on a calibration or an approved fitting whose verdict is fail.
    mends : str or None
        Name of the step before it that this one repeats after something was mended.
    where : str
        File and line of the step, for messages.
    """

    name: str
    command: StepCommand
    rig: str | None = None
    performer: str | None = None
    footage: tuple[str, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)
    from_steps: Mapping[str, str] = field(default_factory=dict)
    points: tuple[str, ...] = ()
    options: Mapping[str, object] = field(default_factory=dict)
    looks: PerformerLooks = field(default_factory=PerformerLooks)
    even_if_failed: bool = False
    mends: str | None = None
    where: str = ""


@dataclass(frozen=True, kw_only=True)
class DayPlan:
    """A day: its title, its steps in the order in which they run, and the folders that it may read from.

    `folders` are as written, relative to the day's file.
    """

    title: str
    steps: tuple[DayStep, ...]
    folders: tuple[str, ...] = (".",)


@dataclass(frozen=True, kw_only=True)
class StepOutcome:
    """How a step went.

    `report` is None where nothing could be measured; `message` says why the step ran, or why not, and `hint` what to
    do about it.
    """

    step: DayStep
    state: StepState
    report: Report | None = None
    message: str = ""
    hint: str = ""


@dataclass(frozen=True, kw_only=True)
class DayRun:
    """A day as it went, in the order of its steps; `notes` are of the whole."""

    title: str
    outcomes: tuple[StepOutcome, ...]
    notes: tuple[str, ...] = ()

    @property
    def mended(self) -> dict[str, str]:
        """Steps that a later one made good, to the name of that one: it has a result, and did not fail."""
        return {
            one.step.mends: one.step.name
            for one in self.outcomes
            if one.step.mends is not None and one.report is not None and one.report.verdict != "fail"
        }

    @property
    def counted(self) -> tuple[StepOutcome, ...]:
        """Outcomes that speak for the day: all but those made good later."""
        mended = self.mended
        return tuple(one for one in self.outcomes if one.step.name not in mended)
