"""How fast and how lean a live session is on a pair of 1080 × 1440 at 30 frames a second; run by hand.

``python tests/bench/bench_live.py FOLDER [minutes] [--no-page] [--board]`` renders one calibrated pair once into
FOLDER, encodes two clips of 2 s from it (the head sways by a few pixels, with noise of its own in each picture), plays
them in a loop and prints: measurements a second, processor time a measurement, age of the measured pictures, latency of
the page's pictures (from their time to the JPEG in hand), memory over time, and how long it took to stop. Beside it a
page is imitated that fetches each new picture of both cameras and ten readings a second, unless ``--no-page`` is given.

Rates and latency mean something only on an idle machine: the load is printed. Processor time a measurement holds all
else too: decoding sixty pictures a second, JPEG for the page, judging.

``python tests/bench/bench_live.py FOLDER --parts`` prints the processor time of each of these alone, one after the
other, and how many cores they take together at 15 measurements a second; that means something on a busy machine too.
"""

import os
import platform
import resource
import sys
import threading
import time
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import face_clips
from bench_fitting import rendered_pair
from rendered import BOARD_YAML

from rigcheck.demo import head_rig
from rigcheck.live.beginning import begin
from rigcheck.live.engine import LiveEngine
from rigcheck.live.face_session import FaceSession
from rigcheck.live.feed_file import FileFeed, PlayClock
from rigcheck.live.options import LiveOptions
from rigcheck.live.pictures import PicturesForPage
from rigcheck.opencv import cv2
from rigcheck.records import calibration_text

NAMES = ("upper", "lower")
RATE, PICTURES = 30, 60
WANTED_PER_S, WANTED_MS = 15.0, 150.0
WARM_UP_S, REPORT_S = 10.0, 30.0
RIG = """\
name: bench
cameras:
  - {name: upper, focal_length_mm: 6.0, f_number: 2.8, pixel_pitch_um: 3.45, focused_at_mm: 195, transfer: srgb}
  - {name: lower, focal_length_mm: 6.0, f_number: 2.8, pixel_pitch_um: 3.45, focused_at_mm: 195, transfer: srgb}
working_distance_mm: 195
"""


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def write_clip(path: Path, picture: np.ndarray, seed: int) -> None:
    rng = np.random.default_rng([88, seed])
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=RATE)
        stream.height, stream.width = picture.shape
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "20", "g": "30", "preset": "veryfast", "tune": "fastdecode"}
        for k in range(PICTURES):
            sway = 3.0 * np.array([np.cos(2 * np.pi * k / PICTURES), np.sin(2 * np.pi * k / PICTURES)])
            moved = face_clips.shifted(picture, *sway).astype(np.float32)
            noisy = np.clip(moved + rng.normal(0.0, 1.5, picture.shape), 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(noisy, format="gray").reformat(format="yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, RATE)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


def made(folder: Path) -> LiveOptions:
    folder.mkdir(parents=True, exist_ok=True)
    clips = [folder / f"{name}.mp4" for name in NAMES]
    if not all(clip.exists() for clip in clips):
        for number, (clip, frame) in enumerate(zip(clips, rendered_pair(folder, 0), strict=True)):
            write_clip(clip, frame.image, number)
    (folder / "rig.yaml").write_text(RIG)
    (folder / "calibration.yaml").write_text(calibration_text(face_clips.calibration_of(head_rig())))
    (folder / "board.yaml").write_text(BOARD_YAML)
    return LiveOptions(
        sources=tuple(map(str, clips)),
        out=folder / "kept",
        rig=folder / "rig.yaml",
        calibration=folder / "calibration.yaml",
        board=folder / "board.yaml",
        mode="board" if "--board" in sys.argv else "face",
        loop=True,
        aside=True,
    )


def memory_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20


class Page:
    """Fetches what a page would, and notes the pictures' latency."""

    def __init__(self, engine: LiveEngine) -> None:
        self._engine, self._ended = engine, threading.Event()
        self.latency_s: list[float] = []
        self._threads = [threading.Thread(target=self._pictures, args=(k,)) for k in range(len(NAMES))]
        self._threads.append(threading.Thread(target=self._readings))
        for thread in self._threads:
            thread.start()

    def end(self) -> None:
        self._ended.set()
        for thread in self._threads:
            thread.join()

    def _pictures(self, camera_idx: int) -> None:
        last = -1
        while not self._ended.is_set():
            picture = self._engine.wait_picture(camera_idx, last, 0.5)
            if picture is not None:
                last = picture.seq
                self.latency_s.append(time.monotonic() - picture.captured_at_s)

    def _readings(self) -> None:
        while not self._ended.wait(0.1):
            self._engine.reading()


def cpu_ms(work, times: int) -> float:
    work()
    start = time.process_time()
    for _ in range(times):
        work()
    return 1000.0 * (time.process_time() - start) / times


def parts(folder: Path) -> None:
    options = made(folder)
    cv2.setNumThreads(1)
    begun = begin(options)
    clock = Unhurried()
    feeds = [FileFeed(Path(source), clock=clock, loop=True) for source in options.sources]
    for feed in feeds:
        feed.open()
    session = FaceSession(begun, height_px=options.picture_height_px)
    page = PicturesForPage(begun.views[0], options.picture_height_px)
    shots = [next_shot(feed) for feed in feeds]
    for _ in range(25):  # a window as full as it gets within 3 s here, with pairs of matched skin
        shots = [next_shot(feed) for feed in feeds]
        session.take(shots, 0.0, [(shot,) for shot in shots])
        session.note()
        session.judge()
    judge, measurer = session._judge, session._measurer
    camera = filled(session._lasting._cameras[0], judge)
    now_s = shots[0].captured_at_s
    frames = [view.frame(shot, camera="c", origin="o") for view, shot in zip(begun.views, shots, strict=True)]
    found = {
        "decoding a picture to its luma": (cpu_ms(lambda: next_shot(feeds[0]).image, 40), 2.0 * RATE),
        "JPEG of a picture for the page": (cpu_ms(lambda: page._make(shots[0], 0), 40), 2.0 * RATE),
        "measuring a moment": (cpu_ms(lambda: measurer.measure(frames, matched=False), 12), WANTED_PER_S),
        "matching skin, besides": (
            cpu_ms(lambda: measurer.measure(frames, matched=True), 6)
            - cpu_ms(lambda: measurer.measure(frames, matched=False), 6),
            1.0 / 1.5,
        ),
        "judging": (cpu_ms(lambda: judge.answers(shots[0].captured_at_s), 6), 1.1),
        "fitting the planes of focus": (cpu_ms(lambda: planes(judge), 3), 1.0 / 4.0),
        "light of a picture": (cpu_ms(lambda: light_of(camera, shots[0]), 60), 2.0 * RATE),
        "a small picture kept": (cpu_ms(lambda: small(camera, judge, frames), 10), 2.0 / 0.4),
        "flicker": (cpu_ms(lambda: flicker(camera, now_s), 4), 2.0 / 3.0),
        "whether the mouth is seen": (cpu_ms(lambda: camera._ask_mouth(now_s), 4), 2.0 / 1.5),
        "what stands before the face": (cpu_ms(lambda: camera._ask_cover(now_s), 4), 2.0 / 12.0),
        "noise against the curve": (cpu_ms(lambda: camera._ask_noise(now_s), 4), 2.0 / 12.0),
    }
    say(f"{'part':34}{'CPU ms':>9}{'a second':>10}{'cores':>8}")
    for name, (each, rate) in found.items():
        say(f"{name:34}{each:9.1f}{rate:10.1f}{each * rate / 1000:8.2f}")
    say(f"{'together':34}{'':19}{sum(each * rate for each, rate in found.values()) / 1000:8.2f}")
    session.close()


def filled(camera, judge):
    """A camera's memory of the last seconds, full."""
    moments = [moment for _, moment in judge._subjects["framing"].moments]
    for moment in moments[-16:]:
        part = moment.cameras[0]
        camera._pictured_s = float("-inf")
        camera.take(part, camera._newest[0], 0.0)
    return camera


def light_of(camera, shot) -> None:
    camera.trace.forget()
    camera.trace.take((shot,))


def small(camera, judge, frames) -> None:
    camera._pictured_s = float("-inf")
    camera.take(judge._subjects["framing"].moments[-1][1].cameras[0], frames[0], 0.0)


def flicker(camera, now_s) -> None:
    rng = np.random.default_rng(1)
    for k in range(4 * RATE):
        camera.trace._add(k, k / RATE, 0.2 + 0.001 * rng.standard_normal())
    camera._ask_flicker(now_s)


def planes(judge) -> None:
    judge._planes_at_s = float("-inf")
    taken = judge._subjects["focus"].taken(2)
    judge._focused(taken, list(judge._pairs))


class Unhurried(PlayClock):
    """Every picture is due now."""

    def due_s(self, played_s: float) -> float:
        return time.monotonic()


def next_shot(feed: FileFeed):
    shot = None
    while shot is None:
        shot = feed.read()
    return shot


def main(folder: Path, minutes: float) -> None:
    model = next(
        (
            line.split(":")[1].strip()
            for line in Path("/proc/cpuinfo").read_text().splitlines()
            if "model name" in line
        ),
        platform.processor(),
    )
    say(f"{platform.platform()}, {model}, {os.cpu_count()} cores, Python {platform.python_version()}")
    say(f"{' '.join(sys.argv)}")
    if "--parts" in sys.argv:
        parts(folder)
        return
    engine = LiveEngine(made(folder))
    engine.start()
    page = None if "--no-page" in sys.argv else Page(engine)
    time.sleep(WARM_UP_S)
    counts, ages, memory = [], [], [memory_mb()]
    if page is not None:
        page.latency_s.clear()
    start, cpu = time.monotonic(), time.process_time()
    say(f"{'s':>6}{'measured/s':>12}{'age ms':>9}{'memory MB':>11}{'load':>7}")
    while time.monotonic() - start < 60.0 * minutes:
        time.sleep(1.0)
        reading = engine.reading()
        counts.append(reading.measured_per_s)
        ages.append(reading.age_ms or float("nan"))
        if len(counts) % int(REPORT_S) == 0 or 60.0 * minutes < REPORT_S:
            memory.append(memory_mb())
            latest = np.nanmedian(ages[-int(REPORT_S) :])
            say(
                f"{time.monotonic() - start:6.0f}{np.mean(counts[-int(REPORT_S) :]):12.1f}{latest:9.0f}"
                f"{memory[-1]:11.0f}{os.getloadavg()[0]:7.1f}"
            )
    used, took = time.process_time() - cpu, time.monotonic() - start
    total = max(np.mean(counts) * took, 1e-9)
    if page is not None:
        latency = 1000.0 * np.array(page.latency_s)
        say(
            f"picture: {len(latency) / took / 2:.1f} a second and camera, latency median {np.median(latency):.0f} ms, "
            f"95 % {np.quantile(latency, 0.95):.0f} ms (wanted: {WANTED_MS:g} ms)"
        )
        page.end()
    say(
        f"{np.mean(counts):.1f} measurements a second (wanted: {WANTED_PER_S:g}); "
        f"{1000 * used / total:.0f} ms of processor each, all else included; {used / took:.2f} cores busy"
    )
    say(f"memory {memory[0]:.0f} MB after warming up, {max(memory):.0f} MB at most")
    begun = time.monotonic()
    engine.stop()
    left = [thread.name for thread in threading.enumerate() if thread is not threading.main_thread()]
    say(f"stopped in {time.monotonic() - begun:.2f} s; threads left: {left or 'none'}")


if __name__ == "__main__":
    plain = [each for each in sys.argv[1:] if not each.startswith("--")]
    if not plain:
        sys.exit(__doc__)
    main(Path(plain[0]), float(plain[1]) if len(plain) > 1 else 1.0)
