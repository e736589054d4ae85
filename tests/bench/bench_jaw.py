"""How well the chin is followed through an opening of the mouth, on rendered performers; run by hand.

``python tests/bench/bench_jaw.py FOLDER FIRST LAST`` renders (once, into FOLDER) a clip of each performer FIRST to
LAST - 1: lips closed, the jaw opened by 35 to 110 %, closed again, 30 pictures a second, both cameras of a stacked or a
side-by-side pair, lamps and helmet's brim varied. It prints, a camera a line, what a fitting makes of every third
picture: where the room below the open jaw is from, and its error against the rendered chin, in outer-eye distances.

``python tests/bench/bench_jaw.py --drop`` prints how far the chin is predicted to drop over how far the rendered head's
does at full opening, from true points, without rendering; and what jaws as published give at this chin: the performer's
own opening, the mean opening, the mean over people.

``python tests/bench/bench_jaw.py --coverage FIRST LAST`` renders performers FIRST to LAST - 1 at rest, each with a jaw
of their own as published (`face_study.rows_of`, 360 x 480), and prints how often two sigmas hold for the room below the
open jaw, with and without a calibration.
"""

import pickle
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import face_study

from rigcheck.demo.camera import project_points
from rigcheck.demo.head_expression import jaw_open, neutral
from rigcheck.demo.head_light import Brim, usual_lamps
from rigcheck.demo.head_performer import fair_exposure_stops, posed_head, random_performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.face.framing import camera_framing
from rigcheck.face.framing_jaw import chin_after, chin_drop_px
from rigcheck.face.framing_points import UprightFace, upright_face
from rigcheck.face.framing_pose import Optics, fit_head
from rigcheck.face.head_model import MESH_PLACES
from rigcheck.jobs.fitting_opening import widest_opening
from rigcheck.landmarks import FaceFinder
from rigcheck.model import FaceLandmarks, Frame, FrameRef
from rigcheck.opencv import cv2

SIZE_PX = (540, 720)
AT_REST = 4


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def rendered(case: int) -> dict:
    """One performer's clip: pictures, true chins, how far the jaw is open, and the rig."""
    rng = np.random.default_rng([131, case])
    performer = random_performer(rng, beard=float(rng.random()) if rng.random() < 0.15 else 0.0)
    side = bool(rng.random() < 0.5)
    rig = head_rig(size_px=SIZE_PX, side_by_side=side)
    pose = {
        "distance_mm": rng.uniform(175, 230),
        "across_mm": rng.normal(0, 5),
        "down_mm": rng.normal(-4, 7),
        "look_up_deg": rng.uniform(-2, 22),
        "yaw_deg": rng.normal(0, 4),
        "roll_deg": rng.normal(0, 3),
    }
    light = usual_lamps(float(rng.uniform(1.6, 2.4)), lopsided_stops=float(rng.normal(0, 0.6)))
    if rng.random() < 0.3:
        light = replace(light, brim=Brim())
    amount = float(rng.choice([0.35, 0.6, 0.8, 1.0, 1.1], p=[0.2, 0.15, 0.2, 0.3, 0.15]))
    t = np.linspace(0, 1, int(rng.integers(6, 15)) + 1)[1:]
    up = amount * t * t * (3 - 2 * t)
    opened = np.r_[np.zeros(AT_REST), up, [amount] * 2, up[::-1][1:], np.zeros(3)]
    phase = rng.uniform(0, 6, 4)
    out = {"amount": amount, "side": side, "images": ([], []), "chins": ([], []), "distances_mm": []}
    for j, share in enumerate(opened):
        at = dict(pose)
        at["across_mm"] += 0.25 * np.sin(0.7 * j + phase[0])
        at["down_mm"] += 0.3 * np.sin(0.5 * j + phase[1])
        at["roll_deg"] += 0.15 * np.sin(0.6 * j + phase[2])
        scene = FaceScene(
            rig=rig,
            performer=performer,
            rig_from_head=head_pose(**at),
            background_seed=case,
            light=light,
            exposure_stops=fair_exposure_stops(performer),
            expression=jaw_open(float(share)),
        )
        for k in (0, 1):
            picture = render_face(scene, k, rng=np.random.default_rng([132, case, j, k]))
            out["images"][k].append(picture.image)
            out["chins"][k].append(picture.truth.points_px["chin"])
            if j == 0:
                place = rig.camera_from_rig[k].apply(scene.rig_from_head.translation_mm)
                out["distances_mm"].append(float(place[2]))
    return out


class Pictures:
    """As much of a clip as following asks for."""

    def __init__(self, images):
        self.images, self.indices = images, np.arange(len(images))

    def frames_at(self, indices):
        for index in indices:
            ref = FrameRef(camera="x", frame_idx=int(index), origin="x")
            yield Frame(ref=ref, image=self.images[int(index)])


def row(clip: dict, k: int, finder: FaceFinder) -> dict:
    pictures, chins = Pictures(clip["images"][k]), np.array(clip["chins"][k])
    last = len(chins) - 1
    looks = sorted({*range(AT_REST), *range(0, last, 3), last - 1, last})
    found = [
        finder.find_turned(frame, mount_rotation_deg=0, turned_deg=0) for frame in pictures.frames_at(looks)
    ]
    faces = [upright_face(each, 0) for each in found if isinstance(each, FaceLandmarks)]
    rejected = [each for each in found if not isinstance(each, FaceLandmarks)]
    opening = widest_opening(pictures, faces, rejected, 0)
    optics = Optics(
        image_size_px=SIZE_PX,
        camera=head_rig(size_px=SIZE_PX, side_by_side=clip["side"]).cameras[k],
        distance_mm=clip["distances_mm"][k],
        distance_sigma=0.02,
    )
    framing = camera_framing("x", faces, optics, opening)
    margin, eyes = framing.numbers["jaw_open_margin_px"], framing.face.eye_distance_px
    error = margin.value - (SIZE_PX[1] - 0.5 - chins[:, 1].max())
    return {
        "from": framing.jaw_from,
        "opened_mm": framing.opened_mm,
        "error": error / eyes,
        "sigma": margin.sigma / eyes,
        "drop": (chins[:, 1].max() - chins[:AT_REST, 1].mean()) / eyes,
    }


def followed(folder: Path, first: int, last: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    finder, rows = FaceFinder(), []
    for case in range(first, last):
        file = folder / f"jaw_{case}.pkl"
        if not file.exists():
            file.write_bytes(pickle.dumps(rendered(case)))
        clip = pickle.loads(file.read_bytes())
        for k in (0, 1):
            found = row(clip, k, finder)
            rows.append(found)
            wide = "not followed" if found["opened_mm"] is None else f"opened {found['opened_mm']:.0f} mm"
            say(
                f"{case:3d} {k} {'side by side' if clip['side'] else 'stacked':12} "
                f"jaw at {100 * clip['amount']:3.0f} % drop {found['drop']:.3f}  {wide:14} {found['from']:10} "
                f"error {found['error']:+.3f} "
                f"± {found['sigma']:.3f}"
            )
    own = np.array([each["error"] / each["sigma"] for each in rows if each["from"] == "own"])
    say(
        f"own {len(own)} of {len(rows)}: error over sigma {own.mean():+.2f} (mean), "
        f"{np.sqrt(np.mean(own**2)):.2f} (RMS), within two sigmas {100 * np.mean(np.abs(own) < 2):.0f} %"
    )


def drops(count: int = 60) -> None:
    rig, rows = head_rig(size_px=SIZE_PX), []
    jaws = [face_study.published_jaw(np.random.default_rng([134, k])) for k in range(100)]
    for case in range(count):
        rng = np.random.default_rng([91, case])
        performer = random_performer(rng)
        pose = face_study.random_pose(rng)
        rest, wide = posed_head(performer, neutral()).points_mm, posed_head(performer, jaw_open()).points_mm
        opening = float(np.linalg.norm(wide["lower_incisors_middle"] - rest["lower_incisors_middle"]))
        for k, camera in enumerate(rig.cameras):
            from_rig = rig.camera_from_rig[k]

            def seen(point, camera=camera, from_rig=from_rig, pose=pose):
                return project_points(camera, from_rig.apply(pose.apply(point)))

            points, sigma = np.full((478, 2), np.nan), np.full(478, np.inf)
            eyes = float(np.linalg.norm(seen(rest["eye_outer_left"]) - seen(rest["eye_outer_right"])))
            for name, idx in MESH_PLACES.items():
                if name in rest:
                    points[idx], sigma[idx] = seen(rest[name]), 0.015 * eyes
            ref = FrameRef(camera="a", frame_idx=0, origin="x")
            face = UprightFace(ref=ref, size_px=SIZE_PX, points_px=points, sigma_px=sigma)
            distance = float(from_rig.apply(pose.translation_mm)[2])
            optics = Optics(image_size_px=SIZE_PX, camera=camera, distance_mm=distance, distance_sigma=0.02)
            fit = fit_head(face, optics)
            predicted, _ = chin_drop_px(fit, optics, gap_px=face.mouth_gap * eyes, eye_distance_px=eyes)
            chin = rest["chin"]
            true = seen(wide["chin"])[1] - seen(chin)[1]

            def published(opening_mm, seen=seen, chin=chin, true=true, **jaw):
                return (
                    seen(chin + np.array([0.0, *chin_after(opening_mm, **jaw)]))[1] - seen(chin)[1]
                ) / true

            people = np.mean([published(each, **jaw) for each, jaw in jaws])
            rows.append((k, predicted / true, published(opening), published(49.6), people, opening))
    table = np.array(rows)
    say(f"openings between the incisors: {table[:, 5].mean():.1f} mm on average (published 49.6)")
    for k, camera in enumerate(rig.cameras):
        mine = table[table[:, 0] == k]
        low, middle, high = np.percentile(mine[:, 1], (5, 50, 95))
        say(
            f"{camera.name}: predicted over true drop {middle:.2f} ({low:.2f} to {high:.2f}); a published jaw at this "
            f"chin, opened as far as this head's {np.median(mine[:, 2]):.2f}, by 49.6 mm {np.median(mine[:, 3]):.2f}, "
            f"mean over people {np.median(mine[:, 4]):.2f}"
        )


def coverage(first: int, last: int) -> None:
    finder = FaceFinder()
    for calibrated in (True, False):
        rows = [
            row
            for case in range(first, last)
            for row in face_study.rows_of(case, size_px=(360, 480), calibrated=calibrated, finder=finder)
        ]
        ratio = np.array(
            [row.errors["jaw_open_margin_px"] / row.sigmas["jaw_open_margin_px"] for row in rows]
        )
        say(
            f"{'calibrated' if calibrated else 'no calibration'}: {len(rows)} pictures of {last - first} performers, "
            f"within two sigmas {100 * np.mean(np.abs(ratio) < 2):.1f} %, error over sigma {ratio.mean():+.2f} (mean), "
            f"{ratio.std():.2f} (sd)"
        )


if __name__ == "__main__":
    cv2.setNumThreads(1)
    if sys.argv[1:] == ["--drop"]:
        drops()
    elif sys.argv[1] == "--coverage":
        coverage(int(sys.argv[2]), int(sys.argv[3]))
    else:
        followed(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
