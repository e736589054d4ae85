"""The demo day's clip of a neutral and a bite, what a performer does between them, and the frames picked from it."""

from fractions import Fraction
from pathlib import Path

from rigcheck.demo.clips import DemoClips
from rigcheck.demo.head_acting import look_at_point
from rigcheck.demo.head_clip import FaceClip, Hold
from rigcheck.demo.head_expression import bite, blended, jaw_open, neutral, smile
from rigcheck.demo.head_files import write_face_clips
from rigcheck.demo.head_scene import FaceScene
from rigcheck.jobs.picks import PicksInputs, PicksResult, picks, write_picks

__all__ = ["PLANTED", "picks_of_day", "script_of"]

PLANTED = (
    "a look at the lens, a smile and an open mouth before the neutral and the bite; of {seconds:g} s the neutral is "
    "held from {neutral[0]:g} to {neutral[1]:g} s, the bite from {bite[0]:g} to {bite[1]:g} s"
)
_MOVE_S = 1.0 / 30.0  # a picture on the way: what moves is dear to render


def script_of(scene: FaceScene) -> tuple[Hold, ...]:
    """What the performer does; `name` tells the two that are wanted."""
    lens = look_at_point(
        scene.performer, scene.rig.camera_from_rig[0].inverse().translation_mm, scene.rig_from_head
    )
    return (
        Hold(expression=lens, hold_s=0.6, move_s=0.0, name="looks at the lens"),
        Hold(expression=blended(neutral(), smile(), 0.6), hold_s=0.5, move_s=_MOVE_S, name="smiles"),
        Hold(expression=neutral(), hold_s=1.5, move_s=_MOVE_S, name="neutral"),
        Hold(expression=jaw_open(0.4), hold_s=0.4, move_s=_MOVE_S, name="mouth open"),
        Hold(expression=bite(), hold_s=1.2, move_s=_MOVE_S, name="bite"),
    )


def held_s(script: tuple[Hold, ...], name: str) -> tuple[float, float]:
    """From when to when a hold is reached and held, s."""
    start = 0.0
    for hold in script:
        if hold.name == name:
            return start + hold.move_s, start + hold.move_s + hold.hold_s
        start += hold.move_s + hold.hold_s
    raise KeyError(name)


def picks_of_day(
    folder: Path,
    footage: DemoClips,
    scene: FaceScene,
    *,
    approved: Path,
    performer: Path,
    replace_earlier: bool,
) -> tuple[PicksResult, str]:
    """Film the clip, pick from it, and say what was planted.

    Parameters
    ----------
    folder : Path
        Of the day; its calibration stands in it.
    footage : DemoClips
        The morning's, for the rig file.
    scene : FaceScene
        As at the mended fitting.
    approved, performer : Path
        Result and record of that fitting.
    replace_earlier : bool

    Raises
    ------
    OutputError
        When a folder cannot be written, or a file stands in the way.
    """
    script = script_of(scene)
    clip = FaceClip(
        scene=scene,
        script=script,
        frame_rate=Fraction(round(footage.shoot.frame_rate)),
        sway_mm=0.0,
        seed=footage.shoot.seed,
    )
    files = write_face_clips(folder / "picks-footage", clip, replace=replace_earlier)
    result = picks(
        files[0],
        files[1],
        given=PicksInputs(
            rig=footage.rig_file,
            calibration=folder / "calibration" / "calibration.yaml",
            approved=approved,
            performer=performer,
        ),
    )
    write_picks(result, folder / "picks", replace_earlier=replace_earlier)
    planted = PLANTED.format(
        seconds=clip.seconds,
        neutral=[round(each, 1) for each in held_s(script, "neutral")],
        bite=[round(each, 1) for each in held_s(script, "bite")],
    )
    return result, planted
