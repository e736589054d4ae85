"""Rig files: what the technician knows of the cameras beforehand."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from rigcheck.model import CameraDescription, Proxy, RigDescription
from rigcheck.records.document import Document
from rigcheck.records.headers import VERSION, require_kind
from rigcheck.records.validation import CameraName, Format, NonNegative, Positive, Text, validated
from rigcheck.records.yaml_reading import read_yaml

__all__ = ["RESERVED_CAMERA_NAMES", "RigFormat", "check_camera_names", "read_rig"]

# Measurements are named "<camera>.<quantity>"; these words stand there for something else.
RESERVED_CAMERA_NAMES = ("stereo", "board", "views", "pair", "rig", "face")


class TransferTable(Format):
    """A measured transfer curve in a file of its own."""

    table: Text


class CameraFormat(Format):
    """One camera; everything but the name may be left out."""

    name: CameraName
    serial: Text | None = None
    mount_rotation_deg: Literal[0, 90, 180, 270] = 0
    pixel_pitch_um: Positive | None = None
    focal_length_mm: Positive | None = None
    f_number: Positive | None = None
    focused_at_mm: Positive | None = None
    transfer: Literal["linear", "srgb", "bt709", "gamma_2_2", "gamma_2_4"] | TransferTable | None = None
    range: Literal["full", "video"] | None = None
    black_level: NonNegative | None = None
    shutter_s: Positive | None = None
    wavelength: Literal["visible", "near_infrared"] | None = None


class ProxyFormat(Format):
    """Footage that is not the camera original: its scale, the part of the original it shows (x, y, w, h)."""

    scale: Annotated[float, Field(gt=0, le=16)]
    crop: Annotated[list[Annotated[int, Field(ge=0)]], Field(min_length=4, max_length=4)] | None = None


class RigFormat(Format):
    """A rig: one camera or two, and what is known of them."""

    version: Literal[1] = VERSION
    name: Text
    cameras: Annotated[list[CameraFormat], Field(min_length=1, max_length=2)]
    frame_rate: Annotated[float, Field(gt=0, le=10000)] | None = None
    working_distance_mm: Annotated[float, Field(gt=0, le=100000)] | None = None
    synchronised: bool | None = None
    proxy: ProxyFormat | None = None
    limits: dict[str, float] | None = None


def read_rig(path: str | Path) -> RigDescription:
    """Read a rig file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    RigDescription
        A measured transfer curve appears as ``table:FILE``, the file as written in the rig file. Names
        of `limits` are checked where limits are known, not here.

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When its content breaks the format.
    """
    document = read_yaml(Path(path), "a rig file")
    require_kind(document, "rig")
    content = validated(document, RigFormat)
    check_camera_names(document, [camera.name for camera in content.cameras])
    proxy = content.proxy
    if proxy is not None and proxy.crop is not None and min(proxy.crop[2:]) < 1:
        raise document.error(
            ("proxy", "crop"),
            "a crop without width or height found",
            hint="write x, y, width, height in pixels.",
        )
    return RigDescription(
        name=content.name,
        cameras=tuple(_camera(camera) for camera in content.cameras),
        frame_rate=content.frame_rate,
        working_distance_mm=content.working_distance_mm,
        synchronised=content.synchronised,
        proxy=None if proxy is None else Proxy(scale=proxy.scale, crop=_crop(proxy.crop)),
        limits=dict(content.limits or {}),
    )


def check_camera_names(document: Document, names: list[str]) -> None:
    """Refuse reserved and repeated camera names.

    Raises
    ------
    SchemaError
    """
    for idx, name in enumerate(names):
        if name.casefold() in RESERVED_CAMERA_NAMES:
            raise document.error(
                ("cameras", idx, "name"),
                f"the name {name!r} found, which stands for something else",
                hint="rename it.",
            )
        if name.casefold() in [earlier.casefold() for earlier in names[:idx]]:
            raise document.error(
                ("cameras", idx, "name"),
                f"the name {name!r} a second time found",
                hint="give each camera its own name.",
            )


def _camera(content: CameraFormat) -> CameraDescription:
    transfer = content.transfer
    return CameraDescription(
        name=content.name,
        serial=content.serial,
        mount_rotation_deg=content.mount_rotation_deg,
        pixel_pitch_um=content.pixel_pitch_um,
        focal_length_mm=content.focal_length_mm,
        f_number=content.f_number,
        focused_at_mm=content.focused_at_mm,
        transfer=f"table:{transfer.table}" if isinstance(transfer, TransferTable) else transfer,
        value_range=content.range,
        black_level=content.black_level,
        shutter_s=content.shutter_s,
        wavelength=content.wavelength,
    )


def _crop(values: list[int] | None) -> tuple[int, int, int, int] | None:
    return None if values is None else (values[0], values[1], values[2], values[3])
