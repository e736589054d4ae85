"""How well both planes of focus are told on rendered performers.

By hand: ``python tests/bench/bench_focus.py [CASES] [FIRST] [MOMENTS] [RAYS]``. Performers, poses, planes and lens
blur at random; f/2.8 with a 4.8 mm lens, f/4 and f/8 with a 6 mm lens, all of 1420 px. FIRST is the first performer's
number: settings of the fit were chosen on 1000 to 1042, so that other numbers test it. MOMENTS of a performer who talks
a little in a helmet that gives a little are used together: six is what `fitting` takes of a clip, one what a pair of
stills holds. RAYS (1 or 3) across a pixel: see `FaceScene`. A second line gives those with contrast of 6 DN.
"""

import platform
import sys
import time
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.demo.head_expression import jaw_open
from rigcheck.demo.head_performer import random_performer
from rigcheck.demo.head_rig import HeadRig, head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.face.audit_look import face_mask
from rigcheck.face.focus_pair import FocusPair, focus_pair
from rigcheck.face.focus_plane import focus_planes
from rigcheck.landmarks import FaceFinder
from rigcheck.matching import PairMatcher
from rigcheck.model import FaceLandmarks, Frame, FrameRef, RigidTransform

FOCAL_PX = 1420.0
LONGER_MM = 6.0
LEAST_OFF_MM, LEAST_CONTRAST_DN = 10.0, 6.0
# Between a clip's moments: how the head turns and shifts in the helmet (sd), and how far the jaw opens at most.
TURNS_DEG, SHIFTS_MM, OPENS = 0.7, 0.7, 0.25


@dataclass(frozen=True, kw_only=True)
class Row:
    """One camera: the plane's error and sigma (None: not told), how far it truly lies behind the eyes."""

    f_number: float
    error_mm: float | None
    sigma_mm: float | None
    off_mm: float
    contrast_dn: float
    seconds: float


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")


def rig_of(rng: np.random.Generator, f_number: float) -> HeadRig:
    rig = head_rig(f_number=f_number)
    common, own = rng.uniform(-30, 30), rng.normal(0, 6, 2)
    lenses = []
    for lens, shift in zip(rig.lenses, own, strict=True):
        at = lens.focused_at_mm + common + shift
        if f_number > 3:
            pitch = 1000 / (1 / LONGER_MM - 1 / at) / FOCAL_PX
            lens = replace(lens, focal_length_mm=LONGER_MM, pixel_pitch_um=pitch)
        blur = float(np.clip(rng.normal(0.6, 0.12), 0.45, 0.9))
        lenses.append(replace(lens, focused_at_mm=at, sharpest_px=blur))
    return replace(rig, lenses=tuple(lenses))


def scene_of(case: int, f_number: float, rays: int) -> tuple[FaceScene, np.random.Generator]:
    """A performer before a rig; and what the first pictures' noise is drawn from."""
    rng = np.random.default_rng([81, case])
    performer = random_performer(rng)
    rig = rig_of(rng, f_number)
    pose = head_pose(
        distance_mm=rng.uniform(182, 215),
        look_up_deg=rng.uniform(0, 16),
        yaw_deg=rng.normal(0, 3),
        across_mm=rng.normal(0, 4),
        down_mm=rng.normal(0, 5),
    )
    stops = float(np.log2(0.26 / performer.skin_luminance))
    scene = FaceScene(
        rig=rig, performer=performer, rig_from_head=pose, exposure_stops=stops, rays_across=rays
    )
    return scene, rng


def moved(scene: FaceScene, rng: np.random.Generator) -> FaceScene:
    """Another moment of the same clip."""
    pose = scene.rig_from_head
    turn = Rotation.from_rotvec(rng.normal(0, TURNS_DEG, 3), degrees=True).as_matrix()
    shift = pose.translation_mm + rng.normal(0, SHIFTS_MM, 3)
    return replace(
        scene,
        rig_from_head=RigidTransform(rotation=pose.rotation @ turn, translation_mm=shift),
        expression=jaw_open(float(rng.uniform(0, OPENS))),
    )


def pair_of(scene: FaceScene, rng: np.random.Generator, finder: FaceFinder) -> FocusPair | None:
    ref = FrameRef(camera="a", frame_idx=0, origin="rendered")
    frames = [Frame(ref=ref, image=render_face(scene, k, rng=rng).image) for k in (0, 1)]
    faces = [found for found in map(finder.find, frames) if isinstance(found, FaceLandmarks)]
    if len(faces) < 2:
        return None
    matches = PairMatcher(scene.rig.stereo).match(
        frames[0].image, frames[1].image, mask1=face_mask(faces[0]), mask2=face_mask(faces[1])
    )
    return focus_pair(frames, faces, matches, scene.rig.stereo)


def clip_of(
    case: int, f_number: float, finder: FaceFinder, *, moments: int, rays: int
) -> tuple[HeadRig, list[FocusPair]]:
    scene, rng = scene_of(case, f_number, rays)
    pairs = [pair_of(scene, rng, finder)]
    for number in range(1, moments):
        own = np.random.default_rng([82, case, number])
        pairs.append(pair_of(moved(scene, own), own, finder))
    return scene.rig, [pair for pair in pairs if pair is not None]


def rows_of(case: int, f_number: float, finder: FaceFinder, *, moments: int, rays: int) -> list[Row]:
    rig, pairs = clip_of(case, f_number, finder, moments=moments, rays=rays)
    if not pairs:
        return []
    pair = pairs[0]
    first, second = (lens.focal_length_mm / lens.f_number for lens in rig.lenses)
    start = time.process_time()
    planes = focus_planes(pairs, focal_px=(FOCAL_PX, FOCAL_PX), aperture_mm=(first, second))
    took = time.process_time() - start
    rows = []
    for number, (lens, plane) in enumerate(zip(rig.lenses, planes, strict=True)):
        found = plane.plane_depth_mm
        error = None if found.value is None else found.value - lens.focused_at_mm
        eyes = pair.face_mm.get("eye", tuple(np.median(pair.depth_mm, axis=1)))
        off = lens.focused_at_mm - eyes[number]
        rows.append(
            Row(
                f_number=f_number,
                error_mm=error,
                sigma_mm=found.sigma,
                off_mm=off,
                contrast_dn=float(np.median(pair.contrast_dn)),
                seconds=took,
            )
        )
    return rows


def told(rows: list[Row], what: str) -> None:
    """Print one line about the planes told in these rows."""
    given = [row for row in rows if row.error_mm is not None]
    if not given:
        say(f"{what:14}{0:4}/{len(rows):<4} nothing told")
        return
    error = np.array([row.error_mm for row in given])
    z = error / np.array([row.sigma_mm for row in given])
    off = np.array([row.off_mm for row in given])
    far = np.abs(off) >= LEAST_OFF_MM
    right = np.sign(off + error)[far] == np.sign(off)[far]
    side = 100 * float(right.mean()) if far.any() else float("nan")
    size = np.abs(error)
    say(
        f"{what:14}{len(given):4}/{len(rows):<4}{np.median(size):9.2f}{np.percentile(size, 95):8.1f}"
        f"{error.mean():8.2f}{z.std():9.2f}{side:6.0f}%{np.mean([row.seconds for row in given]):8.2f}"
    )


def main(count: int, first: int, moments: int, rays: int) -> None:
    finder = FaceFinder()
    say(f"{platform.platform()} {platform.processor()}")
    say(f"{'f/':<14}{'told':>9}{'median':>9}{'p95':>8}{'bias':>8}{'sd of z':>9}{'side':>7}{'CPU s':>8}")
    for f_number in (2.8, 4.0, 8.0):
        cases = range(first, first + count)
        rows = [row for case in cases for row in rows_of(case, f_number, finder, moments=moments, rays=rays)]
        told(rows, f"{f_number}")
        told([row for row in rows if row.contrast_dn >= LEAST_CONTRAST_DN], f"{f_number}, 6 DN")


if __name__ == "__main__":
    asked = [int(value) for value in sys.argv[1:]]
    main(*(asked + [24, 2000, 6, 1][len(asked) :]))
