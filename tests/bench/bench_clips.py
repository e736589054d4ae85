"""The footage of the bench of a whole calibration: rendered once, kept in a cache folder.

A minute of a hand-held board at 60 pictures a second, 1080 x 1440 px, both cameras, every frame rendered (no
loop). Each camera's pictures are encoded twice, as H.264 at about 20 Mbit/s with arithmetic coding and deblocking as
cameras do it: once with a keyframe a second, once with a keyframe at the start only. As in the demo, the encoder is
kept from rounding small differences down to none, so that recipes and `calibrate` see corners where they are. The
cost is about 12 minutes of CPU time and 600 MB.
"""

import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from rigcheck.demo.clips import CalibrationShoot, calibration_shoot
from rigcheck.demo.paperwork import board_text, rig_text
from rigcheck.demo.view import render_view

SECONDS, FRAME_RATE, SEED = 60.0, 60, 3
MBIT_S = 20
VARIANTS = {"often": FRAME_RATE, "once": 10**6}
_CODING = "no-dct-decimate=1:deadzone-inter=0:deadzone-intra=0:bframes=0:scenecut=0"
_FULL_RANGE = 2


def shoot() -> CalibrationShoot:
    """What is filmed, and its truth."""
    return calibration_shoot(SEED, seconds=SECONDS, frame_rate=float(FRAME_RATE))


def clip_path(cache: Path, variant: str, number: int) -> Path:
    """File of camera 1 or 2 in one of `VARIANTS`."""
    return cache / f"{variant}-{number}.mp4"


def prepare(cache: Path) -> CalibrationShoot:
    """Render what the cache lacks; the cache's rig and board files are written anew each time."""
    scene = shoot()
    cache.mkdir(parents=True, exist_ok=True)
    (cache / "rig.yaml").write_text(rig_text(scene.day.description), encoding="utf-8")
    (cache / "board.yaml").write_text(board_text(scene.day.board), encoding="utf-8")
    missing = [number for number in (1, 2) if not all(clip_path(cache, v, number).exists() for v in VARIANTS)]
    with ThreadPoolExecutor(max_workers=2) as pool:
        list(pool.map(lambda number: _render(cache, scene, number), missing))
    return scene


def _render(cache: Path, scene: CalibrationShoot, number: int) -> None:
    camera, options = scene.camera(number), scene.options(number)
    unfinished = {variant: cache / f"unfinished-{variant}-{number}.mp4" for variant in VARIANTS}
    writers = [
        _writer(unfinished[variant], camera.image_size_px, interval) for variant, interval in VARIANTS.items()
    ]
    for frame_idx in range(scene.n_frames):
        picture = render_view(
            camera,
            scene.exposure(number, frame_idx),
            board=scene.board,
            options=options,
            rng=np.random.default_rng([15, SEED, number, frame_idx]),
        )
        for add in writers:
            add(picture)
        if frame_idx % FRAME_RATE == 0:
            sys.stderr.write(f"camera {number}: {frame_idx} of {scene.n_frames} rendered\n")
    for add in writers:
        add(None)
    for variant, path in unfinished.items():
        path.rename(clip_path(cache, variant, number))


def _writer(path: Path, size_px: tuple[int, int], interval: int) -> Callable[[np.ndarray | None], None]:
    """Return a function that appends a grey picture, or closes the file when given None."""
    container = av.open(str(path), "w", format="mp4")
    stream = container.add_stream("libx264", rate=Fraction(FRAME_RATE))
    stream.width, stream.height = size_px
    stream.pix_fmt = "yuv420p"
    stream.codec_context.color_range = _FULL_RANGE
    rate = MBIT_S * 1_000_000
    stream.options = {
        "b": str(rate),
        "maxrate": str(rate),
        "bufsize": str(rate),
        "preset": "superfast",
        "g": str(interval),
        "keyint_min": "1",
        "threads": "1",
        "x264-params": _CODING,
    }
    colour = np.full((size_px[1] // 2, size_px[0]), 128, dtype=np.uint8)
    count = 0

    def add(picture: np.ndarray | None) -> None:
        nonlocal count
        if picture is None:
            container.mux(stream.encode())
            container.close()
            return
        frame = av.VideoFrame.from_ndarray(np.concatenate([picture, colour]), format="yuv420p")
        frame.color_range = _FULL_RANGE
        frame.pts, frame.time_base = count, Fraction(1, FRAME_RATE)
        count += 1
        container.mux(stream.encode(frame))

    return add
