"""A rendered pair of cameras with few pixels, for whole jobs run many times over; and clips of its pictures."""

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from rendered import BOARD_YAML, RIG_YAML, write_picture
from synthetic import BOARD, board_poses, reference_rig

from rigcheck.demo import RenderOptions, Sensor, board_in_space, render_view
from rigcheck.model import RigidTransform, StereoRig

WIDTH, HEIGHT = 540, 720


@dataclass(frozen=True, kw_only=True)
class SmallShoot:
    """Folders of stills of both cameras with board and rig file; the pictures are kept as well."""

    folder: Path
    upper: Path
    lower: Path
    board: Path
    rig: Path
    pictures: dict[str, list[np.ndarray]]


def small_rig() -> StereoRig:
    """The reference rig with pixels twice as large."""
    whole = reference_rig()
    cameras = [
        replace(
            camera,
            image_size_px=(WIDTH, HEIGHT),
            focal_px=(camera.focal_px[0] / 2, camera.focal_px[0] / 2),
            principal_point_px=tuple((np.array(camera.principal_point_px) - 0.5) / 2),
        )
        for camera in (whole.camera1, whole.camera2)
    ]
    return replace(whole, camera1=cameras[0], camera2=cameras[1])


def moments(seed: int, count: int) -> list[RigidTransform]:
    return board_poses(np.random.default_rng([43, seed]), count)


def seen(poses, *, shift_mm=(0.0, 0.0, 0.0), seed=0) -> dict[str, list[np.ndarray]]:
    """Pictures of both cameras with the board at poses given in camera 1, moved by a shift."""
    rig, board = small_rig(), board_in_space(BOARD, texels_per_mm=8.0)
    options = RenderOptions(
        blur_px=0.6, sensor=Sensor(read_noise_dn=1.0, dn_per_electron=0.02), samples=2, grid_step_px=4
    )
    rng, out = np.random.default_rng([44, seed]), {"upper": [], "lower": []}
    for pose in poses:
        first = RigidTransform(
            rotation=pose.rotation, translation_mm=pose.translation_mm + np.array(shift_mm)
        )
        second = RigidTransform(
            rotation=rig.camera2_from_camera1.rotation @ first.rotation,
            translation_mm=rig.camera2_from_camera1.apply(first.translation_mm),
        )
        for name, camera, placed in (("upper", rig.camera1, first), ("lower", rig.camera2, second)):
            out[name].append(render_view(camera, (placed,), board=board, options=options, rng=rng))
    return out


def written(folder: Path, pictures) -> Path:
    folder.mkdir(parents=True)
    for number, picture in enumerate(pictures):
        write_picture(folder / f"{number:04d}.png", picture)
    return folder


def small_shoot(folder: Path, *, count: int = 10, seed: int = 0) -> SmallShoot:
    pictures = seen(moments(seed, count), seed=seed)
    for name, all_of_it in pictures.items():
        written(folder / name, all_of_it)
    (folder / "board.yaml").write_text(BOARD_YAML)
    (folder / "rig.yaml").write_text(RIG_YAML)
    return SmallShoot(
        folder=folder,
        upper=folder / "upper",
        lower=folder / "lower",
        board=folder / "board.yaml",
        rig=folder / "rig.yaml",
        pictures=pictures,
    )


def clip_of(path: Path, pictures, *, aspect: Fraction | None = None, options=None, rate: int = 30) -> Path:
    """Encode pictures as H.264; `aspect` is what the file says of its pixels."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=rate)
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "12", "g": "1", "threads": "1", **(options or {})}
        if aspect is not None:
            stream.codec_context.sample_aspect_ratio = aspect
        for number, picture in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format="gray")
            frame = frame.reformat(format="yuv420p")
            frame.pts, frame.time_base = number, Fraction(1, rate)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path
