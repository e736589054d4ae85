"""One step of a day run as its command runs it, into its own folder."""

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigcheck.errors import InputError, OutputError
from rigcheck.jobs import audit, calibrate, fitting, picks, verify
from rigcheck.jobs.opening import PairingChoice
from rigcheck.model import Report
from rigcheck.model.day import DayStep, StepCommand
from rigcheck.report import ProgressSink

__all__ = ["OUTPUTS", "RUNNERS", "Runner", "StepOrder"]


@dataclass(frozen=True, kw_only=True, eq=False)
class StepOrder:
    """A step with everything it reads as paths from where the program runs, and where it writes.

    `replace` says whether files of an earlier run in `folder` may be replaced.
    """

    step: DayStep
    footage: tuple[str, ...]
    files: Mapping[str, Path]
    points: tuple[Path, ...]
    folder: Path
    replace: bool
    progress: ProgressSink

    def option(self, name: str) -> Any:  # noqa: ANN401 - its type hangs on the name
        """An option of the step; the day's file was read strictly, so that it has the type it should have."""
        return self.step.options[name]

    @property
    def pairing(self) -> PairingChoice:
        """How pictures are paired."""
        return PairingChoice(by=self.option("pair"), offset_frames=self.option("offset_frames"))


Runner = Callable[[StepOrder], Report]


def _calibrate(order: StepOrder) -> Report:
    result = calibrate.calibrate(
        *order.footage,
        board=order.files["board"],
        rig=order.files.get("rig"),
        pairing=order.pairing,
        lens=order.option("lens"),
        flat_board=order.option("flat_board"),
        prior=order.files.get("prior"),
        progress=order.progress,
    )
    calibrate.write_calibration(result, order.folder, replace_earlier=order.replace)
    return result.report


def _verify(order: StepOrder) -> Report:
    result = verify.verify(
        *order.footage,
        calibration=order.files["calibration"],
        board=order.files["board"],
        rig=order.files.get("rig"),
        pairing=order.pairing,
        label=order.option("label"),
        progress=order.progress,
    )
    verify.write_verification(result, order.folder, replace_earlier=order.replace)
    return result.report


def _fitting(order: StepOrder) -> Report:
    given = fitting.FittingInputs(
        rig=order.files.get("rig"),
        calibration=order.files.get("calibration"),
        points=order.points,
        approved=order.files.get("approved"),
        performer=order.files.get("record"),
        code_name=order.step.performer,
        looks=order.step.looks,
        pairing=order.pairing,
    )
    try:
        result = fitting.fitting(*order.footage, given=given, progress=order.progress)
    except fitting.FaceNotFound as error:
        if error.marking is None:
            raise
        picture, template = fitting.marking_names(error.marking)
        # One that is there may be filled in already: it is kept.
        with suppress(OutputError):
            fitting.write_marking(error.marking, order.folder)
        raise InputError(
            error.message,
            hint=f"{error.hint} The picture is {order.folder / picture}, the file to fill in "
            f"{order.folder / template}; put it beside the day file and name it under points: of this step.",
        ) from error
    fitting.write_fitting(
        result, order.folder, pictures=order.option("pictures"), replace_earlier=order.replace
    )
    return result.report


def _picks(order: StepOrder) -> Report:
    given = picks.PicksInputs(
        rig=order.files.get("rig"),
        calibration=order.files.get("calibration"),
        approved=order.files.get("approved"),
        performer=order.files.get("record"),
        want=picks.read_want(",".join(order.option("want"))),
        reference=order.option("reference"),
        pairing=order.pairing,
    )
    result = picks.picks(*order.footage, given=given, progress=order.progress)
    picks.write_picks(result, order.folder, pictures=order.option("pictures"), replace_earlier=order.replace)
    return result.report


def _audit(order: StepOrder) -> Report:
    given = audit.AuditInputs(
        calibration=order.files.get("calibration"),
        end_calibration=order.files.get("end_calibration"),
        rig=order.files.get("rig"),
        approved=order.files.get("approved"),
        performer=order.files.get("record"),
        workers=order.option("workers"),
        pictures=order.option("pictures"),
    )
    # Takes measured before an interrupt are kept by name of what they were made from: going on is always right.
    work = audit.refuse_unfinished(order.folder, resume=True, replace=False)
    with audit.keeping(work, pictures=given.pictures, go_on="the same command goes on from them"):
        result = audit.audit(order.files["takes"], given=given, work=work, progress=order.progress)
        audit.write_audit(result, order.folder, replace_earlier=order.replace)
    return result.report


RUNNERS: Mapping[StepCommand, Runner] = {
    "calibrate": _calibrate,
    "verify": _verify,
    "fitting": _fitting,
    "picks": _picks,
    "audit": _audit,
}
# Files of an earlier run that are not replaced without being asked.
OUTPUTS: Mapping[StepCommand, tuple[str, ...]] = {
    "calibrate": calibrate.OUTPUTS,
    "verify": verify.OUTPUTS,
    "fitting": fitting.OUTPUTS,
    "picks": picks.OUTPUTS,
    "audit": audit.OUTPUTS,
}
