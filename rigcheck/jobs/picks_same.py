"""Whether a clip was recorded as the calibration and the approved fitting, and whether the performer looks the same."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from rigcheck.face.picks_run import SettingChange
from rigcheck.footage import Clip
from rigcheck.jobs.fitting_inputs import ReadInputs
from rigcheck.jobs.rig_settings import settings_differ
from rigcheck.model import CameraCalibration, CameraDescription, PerformerLooks, RigDescription
from rigcheck.records import file_sha256

__all__ = ["looks_changed", "setting_changes"]

_RATE_SHARE, _SHAPE_SHARE = 0.001, 0.005
# Focused near, a lens draws up to some 5 % larger than its nominal focal length says; the next lens is 25 % off.
_LENS_SHARE = 0.12
SETTINGS = "rig_settings"  # where a result's options hold `settings_of`
_FITTED = "at the approved fitting"
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
        Its lens, aperture, focus, transfer curve, range, shutter and mounting are compared one by one with those that
        the calibration and the approved fitting hold. Where the fitting holds none of them, a rig file of other content
        counts as a change.
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
    held = read.calibration.provenance.options.get(SETTINGS)
    found = _by_field(held, read.rig, "when calibrated")
    mounts = read.calibration.provenance.options.get("mount_rotation_deg")
    for k, (clip, entry) in enumerate(zip(clips, read.calibration.cameras, strict=True)):
        name, info = clip.info.camera, clip.info
        pairs = [(f"{name}: picture size", *_sizes(entry.camera.image_size_px, info.size_px))]
        pairs += _rates(clip, entry.frame_rate_hz)
        if not held and read.rig is not None and isinstance(mounts, list) and k < len(mounts):
            pairs.append((f"{name}: mounting", f"{mounts[k]}°", f"{read.rig.cameras[k].mount_rotation_deg}°"))
        if not held:
            pairs += _lens_of(name, entry, read.described(k))
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
    held = read.approved.provenance.options.get(SETTINGS)
    found, numbers = _by_field(held, read.rig, _FITTED), read.approved.measurements
    rates = read.approved.provenance.options.get("frame_rate_hz")
    for clip in clips:
        then_hz = rates.get(clip.info.camera) if isinstance(rates, Mapping) else None
        found += [
            SettingChange(name=what, then=then, now=now, since=_FITTED)
            for what, then, now in _rates(clip, then_hz)
        ]
        name = clip.info.camera
        sides = [numbers.get(f"framing.{name}.{side}_px") for side in ("width", "height")]
        known = [each.value for each in sides if each is not None and each.value is not None]
        # The fitting's are those of the upright picture: which side is which depends on the mounting.
        if len(known) == 2 and sorted(known) != sorted(float(side) for side in clip.info.size_px):
            before_px, now_px = _sizes((round(known[0]), round(known[1])), clip.info.size_px)
            found.append(
                SettingChange(name=f"{name}: picture size", then=before_px, now=now_px, since=_FITTED)
            )
    given = read.approved.provenance.options.get("rig")
    before = read.approved.provenance.inputs_sha256.get(str(given))
    if not held and before is not None and isinstance(rig, str | Path) and file_sha256(rig) != before:
        found.append(
            SettingChange(
                name="rig file (lens, crop, transfer curve)",
                then="other content",
                now=str(rig),
                since=_FITTED,
            )
        )
    return found


def _by_field(held: object, rig: RigDescription | None, since: str) -> list[SettingChange]:
    return [
        SettingChange(name=name, then=then, now=now, since=since)
        for name, then, now in settings_differ(held, rig)
    ]


def _rates(clip: Clip, then_hz: object) -> list[tuple[str, str, str]]:
    """Frames a second then and now, where both are known and differ."""
    now = clip.info.frame_rate
    if not isinstance(then_hz, int | float) or then_hz <= 0 or not now:
        return []
    if abs(float(now) / then_hz - 1.0) <= _RATE_SHARE:
        return []
    return [(f"{clip.info.camera}: frames a second", f"{then_hz:g}", f"{float(now):g}")]


def _lens_of(
    name: str, entry: CameraCalibration, described: CameraDescription | None
) -> list[tuple[str, str, str]]:
    """The rig file's lens against the focal length calibrated, where the calibration does not hold the lens itself."""
    if described is None or described.focal_length_mm is None or described.pixel_pitch_um is None:
        return []
    calibrated_mm = float(sum(entry.camera.focal_px)) / 2.0 * described.pixel_pitch_um / 1000.0
    if abs(calibrated_mm / described.focal_length_mm - 1.0) <= _LENS_SHARE:
        return []
    return [(f"{name}: lens", f"{calibrated_mm:.1f} mm as calibrated", f"{described.focal_length_mm:g} mm")]


def _sizes(then_px: tuple[int, int], now_px: tuple[int, int]) -> tuple[str, str]:
    """Both sizes in words; of sizes that differ also whether the picture was scaled or cropped."""
    if tuple(then_px) == tuple(now_px):
        return _size(then_px), _size(now_px)
    across, down = (now / then for now, then in zip(now_px, then_px, strict=True))
    how = f"scaled by {across:.3g}" if abs(across / down - 1.0) < _SHAPE_SHARE else "another crop"
    return _size(then_px), f"{_size(now_px)} ({how})"


def _size(size_px: tuple[int, int]) -> str:
    return f"{size_px[0]} × {size_px[1]} px"
