"""Errors of the face mesh on rendered heads over their sigma. By hand: ``python tests/bench/bench_landmarks.py [N]``.

N pictures (200) of 540 × 720, each of another random performer, pose and expression, from camera 1 and 2 in turn; no
constant of the package was measured on them. Errors are along the eyes and down, in % of the outer-eye distance,
after the mesh's mean shift (`rigcheck.face.head_model`); `z` is the root mean square of error over sigma.
"""

import platform
import sys
import time

import numpy as np

from rigcheck.demo import (
    FaceScene,
    bite,
    blink,
    brows_raised,
    grimace,
    head_pose,
    head_rig,
    jaw_open,
    lips_apart,
    neutral,
    pursed,
    random_performer,
    render_face,
    smile,
)
from rigcheck.face.head_model import EYE_SPAN_MM, head_points, mesh_points
from rigcheck.landmarks import FaceFinder
from rigcheck.model import FACE_POINTS, FaceLandmarks, Frame, FrameRef

EXPRESSIONS = {
    "neutral": neutral(),
    "jaw half": jaw_open(0.5),
    "jaw open": jaw_open(1.0),
    "smile": smile(),
    "bite": bite(),
    "pursed": pursed(),
    "brows": brows_raised(),
    "blink": blink(),
    "grimace": grimace(),
    "apart": lips_apart(3.0),
}
CASE = 920


def say(line):
    sys.stdout.write(line + "\n")


def rendered(k, expression=None, **performer):
    """Name of the expression, and the picture."""
    rng = np.random.default_rng([CASE, k])
    who = random_performer(rng, **performer)
    names = list(EXPRESSIONS)
    name = expression or (names[0] if rng.random() < 0.5 else names[rng.integers(1, len(names))])
    pose = head_pose(
        distance_mm=float(rng.uniform(165, 230)),
        across_mm=float(rng.normal(0, 8)),
        down_mm=float(rng.normal(0, 10)),
        look_up_deg=float(rng.uniform(-5, 28)),
        yaw_deg=float(rng.normal(0, 6)),
        roll_deg=float(rng.normal(0, 5)),
    )
    scene = FaceScene(
        performer=who, expression=EXPRESSIONS[name], rig=head_rig(size_px=(540, 720)), rig_from_head=pose
    )
    return name, render_face(scene, k % 2, rng=np.random.default_rng([CASE, k, 1]))


def found(finder, picture):
    ref = FrameRef(camera="c", frame_idx=0, origin="rendered")
    return finder.find(Frame(ref=ref, image=picture.image))


def shift(name):
    """(along, down) shares that the mesh puts a point off."""
    return (mesh_points()[name] - head_points()[name])[:2] / EYE_SPAN_MM


def error(face, truth, name):
    """Error along the eyes and down in eye distances, shift off, and over sigma."""
    across = face.point("eye_outer_left") - face.point("eye_outer_right")
    distance = np.linalg.norm(across)
    unit = across / distance
    own = np.stack([unit, [-unit[1], unit[0]]])
    if name == "nostril base":
        sides = ("alar_base_right", "alar_base_left")
        off = np.mean([face.point(side) - truth.points_px[side] for side in sides], axis=0)
        mean = np.mean([shift(side) for side in sides], axis=0)
        right, left = (face.sigma(side) for side in sides)
        sigma = np.sqrt(right**2 + left**2 + right * left) / 2
    else:
        off, mean, sigma = face.point(name) - truth.points_px[name], shift(name), face.sigma(name)
    value = own @ off / distance - mean
    return value, value * distance / sigma


def table(faces):
    say(f"{'point':20s} bias x, y       sd x, y        median |e|  p95    z     z without open jaws")
    for name in (*FACE_POINTS, "nostril base"):
        rows = [(*error(face, truth, name), label) for label, face, truth in faces]
        e, z = (np.array([row[i] for row in rows]) for i in (0, 1))
        kept = np.array([row[2] != "jaw open" for row in rows])
        length = 100 * np.linalg.norm(e, axis=1)
        bias, sd = 100 * e.mean(axis=0), 100 * e.std(axis=0)
        say(
            f"{name:20s} {bias[0]:+5.2f} {bias[1]:+6.2f}   {sd[0]:5.2f} {sd[1]:6.2f}   {np.median(length):8.2f} "
            f"{np.percentile(length, 95):8.2f} {np.sqrt((z**2).mean()):6.2f} {np.sqrt((z[kept] ** 2).mean()):6.2f}"
        )


def main():
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    finder = FaceFinder()
    faces, reasons, codes, seconds = [], [], [], 0.0
    for k in range(n):
        label, picture = rendered(k)
        start = time.process_time()
        face = found(finder, picture)
        seconds += time.process_time() - start
        if isinstance(face, FaceLandmarks):
            faces.append((label, face, picture.truth))
            codes += [(label, finding.code) for finding in face.findings]
        else:
            reasons.append((label, face.code))
    say(f"{platform.platform()}, {1000 * seconds / n:.0f} ms CPU a picture")
    say(f"{len(faces)} of {n} faces found; not: {reasons}")
    for key in sorted(set(codes)):
        say(
            f"finding {key[1]} on {key[0]}: {codes.count(key)} of {sum(label == key[0] for label, *_ in faces)}"
        )
    table(faces)
    followed = [
        np.linalg.norm(face.point("upper_lip_inner") - face.point("lower_lip_inner"))
        / np.linalg.norm(truth.points_px["upper_lip_inner"] - truth.points_px["lower_lip_inner"])
        for label, face, truth in faces
        if label == "jaw half"
    ]
    say(f"half-open jaws: lips apart by {np.round(followed, 2)} of what they are")
    for what in ({"glasses": True}, {"beard": 1.0}, {"hair": "fringe"}):
        some = [(*rendered(1000 + k, "neutral", **what),) for k in range(max(4, n // 12))]
        looked = [(label, found(finder, picture), picture.truth) for label, picture in some]
        kept = [row for row in looked if isinstance(row[1], FaceLandmarks)]
        say(f"\n{what}: {len(kept)} of {len(looked)} found")
        table(kept)


if __name__ == "__main__":
    main()
