"""Planes of focus: made-up spectra of known planes, one rendered pair, and what cannot be told."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import j1

from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FaceScene, render_face
from rigcheck.face.audit_look import face_mask
from rigcheck.face.focus_pair import FocusPair, focus_pair
from rigcheck.face.focus_plane import focus_planes
from rigcheck.face.focus_spectra import patch_spectra
from rigcheck.landmarks import FaceFinder
from rigcheck.matching import PairMatcher
from rigcheck.model import Frame, FrameRef

FOCAL_PX, APERTURE_MM = 1420.0, 1.71
REF = FrameRef(camera="a", frame_idx=0, origin="made up")
_GRID = patch_spectra(np.zeros((64, 64), dtype=np.uint8), np.array([[32.0, 32.0]]))


def _made(rng, planes, *, count=300, spread_mm=12.0, noise=1.0):
    """Skin of a straight spectrum whose chance both cameras share, blurred by each one's disc; white noise."""
    f, freedom = _GRID.frequency, _GRID.freedom
    middle, along = rng.uniform(-25, 30, count), rng.uniform(-1, 1, count)
    depth = np.stack([200 + middle + spread_mm * along, 200 + middle - spread_mm * along])
    slope = rng.normal(2.6, 0.15, count)[:, None]
    skin = np.exp(rng.normal(3.5, 0.8, count))[:, None] * (f / 0.15) ** -slope
    skin = skin * rng.chisquare(2 * freedom, (count, len(f))) / (2 * freedom)
    power = []
    for k in range(2):
        disc = FOCAL_PX * APERTURE_MM * np.abs(1 / depth[k] - 1 / planes[k])
        x = np.maximum(np.pi * disc[:, None] * f, 1e-6)
        clean = skin * (2 * j1(x) / x) ** 2 * np.exp(-4 * (np.pi * 0.6 * f) ** 2)
        clean = clean * np.exp(rng.normal(0, 0.1, clean.shape))
        chance = rng.normal(0, 1, clean.shape) * np.sqrt((2 * clean * noise + noise**2) / freedom)
        power.append(np.maximum(clean + noise + chance, 0.05))
    return FocusPair(
        refs=(REF, REF),
        power=np.array(power),
        noise=np.full((2, count), noise),
        frequency=f,
        freedom=freedom,
        depth_mm=depth,
        stretch=np.zeros(count),
        places_px=rng.uniform(100, 900, (count, 2)),
        contrast_dn=np.full(count, 8.0),
        face_mm={"eye": (205.0, 208.0), "cheek": (200.0, 200.0)},
    )


def _planes(pair, aperture=APERTURE_MM):
    return focus_planes([pair], focal_px=(FOCAL_PX, FOCAL_PX), aperture_mm=(aperture, aperture))


def test_planes_of_made_up_spectra_are_found(rng):
    errors = []
    for k, (first, second) in enumerate([(185.0, 190.0), (205.0, 196.0), (222.0, 230.0), (178.0, 201.0)]):
        found = _planes(_made(rng(81, k), (first, second)))
        for plane, truth in zip(found, (first, second), strict=True):
            assert plane.plane_depth_mm.value is not None
            errors.append(plane.plane_depth_mm.value - truth)
            assert abs(errors[-1]) < 3 * plane.plane_depth_mm.sigma
            assert plane.near_mm.value < plane.plane_depth_mm.value < plane.far_mm.value
    assert np.median(np.abs(errors)) < 2.5  # what is wanted at f/2.8


def test_usable_depth_is_where_the_disc_is_two_pixels(rng):
    plane = _planes(_made(rng(82, 0), (200.0, 200.0)))[0]
    middle = plane.plane_depth_mm.value
    for end in (plane.near_mm.value, plane.far_mm.value):
        disc = FOCAL_PX * APERTURE_MM * abs(1 / end - 1 / middle)  # thin lens
        assert disc == pytest.approx(2.0, rel=1e-6)  # the same formula


def test_what_cannot_be_told_has_a_reason(rng):
    pair = _made(rng(83, 0), (200.0, 200.0))
    slow = _planes(pair, aperture=0.6)[0]
    assert slow.plane_depth_mm.value is None
    assert "small aperture" in slow.plane_depth_mm.reason
    assert slow.growth_px_mm.value == pytest.approx(1420 * 0.6 / 200**2, rel=0.1)  # depths are around 200 mm
    assert "f-number" in _planes(pair, aperture=None)[0].plane_depth_mm.reason
    few = _made(rng(83, 1), (200.0, 200.0), count=20)
    assert "needed" in _planes(few)[0].plane_depth_mm.reason


def test_a_plane_far_outside_the_face_is_not_a_number(rng):
    found = _planes(_made(rng(84, 0), (420.0, 430.0)))[0].plane_depth_mm
    assert found.value is None
    assert "out of focus" in found.reason or "behind" in found.reason


@pytest.fixture(scope="module")
def rendered():
    rig = head_rig(f_number=2.8)
    rig = replace(rig, lenses=tuple(replace(lens, focused_at_mm=228.0) for lens in rig.lenses))
    scene = FaceScene(
        rig=rig, performer=Performer(texture_seed=7), rig_from_head=head_pose(distance_mm=195.0)
    )
    pictures = [render_face(scene, k, rng=np.random.default_rng([85, k])) for k in (0, 1)]
    frames = [Frame(ref=REF, image=picture.image) for picture in pictures]
    faces = [FaceFinder().find(frame) for frame in frames]
    masks = [face_mask(face) for face in faces]
    matches = PairMatcher(rig.stereo).match(frames[0].image, frames[1].image, mask1=masks[0], mask2=masks[1])
    return rig, pictures, focus_pair(frames, faces, matches, rig.stereo)


def test_plane_of_a_rendered_face_lies_behind_it(rendered):
    rig, pictures, pair = rendered
    aperture = rig.lenses[0].focal_length_mm / 2.8
    found = _planes(pair, aperture)
    for k, plane in enumerate(found):
        assert plane.plane_depth_mm.value > pair.face_mm["cheek"][k] + 10
        assert abs(plane.plane_depth_mm.value - 228.0) < 3 * plane.plane_depth_mm.sigma
        at = pictures[k].truth.points_px["eye_inner_left"]
        true = pictures[k].truth.depth_mm[round(at[1]), round(at[0])]
        assert pair.face_mm["eye"][k] == pytest.approx(
            true, abs=8.0
        )  # four corners lie 4 to 10 mm apart in depth
