"""A film on one lens found on the skin that both cameras show, from the first take on; clean lenses raise nothing."""

from functools import lru_cache

import numpy as np
import pytest
from audit_footage import rig, take

from rigcheck.checks import Limits, effective_limits
from rigcheck.checks.verdict import judge
from rigcheck.face.audit_lens import lens_changes
from rigcheck.face.audit_look import face_mask, skin_mask
from rigcheck.face.audit_skin import skin_seen
from rigcheck.landmarks import FaceFinder
from rigcheck.matching import PairMatcher
from rigcheck.model import FaceLandmarks, Frame, FrameRef
from rigcheck.model.take import Take, TakeRecord
from rigcheck.opencv import cv2

CAMERAS = ("upper", "lower")
LIMITS = Limits(effective_limits())


def spread(picture, sigma_px):
    return cv2.GaussianBlur(picture.astype(np.float32), (0, 0), sigma_px)


def print_on(camera, centre_px, share):
    """A thumb's print over one cheek: this share of the light is spread wide, nothing blocked."""

    def planted(picture, number):
        if number != camera:
            return picture
        mask = np.zeros(picture.shape, np.float32)
        cv2.ellipse(mask, centre_px, (62, 75), 0, 0, 360, share, -1)
        mask = cv2.GaussianBlur(mask, (0, 0), 12)
        return picture * (1 - mask) + spread(picture, 40) * mask

    return planted


def film(cameras, share):
    """Fog or grease all over: this share of the light is spread over a quarter of the picture."""

    def planted(picture, number):
        if number not in cameras:
            return picture
        return picture * (1 - share) + spread(picture, 160) * share

    return planted


def softened(picture, number):
    """Camera 1 out of focus: no dirt."""
    return picture if number else spread(picture, 1.0)


@lru_cache
def faces():
    """The face in each clean picture: what is planted does not move it."""
    out = []
    for pair in zip(*take(1), strict=True):
        found = [
            FaceFinder().find(Frame(ref=FrameRef(camera="c", frame_idx=0, origin="rendered"), image=picture))
            for picture in pair
        ]
        assert all(isinstance(one, FaceLandmarks) for one in found)
        out.append(found)
    return out


def changes(planted=None):
    """What is said of the lenses in a take that stands alone."""
    pairs = list(zip(*take(1, planted=planted), strict=True))
    skin = [skin_mask(pair[0]) for pair in faces()]
    matcher = PairMatcher(rig().stereo, wanted=150)
    matches = [
        matcher.match(*pair, mask1=mask, mask2=face_mask(two[1]))
        for pair, mask, two in zip(pairs, skin, faces(), strict=True)
    ]
    seen = skin_seen(CAMERAS, pairs, skin, matches)
    record = TakeRecord(
        take=Take(name="first", footage=("u", "l")),
        cameras=CAMERAS,
        measurements=seen.numbers,
        apart=seen.cells,
    )
    found = {}
    for camera in CAMERAS:
        found |= lens_changes(record, camera, [record])
    return found


def told(found, name):
    band = LIMITS.band("audit.spot_share" if name == "spot_apart" else "audit.veil")
    return {camera: judge(found[f"lens.{camera}.{name}"], band) for camera in CAMERAS}


@pytest.mark.parametrize("planted", [None, softened, film((0, 1), 0.3)])
def test_clean_and_soft_lenses_raise_nothing_nor_does_the_same_film_on_both(planted):
    found = changes(planted)
    for name in ("spot_apart", "veil_apart"):
        assert told(found, name) == {"upper": "pass", "lower": "pass"}
    # A single take has no other to be held against, and says so.
    assert found["lens.upper.veil"].value is None
    assert "no other take" in found["lens.upper.veil"].reason


@pytest.mark.parametrize(("camera", "centre_px", "share"), [(0, (165, 350), 0.6), (1, (310, 330), 0.9)])
def test_a_print_is_found_on_its_lens_thin_or_thick(camera, centre_px, share):
    found = changes(print_on(camera, centre_px, share))
    statuses = told(found, "spot_apart")
    assert statuses[CAMERAS[camera]] in ("caution", "fail")
    assert statuses[CAMERAS[1 - camera]] == "pass"


@pytest.mark.parametrize("camera", [0, 1])
def test_a_film_all_over_is_found_on_its_lens(camera):
    found = changes(film((camera,), 0.4))
    statuses = told(found, "veil_apart")
    assert statuses[CAMERAS[camera]] in ("caution", "inconclusive", "fail")
    assert statuses[CAMERAS[1 - camera]] == "pass"
    # Light spread over the dark surroundings comes back as less than was taken: 40 % of the light costs less contrast.
    assert 0.2 < found[f"lens.{CAMERAS[camera]}.veil_apart"].value < 0.4
