"""Whether a clip was recorded as the calibration and the approved fitting, and whether the performer looks the same."""

from collections.abc import Sequence
from pathlib import Path

from rigcheck.face.picks_run import SettingChange
from rigcheck.footage import Clip
from rigcheck.jobs.fitting_inputs import ReadInputs
from rigcheck.model import PerformerLooks, RigDescription
from rigcheck.records import file_sha256

__all__ = ["looks_changed", "setting_changes"]

_RATE_SHARE = 0.001
_LOOKS = (
    "glasses",
    "accessories",
    "heavy_make_up",
    "hair_over_brows",
    "facial_hair",
    "make_up_note",
    "hair_note",
)


def setting_changes(
    clips: Sequence[Clip], read: ReadInputs, rig: RigDescription | str | Path | None
) -> tuple[tuple[SettingChange, ...], bool]:
    """Settings that differ from the calibration's and the approved fitting's, and whether there was either.

    Parameters
    ----------
    clips : sequence of Clip
    read : ReadInputs
    rig : as given
        A rig file whose content is not that of the approved fitting's counts as a change: lens, crop and transfer
        curve stand there.
    """
    found = [*_since_calibration(clips, read), *_since_fitting(clips, read, rig)]
    return tuple(found), read.calibration is not None or read.approved is not None


def looks_changed(read: ReadInputs) -> tuple[str, ...] | None:
    """Looks that are known now and at approval, and differ; None where no approval is known."""
    approved = read.record.approved
    if approved is None:
        return None
    return tuple(name for name in _LOOKS if _differ(read.looks, approved.looks, name))


def _differ(now: PerformerLooks, then: PerformerLooks, name: str) -> bool:
    before, after = getattr(then, name), getattr(now, name)
    return before not in (None, "") and after not in (None, "") and before != after


def _since_calibration(clips: Sequence[Clip], read: ReadInputs) -> list[SettingChange]:
    if read.calibration is None:
        return []
    found = []
    mounts = read.calibration.provenance.options.get("mount_rotation_deg")
    for k, (clip, entry) in enumerate(zip(clips, read.calibration.cameras, strict=True)):
        name, info = clip.info.camera, clip.info
        pairs = [(f"{name}: picture size", _size(entry.camera.image_size_px), _size(info.size_px))]
        rate = None if info.frame_rate is None else float(info.frame_rate)
        if entry.frame_rate_hz and rate and abs(rate / entry.frame_rate_hz - 1.0) > _RATE_SHARE:
            pairs.append((f"{name}: frames a second", f"{entry.frame_rate_hz:g}", f"{rate:g}"))
        if read.rig is not None and isinstance(mounts, list) and k < len(mounts):
            pairs.append((f"{name}: mounting", f"{mounts[k]}°", f"{read.rig.cameras[k].mount_rotation_deg}°"))
        found += [
            SettingChange(name=what, then=then, now=now, since="when calibrated")
            for what, then, now in pairs
            if then != now
        ]
    return found


def _since_fitting(
    clips: Sequence[Clip], read: ReadInputs, rig: RigDescription | str | Path | None
) -> list[SettingChange]:
    if read.approved is None:
        return []
    found, numbers = [], read.approved.measurements
    for clip in clips:
        name = clip.info.camera
        sides = [numbers.get(f"framing.{name}.{side}_px") for side in ("width", "height")]
        known = [each.value for each in sides if each is not None and each.value is not None]
        # The fitting's are those of the upright picture: which side is which depends on the mounting.
        if len(known) == 2 and sorted(known) != sorted(float(side) for side in clip.info.size_px):
            then = _size((round(known[0]), round(known[1])))
            found.append(
                SettingChange(
                    name=f"{name}: picture size",
                    then=then,
                    now=_size(clip.info.size_px),
                    since="at the approved fitting",
                )
            )
    given = read.approved.provenance.options.get("rig")
    before = read.approved.provenance.inputs_sha256.get(str(given))
    if before is not None and isinstance(rig, str | Path) and file_sha256(rig) != before:
        found.append(
            SettingChange(
                name="rig file (lens, crop, transfer curve)",
                then="other content",
                now=str(rig),
                since="at the approved fitting",
            )
        )
    return found


def _size(size_px: tuple[int, int]) -> str:
    return f"{size_px[0]} × {size_px[1]} px"
