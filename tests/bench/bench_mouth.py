"""How many hands, masks and microphones before the mouth pass, and how many clean faces alarm; run by hand.

``python tests/bench/bench_mouth.py FOLDER FIRST LAST`` renders (once, into FOLDER) a performer a case, both cameras,
six in ten with a beard, moustache, glasses, dots, stubble or fringe, and lays nine covers over each: lit ellipsoids of
skin, cloth or foam in space, so that both cameras see them alike. It prints by kind: pictures with at least six
tenths of the mouth hidden, those that are no usable face, those that pass, and pairs told by either camera.
"""

import pickle
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.checks import Limits, effective_limits
from rigcheck.demo.camera import rays_of_pixels
from rigcheck.demo.head_expression import jaw_open, neutral, smile
from rigcheck.demo.head_light import usual_lamps
from rigcheck.demo.head_mesh import LABEL_OF
from rigcheck.demo.head_performer import fair_exposure_stops, random_performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.face.framing_cover import work_picture
from rigcheck.face.framing_detail import mouth_detail
from rigcheck.face.framing_points import upright_face
from rigcheck.landmarks import FaceFinder
from rigcheck.model import FaceLandmarks, Frame, FrameRef
from rigcheck.opencv import cv2

SIZE_PX = (540, 720)
KINDS = ("hand", "palm", "fist", "mask", "mouth_mask", "pleated", "woven", "printed", "mic")
LOOKS = (
    *("plain", "plain", "beard", "moustache", "glasses", "dots", "stubble", "plain", "beard+moustache"),
    "fringe",
)
CLOTH = {"mask": "plain", "mouth_mask": "plain", "pleated": "pleat", "woven": "weave", "printed": "print"}
HIDDEN = 0.6
RAYS: dict[tuple[str, int], np.ndarray] = {}


@dataclass(frozen=True, kw_only=True)
class Cover:
    """Ellipsoids (centre, radii, rotation) in the head frame, mm, and what they are made of."""

    parts: list
    luminance: float
    texture: str
    seed: int


def ellipsoid(centre, radii, turns_deg=(0, 0, 0)):
    turn = Rotation.from_euler("zyx", turns_deg, degrees=True).as_matrix()
    return np.array(centre, float), np.array(radii, float), turn


def hand(rng, *, palm):
    """Four fingers, across or upright, and a palm."""
    angle = rng.uniform(-35, 35) if rng.random() < 0.6 else rng.uniform(55, 125)
    middle = np.array([rng.normal(0, 5), 26 + rng.normal(0, 5), -rng.uniform(14, 26)])
    width = rng.uniform(8, 10)
    turn = Rotation.from_euler("z", angle, degrees=True).as_matrix()
    length, parts = rng.uniform(38, 50), []
    for k in range(4):
        off = [rng.normal(0, 4), (k - 1.5) * width * rng.uniform(1.75, 2.0), rng.normal(0, 1.5)]
        radii = (length * (0.9, 1, 0.97, 0.8)[k], width, width * 0.9)
        parts.append(ellipsoid(middle + turn @ np.array(off), radii, (angle, 0, 0)))
    if palm:
        parts.append(ellipsoid(middle + turn @ np.array([55, 4, 8]), (40, 42, 16), (angle, 0, 0)))
    return parts


def shape_of(kind, rng):
    if kind in ("hand", "palm"):
        return hand(rng, palm=kind == "palm")
    if kind == "fist":
        middle = np.array([rng.normal(0, 5), 27 + rng.normal(0, 4), -rng.uniform(20, 32)])
        knuckles = [ellipsoid(middle + np.array([(k - 1.5) * 18, 0, 0]), (10.5, 19, 15)) for k in range(4)]
        return [*knuckles, ellipsoid(middle + np.array([0, 14, 8]), (38, 22, 18))]
    if kind == "mouth_mask":
        at = (0, 32 + rng.normal(0, 2), 26)
        return [ellipsoid(at, (rng.uniform(40, 48), rng.uniform(24, 30), rng.uniform(38, 46)))]
    if kind == "mic":
        radius = rng.uniform(20, 30)
        at = (rng.normal(0, 4), 24 + rng.normal(0, 5), -radius - rng.uniform(2, 8))
        return [ellipsoid(at, (radius,) * 3)]
    at = (0, 20 + rng.normal(0, 2), 32)
    return [ellipsoid(at, (rng.uniform(58, 66), rng.uniform(46, 54), rng.uniform(54, 60)))]


def cover_of(kind, rng, skin):
    """One cover: hands as the performer's own skin or another's, cloth of any tone."""
    parts = shape_of(kind, rng)
    if kind in ("hand", "palm", "fist"):
        own = rng.random() < 0.6
        tone = skin * np.exp(rng.normal(0, 0.12)) if own else np.exp(rng.uniform(np.log(0.05), np.log(0.41)))
        texture = "skin"
    elif kind == "mic":
        tone, texture = rng.choice([0.03, 0.06, 0.3]), "foam"
    else:
        any_tone = rng.random() < 0.7
        tone = (
            np.exp(rng.uniform(np.log(0.03), np.log(0.75)))
            if any_tone
            else skin * np.exp(rng.normal(0, 0.15))
        )
        texture = CLOTH[kind]
    return Cover(parts=parts, luminance=float(tone), texture=texture, seed=int(rng.integers(1 << 30)))


def texture_at(cover, places):
    rng = np.random.default_rng(cover.seed)

    def waves(count, shortest, longest, height):
        total = np.zeros(len(places))
        for _ in range(count):
            way = rng.normal(size=3)
            way /= np.linalg.norm(way)
            length = np.exp(rng.uniform(np.log(shortest), np.log(longest)))
            total += np.sin(2 * np.pi * (places @ way) / length + rng.uniform(0, 6.3))
        return height * total / np.sqrt(count / 2)

    x, y = places[:, 0], places[:, 1]
    if cover.texture == "plain":
        value = waves(10, 6, 25, 0.02)
    elif cover.texture == "pleat":
        value = 0.10 * np.sin(2 * np.pi * y / rng.uniform(9, 14) + 1) ** 3 + waves(8, 5, 20, 0.02)
    elif cover.texture == "weave":
        threads = np.sin(2 * np.pi * x / 1.6) * np.sin(2 * np.pi * y / 1.6)
        value = 0.07 * threads + waves(10, 4, 30, 0.06)
    elif cover.texture == "print":
        value = 0.35 * np.tanh(3 * waves(8, 8, 22, 1.0))
    elif cover.texture == "skin":
        value = waves(24, 1.0, 4, 0.05) + waves(10, 5, 20, 0.06)
        value -= 0.25 * np.exp(-(((x % 22 - 11) / 1.2) ** 2))
    else:
        value = waves(40, 0.8, 2.5, 0.15)
    return np.clip(1 + value, 0.1, 3)


def near_mouth(truth):
    """Pixels of the lower face, and their viewing rays in the camera's frame."""
    height, width = truth.light.shape
    rows, columns = np.mgrid[:height, :width]
    key = (truth.camera.name, height)
    if key not in RAYS:
        rays = rays_of_pixels(truth.camera, np.stack([columns, rows], -1).astype(float)).reshape(-1, 3)
        RAYS[key] = np.where(np.isfinite(rays), rays, [0, 0, 1])
    at = truth.points_px
    eyes = np.linalg.norm(at["eye_outer_left"] - at["eye_outer_right"])
    x, y = (at["mouth_corner_left"] + at["mouth_corner_right"]) / 2
    inside = (np.abs(columns - x) < 1.15 * eyes) & (rows > y - 0.75 * eyes) & (rows < y + 0.95 * eyes)
    pixels = np.flatnonzero(inside.reshape(-1))
    return pixels, RAYS[key][pixels]


def covered(scene, picture, camera_idx, cover, rng):
    """The picture with the cover before the face, and the share of the mouth's pixels it hides."""
    truth, pose = picture.truth, scene.rig_from_head
    from_rig = scene.rig.camera_from_rig[camera_idx]
    pixels, rays = near_mouth(truth)
    eye = pose.rotation.T @ (-from_rig.rotation.T @ from_rig.translation_mm - pose.translation_mm)
    ways = rays @ from_rig.rotation @ pose.rotation
    best, normals = np.full(len(pixels), np.inf), np.zeros((len(pixels), 3))
    for centre, radii, turn in cover.parts:
        start, way = ((eye - centre) @ turn) / radii, (ways @ turn) / radii
        a, b, c = (way**2).sum(axis=1), way @ start, start @ start - 1
        root = b * b - a * c
        reach = np.where(root > 0, (-b - np.sqrt(np.maximum(root, 0))) / a, np.inf)
        met = (root > 0) & (reach > 0) & (reach < best)
        normal = ((start + reach[met, None] * way[met]) / radii) @ turn.T
        best[met] = reach[met]
        normals[met] = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    seen = np.flatnonzero(np.isfinite(best) & (best < truth.depth_mm.reshape(-1)[pixels] - 0.3))
    places = eye + best[seen, None] * ways[seen]
    in_rig, facing = pose.apply(places), normals[seen] @ pose.rotation.T
    fallen = np.full(len(seen), scene.light.room)
    for lamp in scene.light.lamps:
        away = np.array(lamp.at_mm) - in_rig
        distance = np.linalg.norm(away, axis=1)
        cosine = np.clip((away * facing).sum(axis=1) / distance, 0, None)
        fallen += lamp.strength * scene.light.factor * (200.0 / distance) ** 2 * cosine
    light, hides = np.zeros(truth.light.size, np.float32), np.zeros(truth.light.size, np.float32)
    light[pixels[seen]] = cover.luminance * texture_at(cover, places) * fallen * 2**scene.exposure_stops
    hides[pixels[seen]] = 1.0
    light, hides = light.reshape(truth.light.shape), hides.reshape(truth.light.shape)
    mouth = np.isin(truth.labels, [LABEL_OF[name] for name in ("lips", "teeth", "mouth", "tongue")])
    share = float((mouth & (hides > 0)).sum() / max(mouth.sum(), 1))
    soft = float(rng.uniform(0.7, 1.6))
    light, hides = (cv2.GaussianBlur(each, (0, 0), soft) for each in (light, hides))
    return picture.sensor.exposed((truth.light * (1 - hides) + light).astype(np.float32), rng), share


def scene_of(case):
    rng, look = np.random.default_rng([141, case]), LOOKS[case % len(LOOKS)]
    own = {}
    if "beard" in look:
        own["beard"] = float(rng.uniform(0.5, 1))
    if "moustache" in look:
        own["moustache"] = float(rng.uniform(0.5, 1))
    if look == "stubble":
        own["stubble"] = float(rng.uniform(0.5, 1))
    if look == "glasses":
        own["glasses"] = True
    if look == "fringe":
        own["hair"] = "fringe"
    if look == "dots":
        own["dots"] = tuple(int(vertex) for vertex in rng.integers(0, 3000, 60))
    performer = random_performer(rng, **own)
    rig = head_rig(size_px=SIZE_PX, side_by_side=bool(rng.random() < 0.5))
    pose = head_pose(
        distance_mm=rng.uniform(175, 230),
        across_mm=rng.normal(0, 5),
        down_mm=rng.normal(0, 7),
        look_up_deg=rng.uniform(-2, 22),
        yaw_deg=rng.normal(0, 4),
        roll_deg=rng.normal(0, 3),
    )
    light = usual_lamps(float(rng.uniform(1.6, 2.4)), lopsided_stops=float(rng.normal(0, 0.6)))
    expression = (neutral(), jaw_open(0.3), smile())[int(rng.integers(3))] if case % 2 else neutral()
    scene = FaceScene(
        rig=rig,
        performer=performer,
        rig_from_head=pose,
        background_seed=case,
        light=light,
        exposure_stops=fair_exposure_stops(performer),
        expression=expression,
    )
    return rng, look, scene


def rendered(case):
    """Pictures by kind and camera with the share of the mouth hidden; "clean" first."""
    rng, look, scene = scene_of(case)
    clean = [render_face(scene, k, rng=np.random.default_rng([142, case, k])) for k in (0, 1)]
    pictures = {("clean", k): (clean[k].image, 1.0) for k in (0, 1)}
    for number, kind in enumerate(KINDS, start=1):
        cover = cover_of(kind, rng, scene.performer.skin_luminance)
        for k in (0, 1):
            noise = np.random.default_rng([143, case, k, number])
            pictures[kind, k] = covered(scene, clean[k], k, cover, noise)
    return look, pictures


def told(image, finder, limits):
    """What a fitting of this still would say: "no face", "told" or "passes", and the number."""
    frame = Frame(ref=FrameRef(camera="x", frame_idx=0, origin="x"), image=image)
    face = finder.find_turned(frame, mount_rotation_deg=0, turned_deg=0)
    if not isinstance(face, FaceLandmarks):
        return "no face", None
    detail = mouth_detail([upright_face(face, 0)], [work_picture(image)]).value
    unclear = any(each.code == "mouth_unclear" for each in face.findings)
    doubtful = unclear or face.score < limits.band("framing.sureness").caution
    low = detail < limits.band("framing.mouth_detail").caution
    return ("told" if doubtful or low else "passes"), detail


def main(folder, first, last):
    folder.mkdir(parents=True, exist_ok=True)
    finder, limits = FaceFinder(), Limits(effective_limits(()))
    counts, clean = Counter(), []
    for case in range(first, last):
        file = folder / f"mouth_{case}.pkl"
        if not file.exists():
            file.write_bytes(pickle.dumps(rendered(case)))
        look, pictures = pickle.loads(file.read_bytes())
        for kind in ("clean", *KINDS):
            found = [
                told(pictures[kind, k][0], finder, limits) for k in (0, 1) if pictures[kind, k][1] >= HIDDEN
            ]
            for outcome, detail in found:
                counts[kind, outcome] += 1
                if kind == "clean" and detail is not None:
                    clean.append((round(detail, 2), case, look))
            if found:
                counts[kind, "pairs"] += 1
                counts[kind, "pairs told"] += any(outcome != "passes" for outcome, _ in found)
    for kind in ("clean", *KINDS):
        words = ("no face", "told", "passes", "pairs", "pairs told")
        sys.stdout.write(f"{kind:11}" + "".join(f" {word} {counts[kind, word]:3d}" for word in words) + "\n")
    sys.stdout.write(f"lowest of clean faces: {sorted(clean)[:6]}\n")


if __name__ == "__main__":
    cv2.setNumThreads(1)
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
