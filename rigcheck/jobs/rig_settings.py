"""What a rig file says of how its cameras record: kept with a result, and compared with a later one field by field."""

from collections.abc import Mapping, Sequence

from rigcheck.model import RigDescription

__all__ = ["FIELDS", "settings_differ", "settings_of"]

# Fields of a camera in the rig file, and what they are called on a page.
FIELDS: Mapping[str, str] = {
    "focal_length_mm": "lens, mm",
    "f_number": "aperture, f-number",
    "focused_at_mm": "focus, mm",
    "transfer": "transfer curve",
    "value_range": "range of code values",
    "black_level": "black level",
    "shutter_s": "shutter, s",
    "mount_rotation_deg": "mounting, °",
}


def settings_of(rig: RigDescription | None) -> list[dict[str, object]]:
    """Plain values of each camera for a result's options; empty without a rig file.

    Parameters
    ----------
    rig : RigDescription or None
    """
    if rig is None:
        return []
    crop = None if rig.proxy is None or rig.proxy.crop is None else list(rig.proxy.crop)
    return [
        {
            "name": camera.name,
            **{field: getattr(camera, field) for field in FIELDS},
            "proxy_scale": None if rig.proxy is None else rig.proxy.scale,
            "proxy_crop": crop,
        }
        for camera in rig.cameras
    ]


def settings_differ(then: object, rig: RigDescription | None) -> list[tuple[str, str, str]]:
    """Fields that both know and that differ, each as (camera and field, then, now).

    Parameters
    ----------
    then : object
        What an earlier result's options hold of `settings_of`; anything else counts as nothing known.
    rig : RigDescription or None
        Now.
    """
    if not isinstance(then, Sequence) or isinstance(then, str):
        return []
    before = {str(each.get("name")): each for each in then if isinstance(each, Mapping)}
    labels = {**FIELDS, "proxy_scale": "scale of the proxy", "proxy_crop": "crop of the proxy"}
    found = []
    for now in settings_of(rig):
        earlier = before.get(str(now["name"]), {})
        for field, label in labels.items():
            one, two = earlier.get(field), now[field]
            if one is not None and two is not None and one != two:
                found.append((f"{now['name']}: {label}", str(one), str(two)))
    return found
