"""Whether two calibrations speak of the same cameras at all; if so, in the same names."""

from dataclasses import replace

from rigcheck.errors import ConfigError
from rigcheck.model import Calibration, CameraCalibration

__all__ = ["comparable"]


def comparable(first: Calibration, second: Calibration) -> tuple[Calibration, tuple[str, ...]]:
    """Bring the second calibration to the first's camera names.

    Returns
    -------
    second : Calibration
        With the first's camera names.
    notes : tuple of str
        What differs in what the two were made from.

    Raises
    ------
    ConfigError
        For the same calibration twice, another number of cameras, cameras in another order, names of which only
        some agree, or pictures of another size.
    """
    if _same(first, second):
        raise ConfigError(
            f"both are the calibration made {first.created}; two are needed.",
            hint="give the calibration.yaml of two different calibrations.",
        )
    names = [[entry.camera.name for entry in one.cameras] for one in (first, second)]
    if len(names[0]) != len(names[1]):
        raise ConfigError(
            f"a calibration of {len(names[0])} camera(s) and one of {len(names[1])} found; the same number needed.",
            hint="compare calibrations of the same rig, both of the pair or both of one camera.",
        )
    notes = []
    if names[0] != names[1]:
        if set(names[0]) & set(names[1]):
            raise ConfigError(
                f"cameras {', '.join(names[0])} in the first, {', '.join(names[1])} in the second; the same, in "
                "the same order, needed.",
                hint="calibrate both with the cameras in the order of one rig file.",
            )
        notes.append(
            f"The cameras have other names: {', '.join(names[0])} in the first, {', '.join(names[1])} in the second; "
            "they are compared in this order. Make sure that they are the same cameras."
        )
        second = _renamed(second, names[0])
    for mine, other in zip(first.cameras, second.cameras, strict=True):
        if mine.camera.image_size_px != other.camera.image_size_px:
            sizes = [f"{w} x {h} px" for w, h in (mine.camera.image_size_px, other.camera.image_size_px)]
            raise ConfigError(
                f"{mine.camera.name}: pictures of {sizes[0]} in the first, {sizes[1]} in the second; the same size "
                "needed.",
                hint="a calibration holds for one picture size: compare two made from footage of the same size.",
            )
        if mine.frame_rate_hz != other.frame_rate_hz:
            notes.append(
                f"{mine.camera.name} was filmed {_rate_words(mine)} and {_rate_words(other)}: some cameras read "
                "another part of the sensor at another rate."
            )
    return second, tuple(notes)


def _rate_words(one: CameraCalibration) -> str:
    return f"at {one.frame_rate_hz:g} frames per second" if one.frame_rate_hz else "in stills"


def _same(first: Calibration, second: Calibration) -> bool:
    def essence(one: Calibration) -> tuple[object, ...]:
        pose = None if one.stereo is None else one.stereo.camera2_from_camera1
        numbers = () if pose is None else (pose.rotation.tobytes(), pose.translation_mm.tobytes())
        return (one.created, tuple(entry.camera for entry in one.cameras), numbers)

    return essence(first) == essence(second)


def _renamed(calibration: Calibration, names: list[str]) -> Calibration:
    new = {entry.camera.name: name for entry, name in zip(calibration.cameras, names, strict=True)}

    def parameter(name: str) -> str:
        camera, dot, rest = name.partition(".")
        return f"{new.get(camera, camera)}{dot}{rest}"

    return replace(
        calibration,
        cameras=tuple(
            replace(entry, camera=replace(entry.camera, name=new[entry.camera.name]))
            for entry in calibration.cameras
        ),
        parameters=tuple(parameter(name) for name in calibration.parameters),
    )
