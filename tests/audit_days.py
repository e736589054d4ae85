"""Simulated days of takes: matches on a face-like surface with noise, a smooth error, and a pair that may move."""

from dataclasses import dataclass, field

import numpy as np

from rigcheck.drift.audit_day import day_geometry
from rigcheck.drift.audit_take import take_geometry
from rigcheck.geometry.observable import moved_pair
from rigcheck.geometry.projection import intrinsics_vector, project, unproject
from rigcheck.model import CameraModel, PatchMatches, RigidTransform, StereoRig

SIZE = (1080, 1440)
DISTANCE_MM = 195.0


def pair(baseline_mm=72.0, distance_mm=DISTANCE_MM):
    """The handbook's reference (section 11): 1080 x 1440, f 1420 px, 72 mm, axes meeting at the face; stacked."""
    camera = {
        "image_size_px": SIZE,
        "model": "brown",
        "focal_px": (1420.0, 1420.0),
        "distortion": (-0.12, 0.06, 2e-4, -3e-4, 0.0),
    }
    cameras = [
        CameraModel(name=name, principal_point_px=((SIZE[0] - 1) / 2 + dx, (SIZE[1] - 1) / 2 + dy), **camera)
        for name, dx, dy in (("upper", 3.0, -4.0), ("lower", -2.0, 5.0))
    ]
    half = np.arctan2(baseline_mm / 2, distance_mm)
    rotations = []
    for sign in (-1.0, 1.0):
        a = sign * half
        rotations.append(np.array([[1, 0, 0], [0, np.cos(a), np.sin(a)], [0, -np.sin(a), np.cos(a)]]))
    # Camera 1 above (y down): its centre at -y looks down towards the middle.
    rotation = rotations[1] @ rotations[0].T
    centre2 = rotations[0] @ np.array([0.0, baseline_mm, 0.0])
    return StereoRig(
        camera1=cameras[0],
        camera2=cameras[1],
        camera2_from_camera1=RigidTransform(rotation=rotation, translation_mm=-rotation @ centre2),
    )


def face_points(rng, rig, n, *, shift_mm=(0.0, 0.0, 0.0), side_by_side=False):
    """Points on a face-like surface, camera-1 frame; the face stands along the baseline unless side by side."""
    x, y = rng.uniform(-62, 62, n), rng.uniform(-80, 75, n)
    relief = 22.0 * np.exp(-0.5 * ((x / 14) ** 2 + ((y - 5) / 24) ** 2))
    depth = DISTANCE_MM + 25.0 * (x / 62) ** 2 + 18.0 * (y / 80) ** 2 - relief
    points = np.column_stack([x, y, depth]) + np.asarray(shift_mm)
    pose = rig.camera2_from_camera1
    centre2 = -pose.rotation.T @ pose.translation_mm
    view = np.array([0.0, 0.0, 1.0]) + pose.rotation[2]
    view /= np.linalg.norm(view)
    down = centre2 / np.linalg.norm(centre2)
    down = down - (down @ view) * view
    down /= np.linalg.norm(down)
    across = np.cross(down, view)
    axes = [down, -across, view] if side_by_side else [across, down, view]
    return 0.5 * centre2 + points @ np.stack(axes)


def smooth_field(rng, *, amplitude_px, waves=60, length_px=220.0):
    """A random field over the picture of given standard deviation and correlation length (random waves)."""
    k = rng.normal(size=(waves, 2)) / length_px
    phase = rng.uniform(0, 2 * np.pi, waves)

    def field(at_px):
        return amplitude_px * np.sqrt(2 / waves) * np.cos(at_px @ k.T + phase).sum(axis=1)

    return field


@dataclass(frozen=True, kw_only=True)
class Errors:
    """Of the matches: white noise per axis in picture 2; a smooth error that is the whole day's, and the take's."""

    white_px: float = 0.15
    day_px: float = 0.028
    take_px: float = 0.028
    wrong_share: float = 0.02
    length_px: float = 220.0


def moment(rng, believed, true_pose, *, n, errors, fields, shift_mm=(0.0, 0.0, 0.0)):
    """Matches of one moment, as PairMatcher gives them; `fields` are added along both picture axes."""
    points = face_points(rng, believed, n, shift_mm=shift_mm)
    camera1, camera2 = believed.camera1, believed.camera2
    pixels1 = np.rint(project(points, intrinsics_vector(camera1), camera1.model))
    rays = unproject(pixels1, intrinsics_vector(camera1), camera1.model)
    on_ray = np.column_stack([rays, np.ones(n)]) * points[:, 2:]
    pixels2 = project(true_pose.apply(on_ray), intrinsics_vector(camera2), camera2.model)
    sigma = rng.uniform(0.7, 1.4, n) * errors.white_px
    pixels2 = pixels2 + sigma[:, None] * rng.normal(size=(n, 2))
    pixels2 += np.column_stack([sum(part[axis](pixels1) for part in fields) for axis in (0, 1)])
    wrong = rng.uniform(size=n) < errors.wrong_share
    pixels2[wrong] += rng.uniform(-2, 2, (int(wrong.sum()), 2))
    return PatchMatches(
        points1_px=pixels1,
        points2_px=pixels2,
        covariance_px2=sigma[:, None, None] ** 2 * np.eye(2),
        slope=np.tile(np.eye(2), (n, 1, 1)),
        score=np.ones(n),
        contrast_dn=np.ones(n),
        noise_dn=np.ones(n),
    )


@dataclass(frozen=True, kw_only=True)
class Shape:
    """Of a day; few matches with little noise weigh as many with more, and cost less."""

    n_takes: int = 20
    n_moments: int = 4
    n_matches: int = 100
    errors: Errors = field(default_factory=Errors)


def fields_of(rng, amplitude_px, length_px):
    # sqrt 2: the Sampson distance shows an error of one picture by 1 / sqrt 2.
    return tuple(
        smooth_field(rng, amplitude_px=np.sqrt(2) * amplitude_px, length_px=length_px) for _ in range(2)
    )


def day(rng, believed, changes, shape):
    """Matches of a day, one list of moments a take; `changes` (N, 5) is the pair's true change in each take."""
    errors = shape.errors
    of_day = fields_of(rng, errors.day_px, errors.length_px)
    for change in changes:
        of_take = fields_of(rng, errors.take_px, errors.length_px)
        pose = moved_pair(believed.camera2_from_camera1, np.asarray(change, dtype=float))
        shift = rng.normal(0, 2.0, 3)  # the helmet slips
        yield [
            moment(
                rng,
                believed,
                pose,
                n=shape.n_matches,
                errors=errors,
                fields=(of_day, of_take),
                shift_mm=shift + rng.normal(0, 1.0, 3),
            )
            for _ in range(shape.n_moments)
        ]


# What a day must find (degrees): steps of these sizes.
STEPS = {
    "across": (0.0, 0.01, 0.0, 0.0, 0.0),
    "twist": (0.0, 0.0, 0.03, 0.0, 0.0),
    "convergence": (0.1, 0.0, 0.0, 0.0, 0.0),
}
DRIFT = (0.1, 0.01, 0.03, 0.0, 0.0)


def audited(case, changes, shape, rig=None):
    """A simulated day as the audit sees it: its takes and what it makes of them."""
    rig = rig or pair()
    takes = [
        take_geometry(f"take {k:02d}", matches, rig, working_distance_mm=DISTANCE_MM)
        for k, matches in enumerate(day(np.random.default_rng(case), rig, changes, shape))
    ]
    return takes, day_geometry(takes)


def stepped(n_takes, first, size):
    """Changes of a day with a step before take `first`."""
    return np.outer(np.arange(n_takes) >= first, size)


def drifting(n_takes, size):
    """Changes of a day that creeps from the first to the last take."""
    return np.outer(np.linspace(0.0, 1.0, n_takes), size)


def exact(found, first):
    """Whether one step was found, and at its take."""
    return len(found.events) == 1 and found.events[0].kind == "step" and found.events[0].first == first
