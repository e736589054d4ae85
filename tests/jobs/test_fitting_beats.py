"""A slow beat in a clip of a face, from decoding to the check; and what `fitting` reads for it."""

from fractions import Fraction

import numpy as np
import pytest
from face_clips import SIZE_PX, shifted, talking_clip
from small_shoot import clip_of

from rigcheck.checks import EXPOSURE_CHECKS, Limits, effective_limits, run_checks
from rigcheck.face.fitting_run import camera_optics
from rigcheck.footage import open_cameras
from rigcheck.jobs import fitting_beats
from rigcheck.jobs.fitting_light import measure_light
from rigcheck.jobs.fitting_looking import look_for_face
from rigcheck.landmarks import Looks
from rigcheck.model import CameraDescription, PerformerLooks, RigDescription

pytestmark = pytest.mark.xdist_group("rendered-face")
RATE, SECONDS = Fraction(24000, 1001), 20.0
BLACK_DN = 4.0
# Written in video range: 16 + 4 · 219 / 255.
UPPER = CameraDescription(name="upper", transfer="linear", black_level=19.4, value_range="video")
RIG = RigDescription(name="kestrel", cameras=(UPPER,))


def film(path, *, half_swing: float, step_at_s: float = 1e9):
    """A performer who talks, the head swaying by some pixels, in light of 120 Hz and a lamp dimmed at a time."""
    pictures, rng, out, shown = talking_clip().pictures[0], np.random.default_rng([93, 0]), [], 0
    for k in range(round(SECONDS * RATE)):
        time_s = k / float(RATE)
        if rng.random() < 0.3:
            shown = int(rng.integers(4, 8)) if 3.0 < time_s % 7.0 < 6.0 else 0
        base = pictures[shown].astype(np.float64)
        lamp = 1 + half_swing * np.sin(2 * np.pi * 120.0 * time_s + 0.5)
        lamp *= 0.64 if time_s > step_at_s else 0.8
        lit = BLACK_DN + lamp * (base - BLACK_DN) + rng.standard_normal(base.shape)
        picture = np.clip(np.rint(lit), 0, 255).astype(np.uint8)
        out.append(shifted(picture, 3 * np.sin(4.1 * time_s), 4 * np.sin(1.7 * time_s + 1)))
    return clip_of(path, out, rate=RATE, options={"g": "24", "preset": "ultrafast"})


def light_of(path, looks: int):
    """The clip, its exposure, and what the check makes of its flicker."""
    (clip,) = open_cameras([str(path)], cameras=("upper",))
    indices = np.linspace(0, len(clip) - 1, looks).round().astype(int).tolist()
    optics = camera_optics(SIZE_PX, UPPER)
    looked = look_for_face(clip, indices, optics, looks=Looks(), marked=None, on_progress=lambda *_: None)
    run = measure_light([clip], [looked.seen], rig=RIG, looks=PerformerLooks())
    results = {each.code: each for each in run_checks(EXPOSURE_CHECKS, run, Limits(effective_limits()))}
    return run.cameras[0].flicker, results["EXP07"]


@pytest.fixture(scope="module")
def beating(tmp_path_factory):
    return film(tmp_path_factory.mktemp("beats") / "a.mp4", half_swing=0.08)


def test_slow_roll_in_a_clip_is_named(beating):
    flicker, result = light_of(beating, 36)
    assert flicker.found
    assert flicker.beat.value == pytest.approx(0.12, abs=0.02)
    # 10 %: what goes with the sway is taken off first.
    assert flicker.stops.value == pytest.approx(np.log2(1.08 / 0.92), rel=0.1)
    assert result.status == "fail"
    assert "mains of 60 Hz" in result.message
    assert "film half a minute" in result.message


def test_speech_sway_and_a_dimmed_lamp_are_no_beat(tmp_path):
    flicker, result = light_of(film(tmp_path / "a.mp4", half_swing=0.0, step_at_s=9.0), 36)
    assert not flicker.found
    assert 60 not in flicker.hidden
    assert "would not show" not in result.message


def test_key_pictures_fill_in_where_faces_lie_far_apart(beating, monkeypatch):
    """16 looks over 20 s and a key picture a second: only key pictures are read beside them."""
    read = []
    real = fitting_beats.spot_light
    monkeypatch.setattr(fitting_beats, "spot_light", lambda *given: read.append(1) or real(*given))
    flicker, _ = light_of(beating, 16)
    assert flicker.found
    assert flicker.mains == (60,)
    assert 16 < len(read) <= 16 + 20
