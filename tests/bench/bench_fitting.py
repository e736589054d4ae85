"""How good framing is on rendered performers, and what a moment costs; run by hand.

``python tests/bench/bench_fitting.py [performers]`` prints, with and without a calibration: bias, spread, spread of
error over sigma, and how often two sigmas hold.

``python tests/bench/bench_fitting.py --pair FOLDER [pairs]`` prints what one pair of 1080 × 1440 costs after start,
whole and part by part, median over pairs rendered once into FOLDER, and what a run of each face network costs beside
OpenCV's runner. Wall time means something only on an idle machine; CPU time is this process's: "aside" has a second.
"""

import os
import platform
import sys
import time
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import face_clips
from face_study import QUANTITIES, rows_of

from rigcheck.demo import FaceScene, head_pose, head_rig, neutral, random_performer, render_face
from rigcheck.face.exposure_light import light_curve
from rigcheck.face.exposure_moment import exposure_moment
from rigcheck.face.fitting_run import camera_optics
from rigcheck.face.focus_moment import focus_moment
from rigcheck.face.focus_pair import focus_pair
from rigcheck.face.framing import camera_framing
from rigcheck.face.framing_points import upright_face
from rigcheck.jobs.fitting_focus import face_mask
from rigcheck.jobs.moment import MomentMeasurer
from rigcheck.landmarks import FaceFinder
from rigcheck.landmarks.models import model_bytes
from rigcheck.landmarks.network import load_network
from rigcheck.matching import PairMatcher
from rigcheck.model import Frame, FrameRef
from rigcheck.opencv import cv2

WANTED_MS = 65.0


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def table(count: int, *, calibrated: bool) -> None:
    finder = FaceFinder()
    rows = [row for case in range(count) for row in rows_of(case, calibrated=calibrated, finder=finder)]
    off = [
        np.hypot(*(row.errors[f"nostril_offset_{axis}_px"] for axis in "xy")) / row.eyes_px for row in rows
    ]
    say(f"\n{'calibrated' if calibrated else 'no calibration'}: {len(rows)} pictures of {count} performers")
    say(f"nostril base off by {100 * np.median(off):.2f} % of the eye distance (median)")
    say(f"{'quantity':22}{'bias':>9}{'sd':>9}{'sigma':>9}{'sd of z':>9}{'within 2 sigma':>16}")
    for name in QUANTITIES:
        error = np.array([row.errors[name] for row in rows])
        sigma = np.array([row.sigmas[name] for row in rows])
        inside = 100 * np.mean(np.abs(error) < 2 * sigma)
        numbers = (error.mean(), error.std(), sigma.mean(), (error / sigma).std())
        say(f"{name:22}" + "".join(f"{number:9.2f}" for number in numbers) + f"{inside:15.1f}%")


def rendered_pair(folder: Path, case: int) -> list[Frame]:
    folder.mkdir(parents=True, exist_ok=True)
    frames = []
    for k in (0, 1):
        file = folder / f"pair_{case}_{k}.npy"
        if not file.exists():
            rng = np.random.default_rng([77, case])
            pose = head_pose(distance_mm=float(rng.uniform(175, 215)), look_up_deg=float(rng.uniform(0, 25)))
            who = random_performer(rng)
            scene = FaceScene(performer=who, expression=neutral(), rig=head_rig(), rig_from_head=pose)
            np.save(file, render_face(scene, k, rng=np.random.default_rng([77, case, k])).image)
        ref = FrameRef(camera=f"camera{k + 1}", frame_idx=case, origin="rendered")
        frames.append(Frame(ref=ref, image=np.load(file)))
    return frames


def timed(rows: dict[str, list[tuple[float, float]]], name: str, work):
    wall, cpu = time.perf_counter(), time.process_time()
    found = work()
    rows.setdefault(name, []).append((time.perf_counter() - wall, time.process_time() - cpu))
    return found


def parts_of(frames: list[Frame], finder: FaceFinder, matchers: dict[str, PairMatcher], rows) -> None:
    """Each part alone, one after the other; those of a camera for one camera."""
    rig = head_rig().stereo
    faces = [timed(rows, "landmarks", lambda f=frame: finder.find(f)) for frame in frames]
    for frame, face in zip(frames, faces, strict=True):
        optics = camera_optics(frame.size_px, None)
        timed(
            rows, "framing", lambda f=face, o=optics: camera_framing(f.ref.camera, (upright_face(f, 0),), o)
        )
        timed(rows, "focus", lambda p=frame, f=face: focus_moment(p, f, before=p))
        curve = light_curve(None, bit_depth=8)
        timed(rows, "exposure", lambda p=frame, f=face, c=curve: exposure_moment(p, f, c))
    masks = timed(rows, "pair: masks", lambda: [face_mask(face) for face in faces])
    images = [frame.image for frame in frames]
    known = tuple(face.points_px for face in faces)
    near = timed(
        rows,
        "pair: near matches",
        lambda: matchers["near"].match_near(*images, masks=tuple(masks), known_px=known),
    )
    timed(rows, "pair: depth and spectra", lambda: focus_pair(frames, faces, near, rig))
    timed(
        rows,
        "(full matches)",
        lambda: matchers["full"].match(*images, mask1=masks[0], mask2=masks[1]),
    )


NETWORKS = {
    "attn_backbone.tflite": (
        {"input_1": (192, 192, 3)},
        {"output_mesh": 1404, "conv_faceflag": 1, "p_re_lu_3": 73728},
    ),
    "attn_heads.tflite": (
        {f"transform_tensor_bilinear_v2{tail}": (16, 16, 32) for tail in ("", "_1", "_2")},
        {
            "conv_lips": 160,
            "conv_left_eye": 142,
            "conv_left_iris": 10,
            "conv_right_eye": 142,
            "conv_right_iris": 10,
        },
    ),
    "face_detection_short_range.tflite": (
        {"input": (128, 128, 3)},
        {"regressors": 14336, "classificators": 896},
    ),
}


def network_cost() -> None:
    say(f"{'a run of':40}{'ours, CPU ms':>14}{'OpenCV, CPU ms':>16}")
    for name, (shapes, outputs) in NETWORKS.items():
        inputs = {key: np.full((1, *shape), 0.5, dtype=np.float32) for key, shape in shapes.items()}
        ours = load_network(name, outputs=outputs)
        other = cv2.dnn.readNetFromTFLite(np.frombuffer(model_bytes(name), dtype=np.uint8))
        for key, values in inputs.items():
            other.setInput(values.transpose(0, 3, 1, 2).copy(), key if len(inputs) > 1 else "")
        rows: dict[str, list[tuple[float, float]]] = {}
        for _ in range(60):
            timed(rows, "ours", lambda n=ours, i=inputs: n.run(i))
            timed(rows, "other", lambda o=other, w=list(outputs): o.forward(w))
        spent = [1000 * np.median(np.array(rows[which])[:, 1]) for which in ("ours", "other")]
        say(f"{name:40}{spent[0]:14.2f}{spent[1]:16.2f}")


def pair_cost(folder: Path, count: int) -> None:
    pairs = [rendered_pair(folder, case) for case in range(count)]
    rig = head_rig().stereo
    cv2.setNumThreads(1)
    finder, rows = FaceFinder(), {}
    matchers = {"near": PairMatcher(rig, wanted=40), "full": PairMatcher(rig)}
    calibration = face_clips.calibration_of(head_rig())
    for aside, how in ((False, ""), (True, ", aside")):
        with MomentMeasurer(pairs[0], calibration=calibration, aside=aside) as measurer:
            measurer.measure(pairs[0])
            for frames in pairs:
                timed(rows, f"a moment{how}", lambda f=frames, m=measurer: m.measure(f, matched=False))
                timed(rows, f"a moment, matched{how}", lambda f=frames, m=measurer: m.measure(f))
    for frames in pairs:
        parts_of(frames, finder, matchers, rows)
    say(
        f"{'median of ' + str(count) + ' pairs':28}{'wall ms':>9}{'CPU ms':>9}{'least':>9}"
        f"   (wanted: {WANTED_MS:g} ms wall)"
    )
    for name, times in rows.items():
        wall, cpu = 1000 * np.median(np.array(times), axis=0)
        say(f"{name:28}{wall:9.1f}{cpu:9.1f}{1000 * np.array(times)[:, 1].min():9.1f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--pair"]:
        say(f"{platform.platform()} {platform.machine()}")
        say(f"python {' '.join(sys.argv)}; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
        threadpool_limits(limits=1, user_api="blas")
        pair_cost(Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 6)
        network_cost()
        sys.exit()
    performers = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    say(f"{platform.platform()} {platform.machine()}")
    start = time.process_time()
    table(performers, calibrated=True)
    table(performers, calibrated=False)
    say(f"\n{time.process_time() - start:.0f} s of CPU")
