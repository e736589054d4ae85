"""Pictures and clips of a performer's face, written to files."""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from fractions import Fraction
from pathlib import Path

import numpy as np

from rigcheck.demo.encoding import ClipWriter
from rigcheck.demo.head_clip import FaceClip, face_frames
from rigcheck.model import CameraModel
from rigcheck.opencv import cv2
from rigcheck.records import output_folder

__all__ = ["face_writers", "write_face_clips", "write_face_pictures"]


def write_face_clips(
    folder: str | Path, clip: FaceClip, *, quality: int = 18, replace: bool = False
) -> tuple[Path, ...]:
    """Render a clip and write one H.264 file a camera, named after it.

    Parameters
    ----------
    folder : str or Path
        Its parent must exist.
    clip : FaceClip
    quality : int
        Constant rate factor; smaller is better.
    replace : bool
        Whether files of an earlier run may be replaced.

    Returns
    -------
    tuple of Path, in the order of the cameras

    Raises
    ------
    OutputError
        When the folder cannot be written, or a file stands in the way.
    ValueError
        When the sensor is one of colours.

    Notes
    -----
    The files appear together when all of them are finished, or not at all.
    """
    if clip.scene.sensor.colour:
        raise ValueError("sensor: colour found; clips are written in grey, pictures in colour too")
    with face_writers(
        folder, clip.scene.rig.cameras, frame_rate=clip.frame_rate, quality=quality, replace=replace
    ) as (writers, files):
        for pair in face_frames(clip):
            for writer, picture in zip(writers, pair.pictures, strict=True):
                writer.add(picture.image)
    return files


@contextmanager
def face_writers(
    folder: str | Path,
    cameras: Sequence[CameraModel],
    *,
    frame_rate: Fraction,
    quality: int,
    replace: bool,
) -> Iterator[tuple[list[ClipWriter], tuple[Path, ...]]]:
    """Open one clip a camera, named after it; the files appear together when the block ends well, or not at all.

    Yields
    ------
    writers : list of ClipWriter
    files : tuple of Path
        Where they will be.
    """
    names = [f"{camera.name}.mp4" for camera in cameras]
    with (
        output_folder(Path(folder), replace=replace, protects=tuple(names)) as out,
        ExitStack() as opened,
    ):
        writers = [
            opened.enter_context(
                ClipWriter(
                    opened.enter_context(out.writing(name)),
                    size_px=camera.image_size_px,
                    frame_rate=frame_rate,
                    quality=quality,
                )
            )
            for name, camera in zip(names, cameras, strict=True)
        ]
        yield writers, tuple(Path(folder) / name for name in names)


def write_face_pictures(
    folder: str | Path, clip: FaceClip, *, frames: range | None = None, replace: bool = False
) -> tuple[Path, ...]:
    """Render a clip, or some of its frames, and write lossless pictures in one folder a camera.

    Parameters
    ----------
    folder : str or Path
        Its parent must exist.
    clip : FaceClip
    frames : range, optional
    replace : bool
        Whether files of an earlier run may be replaced.

    Returns
    -------
    tuple of Path
        Folders, in the order of the cameras; a picture is called frame_000123.png by its number in the clip.

    Raises
    ------
    OutputError
        When the folder cannot be written, or a file stands in the way.
    """
    cameras = clip.scene.rig.cameras
    wanted = frames if frames is not None else range(clip.n_frames)
    names = tuple(f"{camera.name}/frame_{index:06d}.png" for index in wanted for camera in cameras)
    with output_folder(Path(folder), replace=replace, protects=names) as out:
        for pair in face_frames(clip, wanted):
            for camera, picture in zip(cameras, pair.pictures, strict=True):
                image = picture.image
                if image.ndim == 3:
                    image = np.ascontiguousarray(image[..., ::-1])  # the writer takes blue first
                content = cv2.imencode(".png", image)[1].tobytes()
                out.write_bytes(f"{camera.name}/frame_{pair.frame_idx:06d}.png", content)
    return tuple(Path(folder) / camera.name for camera in cameras)
