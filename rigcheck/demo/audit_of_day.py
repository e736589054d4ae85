"""The demo day's takes: a camera is knocked between two of them, and the audit is to say which."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from rigcheck.demo.clips import DemoClips
from rigcheck.demo.head_clip import FaceClip, Hold
from rigcheck.demo.head_expression import Expression, blended, jaw_open, neutral, smile
from rigcheck.demo.head_files import write_face_pictures
from rigcheck.demo.head_scene import FaceScene
from rigcheck.demo.head_take import knocked_rig
from rigcheck.errors import OutputError
from rigcheck.jobs.audit import AuditInputs, AuditResult, audit, write_audit
from rigcheck.model import RigidTransform

__all__ = ["KNOCKED_FROM", "N_TAKES", "PLANTED_DEG", "audit_of_day"]

N_TAKES = 4
# The first take after the knock, counted from 1, and what the knock turns.
KNOCKED_FROM = 3
PLANTED_DEG = {"convergence": 0.20, "across": 0.06}
_FRAMES = range(0, 48, 24)
_SLIP_MM = 0.6


def audit_of_day(
    folder: Path, footage: DemoClips, scene: FaceScene, *, approved: Path, replace_earlier: bool
) -> tuple[AuditResult, str]:
    """Film a few short takes, audit them, and say what was planted.

    Parameters
    ----------
    folder : Path
        Of the day; its calibration stands in it.
    footage : DemoClips
        The morning's, for the rig file.
    scene : FaceScene
        As at the mended fitting.
    approved : Path
        Result of that fitting.
    replace_earlier : bool

    Raises
    ------
    OutputError
        When a folder cannot be written, or a file stands in the way.
    """
    takes = folder / "takes"
    try:
        takes.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{takes}: cannot be made ({error.strerror or error}).",
            hint="choose another folder for the demo.",
        ) from error
    knocked = knocked_rig(
        scene.rig, convergence_deg=PLANTED_DEG["convergence"], across_deg=PLANTED_DEG["across"]
    )
    for number in range(1, N_TAKES + 1):
        rig = scene.rig if number < KNOCKED_FROM else knocked
        clip = FaceClip(
            scene=replace(scene, rig=rig, rig_from_head=_seated(scene.rig_from_head, number)),
            script=_script(number),
            seed=100 * footage.shoot.seed + number,
            sway_mm=0.0,
        )
        write_face_pictures(takes / f"take_{number}", clip, frames=_FRAMES, replace=replace_earlier)
    result = audit(
        takes,
        given=AuditInputs(
            calibration=folder / "calibration" / "calibration.yaml",
            rig=footage.rig_file,
            approved=approved,
            workers=1,
        ),
    )
    write_audit(result, folder / "audit", replace_earlier=replace_earlier)
    turns = ", ".join(f"{name} {value:+.2f}°" for name, value in PLANTED_DEG.items())
    return result, f"{scene.rig.cameras[1].name} knocked before take_{KNOCKED_FROM} of {N_TAKES}: {turns}"


def _seated(pose: RigidTransform, number: int) -> RigidTransform:
    """The helmet sits a little otherwise in every take: no knock, and none may be told from it."""
    shift = _SLIP_MM * np.array([np.sin(1.7 * number), np.cos(2.3 * number), np.sin(0.9 * number)])
    return RigidTransform(rotation=pose.rotation, translation_mm=pose.translation_mm + shift)


def _script(number: int) -> tuple[Hold, ...]:
    """Each take says something else."""
    said: tuple[Expression, ...] = (neutral(), jaw_open(0.25), smile(), blended(smile(), jaw_open(0.3), 0.5))
    first, second = said[number % len(said)], said[(number + 1) % len(said)]
    return (
        Hold(expression=first, hold_s=0.35, move_s=0.0, name="says"),
        Hold(expression=second, hold_s=0.35, move_s=0.1, name="goes on"),
    )
