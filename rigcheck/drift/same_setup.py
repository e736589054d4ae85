"""Whether today's footage can be held against a calibration at all: cameras, picture size, rate, board."""

from collections.abc import Sequence

from rigcheck.errors import BoardError, ConfigError
from rigcheck.geometry.board_views import CameraSetup
from rigcheck.model import BoardSpec, Calibration, RigDescription

# Rates in files are often rounded: 59.94 and 60 are two rates, 59.94 and 59.9401 one.
_SAME_RATE = 2e-4

__all__ = ["refuse_other_cameras", "refuse_other_rig_file", "refuse_other_setup", "same_board"]


def refuse_other_cameras(calibration: Calibration, count: int) -> None:
    """Raise ConfigError when the calibration is of another number of cameras than footage was given of."""
    if len(calibration.cameras) != count:
        names = ", ".join(entry.camera.name for entry in calibration.cameras)
        raise ConfigError(
            f"the calibration is of {len(calibration.cameras)} camera(s) ({names}); footage of {count} is given.",
            hint="give one footage a camera, in the calibration's order, or the calibration of this camera alone.",
        )


def refuse_other_rig_file(calibration: Calibration, rig: RigDescription | None) -> None:
    """Raise ConfigError when the rig file names other cameras than the calibration, or in another order."""
    if rig is None:
        return
    stored = [entry.camera.name for entry in calibration.cameras]
    named = [camera.name for camera in rig.cameras]
    if stored == named:
        return
    problem = "in another order" if sorted(stored) == sorted(named) else "others"
    raise ConfigError(
        f"{rig.name}: the rig file names {', '.join(named)}; the calibration is of {', '.join(stored)} ({problem}).",
        hint="give the rig file that was used for the calibration, and the calibration of this rig.",
    )


def refuse_other_setup(calibration: Calibration, setups: Sequence[CameraSetup]) -> None:
    """Raise ConfigError when footage has another picture size or frame rate than the calibration's."""
    for entry, setup in zip(calibration.cameras, setups, strict=True):
        size = entry.camera.image_size_px
        if size != setup.image_size_px:
            raise ConfigError(
                f"{setup.name}: pictures of {setup.image_size_px[0]} x {setup.image_size_px[1]} px found; the "
                f"calibration was made from {size[0]} x {size[1]} px.",
                hint="record at the size of the calibration, or give the calibration made at this size.",
            )
        then, now = entry.frame_rate_hz, setup.frame_rate_hz
        if then is not None and now is not None and abs(now / then - 1.0) > _SAME_RATE:
            raise ConfigError(
                f"{setup.name}: {now:g} frames per second found; the calibration was made at {then:g}.",
                hint="record at the rate of the calibration: at another rate some cameras read another part of the "
                "sensor. Or give the calibration made at this rate.",
            )


def same_board(calibration: Calibration, board: BoardSpec) -> tuple[str, ...]:
    """Raise BoardError when the board is not the one calibrated with; else what to say of it.

    Notes
    -----
    Of another print the scale error would not cancel: it would show as a change of the baseline. Only the
    description can be compared; a second print from the same file cannot be told from the first.
    """
    then = calibration.board
    fields = ("kind", "squares", "square_mm", "marker_mm", "dictionary", "layout")
    differ = [field for field in fields if getattr(then, field) != getattr(board, field)]
    if differ:
        told = "; ".join(f"{field} {getattr(board, field)}, then {getattr(then, field)}" for field in differ)
        raise BoardError(
            f"{board.name}: not the board of the calibration, which used {then.name} ({told}).",
            hint="film the board that the rig was calibrated with: only then does the scale error of its print cancel.",
        )
    if then.measured != board.measured:
        return (
            "The board file gives other measured lengths than at the calibration; those of the calibration were used, "
            "so that the print's scale cancels.",
        )
    return ()
