"""Scripted performances: what is scripted happens, and is written as it was rendered."""

from dataclasses import replace
from fractions import Fraction

import av
import numpy as np
import pytest

from rigcheck.demo import (
    FaceClip,
    FaceScene,
    HelmetSlide,
    Hold,
    bite,
    face_frames,
    head_rig,
    jaw_open,
    neutral,
    render_exposure,
    write_face_clips,
    write_face_pictures,
)
from rigcheck.errors import OutputError
from rigcheck.opencv import cv2

SCRIPT = (
    Hold(expression=neutral(), hold_s=1.0, move_s=0.0, name="neutral"),
    Hold(expression=bite(), hold_s=0.5, name="bite"),
    Hold(expression=jaw_open(), hold_s=0.5, name="open"),
)


def clip(**changes) -> FaceClip:
    scene = FaceScene(rig=head_rig(size_px=(180, 240)))
    return replace(FaceClip(scene=scene, script=SCRIPT, frame_rate=Fraction(30)), **changes)


def test_the_script_is_played():
    played = clip()
    assert played.seconds == 2.5
    assert played.n_frames == 75
    assert played.expression_at(0.5) == neutral()
    assert played.hold_at(1.1) == ("bite", False)
    assert played.hold_at(1.4) == ("bite", True)
    half = played.expression_at(1.125)
    assert half.teeth_closed == pytest.approx(0.5)  # half way, both ends eased alike
    assert played.expression_at(9.0) == jaw_open()


def test_blinks_shut_and_open_again():
    played = clip(blinks_s=(0.3,))
    shut = dict(played.expression_at(0.42).units)
    assert shut["lid_close_left"] == pytest.approx(0.9)
    assert played.expression_at(0.29) == neutral() == played.expression_at(0.7)
    pictures = [played.render(round(time_s * 30), 0).truth for time_s in (0.1, 0.42)]
    assert [one.visible["iris_left"] for one in pictures] == [True, False]


def test_a_sliding_helmet_moves_the_whole_face_in_the_rig():
    played = clip(sway_mm=0.0, slides=(HelmetSlide(start_s=0.2, end_s=0.6, shift_mm=(0.0, 4.0, 1.0)),))
    before, after = played.render(0, 0).truth, played.render(24, 0).truth
    for name in ("subnasale", "iris_left", "chin"):
        moved = after.points_rig_mm[name] - before.points_rig_mm[name]
        np.testing.assert_allclose(moved, (0.0, 4.0, 1.0), atol=1e-9)


def test_sway_has_the_wanted_size():
    played = clip(sway_mm=0.2)
    rest = played.scene.rig_from_head.translation_mm
    away = [played.pose_at(time_s).translation_mm - rest for time_s in np.arange(0, 60, 0.05)]
    np.testing.assert_allclose(np.std(away, axis=0), 0.2, rtol=0.15)  # four waves over a minute


def test_flicker_beats_as_published():
    """100 Hz light at 59.94 frames a second beats at 19.88 Hz; 2 ms of shutter leave 0.94 of it (handbook 4)."""
    rate = Fraction(60000, 1001)
    played = clip(frame_rate=rate, flicker_hz=100.0, flicker_share=0.2, shutter_s=0.002)
    light = np.array([played.lamp_factor(played.middle_s(k)) for k in range(600)])
    spectrum = np.abs(np.fft.rfft(light - light.mean()))
    hertz = np.fft.rfftfreq(len(light), float(1 / rate))[spectrum.argmax()]
    assert hertz == pytest.approx(19.88, abs=0.06)  # one bin is 0.1 Hz
    assert np.ptp(light) / 2 == pytest.approx(0.2 * 0.94, abs=0.002)


def test_motion_during_the_exposure_is_the_mean_of_its_moments():
    scene = FaceScene(rig=head_rig(size_px=(180, 240)))
    other = replace(scene, expression=jaw_open(0.1))
    rng = np.random.default_rng([511, 0])
    apart = [render_exposure([one], 0, rng=rng).truth.light for one in (scene, other, other)]
    both = render_exposure([scene, other, other], 0, rng=rng).truth.light
    np.testing.assert_allclose(both, np.mean(apart, axis=0), atol=1e-6)  # single precision


def test_pairs_are_the_same_whenever_rendered():
    played = clip()
    first, again = (next(face_frames(played, range(40, 41))) for _ in range(2))
    assert first.name == "bite"
    assert first.held
    for one, other in zip(first.pictures, again.pictures, strict=True):
        np.testing.assert_array_equal(one.image, other.image)


def test_pictures_and_clips_hold_what_was_rendered(tmp_path):
    played = replace(clip(), script=(replace(SCRIPT[0], hold_s=0.1),))
    folders = write_face_pictures(tmp_path / "stills", played, frames=range(1, 3))
    assert [sorted(path.name for path in folder.iterdir()) for folder in folders] == [
        ["frame_000001.png", "frame_000002.png"]
    ] * 2
    stored = np.frombuffer((folders[1] / "frame_000002.png").read_bytes(), dtype=np.uint8)
    rendered = played.render(2, 1).image
    np.testing.assert_array_equal(cv2.imdecode(stored, cv2.IMREAD_GRAYSCALE), rendered)
    files = write_face_clips(tmp_path / "clips", played)
    with av.open(str(files[1])) as film:
        frames = [frame.to_ndarray()[:240] for frame in film.decode(video=0)]
    assert len(frames) == 3
    assert np.abs(frames[2].astype(float) - rendered).mean() < 4  # code values: noise is what coding loses
    with pytest.raises(OutputError):
        write_face_clips(tmp_path / "clips", played)
