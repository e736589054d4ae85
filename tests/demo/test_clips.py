"""The demo's files: what is in them, that a seed fixes them, and that they come whole or not at all."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
import yaml

from rigcheck.demo import calibration_shoot, project_from, render_view, write_calibration_clips
from rigcheck.demo.encoding import ClipWriter
from rigcheck.demo.head_files import face_writers
from rigcheck.errors import OutputError
from rigcheck.model import FrameRef, Observation
from rigcheck.records import read_board, read_rig
from rigcheck.target import detect_board

SIZE_PX = (540, 720)


def small_shoot(seed=5, seconds=0.4):
    return calibration_shoot(seed, seconds=seconds, frame_rate=30.0, size_px=SIZE_PX)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A short pair of small clips."""
    return write_calibration_clips(tmp_path_factory.mktemp("demo") / "day", small_shoot())


def decoded(path):
    with av.open(str(path)) as clip:
        stream = clip.streams.video[0]
        facts = {
            "rate": stream.average_rate,
            "range": stream.codec_context.color_range,
            "codec": stream.codec_context.name,
            "timecode": stream.metadata.get("timecode"),
        }
        frames = list(clip.decode(video=0))
        pictures = [frame.to_ndarray()[: SIZE_PX[1], : SIZE_PX[0]] for frame in frames]
        facts["keyframes"] = [i for i, frame in enumerate(frames) if frame.key_frame]
    return pictures, facts


def test_clips_have_the_frames_size_and_rate_asked_for(made):
    for path in made.clips:
        pictures, facts = decoded(path)
        assert len(pictures) == 12
        assert pictures[0].shape == (720, 540)
        assert facts["rate"] == Fraction(30)
        assert facts["codec"] == "h264"
        assert facts["range"] == 2  # full range, AVCOL_RANGE_JPEG of FFmpeg's pixfmt.h
        assert facts["timecode"] == "07:42:10:00"
        assert facts["keyframes"][0] == 0


def test_a_keyframe_comes_every_second(tmp_path):
    shoot = calibration_shoot(5, seconds=2.2, frame_rate=10.0, size_px=(108, 144))
    clips = write_calibration_clips(tmp_path / "day", shoot).clips
    with av.open(str(clips[0])) as clip:
        keys = [i for i, frame in enumerate(clip.decode(video=0)) if frame.key_frame]
    assert keys == [0, 10, 20]


def test_files_beside_the_clips_are_ours(made):
    shoot = made.shoot
    assert read_board(made.board_file) == shoot.day.board
    rig = read_rig(made.rig_file)
    assert rig == replace(shoot.day.description, limits=rig.limits)
    assert [camera.name for camera in rig.cameras] == [path.stem for path in made.clips]


def test_the_truth_file_holds_the_truth(made):
    shoot, content = made.shoot, yaml.safe_load(made.truth_file.read_text(encoding="utf-8"))
    truth = shoot.day.truth
    assert content["seed"] == 5
    assert content["stereo"]["baseline_mm"] == truth.baseline_mm
    assert content["cameras"][1]["distortion"] == list(truth.camera2.distortion)
    assert len(content["board_poses"]) == shoot.n_frames
    frame, *numbers = content["board_poses"][7]
    pose = shoot.camera_from_board(1, shoot.middle_s(7))
    assert frame == 7
    assert numbers[3:] == pytest.approx(pose.translation_mm.tolist(), abs=1e-6)  # rounded to 1e-6 mm


def test_a_seed_fixes_every_byte(made, tmp_path):
    again = write_calibration_clips(tmp_path / "again", small_shoot())
    for name in ("upper.mp4", "lower.mp4", "truth.yaml", "rig.yaml", "board.yaml"):
        assert (tmp_path / "again" / name).read_bytes() == (made.truth_file.parent / name).read_bytes()
    other = write_calibration_clips(tmp_path / "other", small_shoot(seed=6))
    assert other.clips[0].read_bytes() != again.clips[0].read_bytes()


def test_decoded_pictures_are_the_rendered_ones(made):
    shoot = made.shoot
    pictures, _ = decoded(made.clips[0])
    for frame_idx in (0, 11):
        rendered = render_view(
            shoot.camera(1),
            shoot.exposure(1, frame_idx),
            board=shoot.board,
            options=shoot.options(1),
            rng=np.random.default_rng([14, 5, 1, frame_idx]),
        )
        difference = pictures[frame_idx].astype(float) - rendered
        assert abs(difference.mean()) < 0.1  # the codec keeps the level (a wrong range would be off by 7 %)
        assert np.sqrt(np.mean(difference**2)) < 3.0  # and loses about as much as there is noise


def test_corners_detected_in_the_clips_are_the_true_ones(made):
    shoot = made.shoot
    for number, path in enumerate(made.clips, start=1):
        picture = np.ascontiguousarray(decoded(path)[0][6])
        seen = detect_board(
            picture, shoot.day.board, FrameRef(camera=path.stem, frame_idx=6, origin=path.name)
        )
        assert isinstance(seen, Observation)
        assert seen.n > 70
        pose = shoot.camera_from_board(number, shoot.middle_s(6))
        true = project_from(shoot.camera(number), pose, shoot.board.corners_mm)[seen.corner_ids]
        errors = seen.corners_px - true
        assert np.sqrt(np.mean(errors**2)) < 0.04  # half-size pictures through a codec
        assert np.abs(errors.mean(axis=0)).max() < 0.01  # the codec must not let the board lag


def test_progress_counts_every_picture(tmp_path):
    calls = []
    shoot = calibration_shoot(1, seconds=0.1, frame_rate=30.0, size_px=(108, 144))
    write_calibration_clips(tmp_path / "day", shoot, progress=lambda done, total: calls.append((done, total)))
    assert calls == [(i, 6) for i in range(1, 7)]


def test_nothing_is_left_of_a_demo_that_was_stopped(tmp_path):
    def stop(done, total):
        if done == 3:
            raise KeyboardInterrupt

    shoot = calibration_shoot(1, seconds=0.3, frame_rate=30.0, size_px=(108, 144))
    with pytest.raises(KeyboardInterrupt):
        write_calibration_clips(tmp_path / "day", shoot, progress=stop)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("of_faces", [False, True])
def test_a_full_disk_is_said(tmp_path, monkeypatch, of_faces):
    """What the video library raises where nothing more can be written, as on the system's own full device."""
    if not Path("/dev/full").exists():
        pytest.skip("the system has no device that is always full")
    shoot = calibration_shoot(1, seconds=0.1, frame_rate=30.0, size_px=(108, 144))
    opened = ClipWriter.__init__

    def on_full_disk(writer, path, **more):
        path.symlink_to("/dev/full")
        opened(writer, path, **more)

    def write():
        if not of_faces:
            write_calibration_clips(tmp_path / "day", shoot)
        cameras = [shoot.camera(1)]
        with face_writers(
            tmp_path / "day", cameras, frame_rate=Fraction(30), quality=0, replace=False
        ) as files:
            for _ in range(9):
                files[0][0].add(np.random.default_rng(0).integers(0, 255, (144, 108), dtype=np.uint8))

    monkeypatch.setattr(ClipWriter, "__init__", on_full_disk)
    with pytest.raises(OutputError, match="No space left"):
        write()
    assert list(tmp_path.iterdir()) == []


def test_an_earlier_demo_is_not_overwritten(tmp_path):
    shoot = calibration_shoot(1, seconds=0.1, frame_rate=30.0, size_px=(108, 144))
    made = write_calibration_clips(tmp_path / "day", shoot)
    before = made.clips[0].read_bytes()
    with pytest.raises(OutputError):
        write_calibration_clips(tmp_path / "day", shoot)
    assert made.clips[0].read_bytes() == before
    write_calibration_clips(tmp_path / "day", shoot, replace=True)


def test_odd_sizes_are_refused(tmp_path):
    with pytest.raises(ValueError, match="even"):
        write_calibration_clips(tmp_path / "day", calibration_shoot(1, seconds=0.1, size_px=(107, 144)))
    assert list(tmp_path.iterdir()) == []


def test_fast_frames_are_made_of_more_moments():
    shoot = calibration_shoot(1, seconds=6.0)
    moments = [len(shoot.exposure(1, frame_idx)) for frame_idx in range(shoot.n_frames)]
    assert min(moments) == 1
    assert max(moments) >= 3


def test_moments_have_the_mean_and_spread_of_the_exposure():
    shoot = calibration_shoot(1, seconds=6.0)
    frame_idx = int(np.argmax([len(shoot.exposure(1, i)) for i in range(shoot.n_frames)]))
    middle, shutter = shoot.middle_s(frame_idx), shoot.day.shutter_s
    places = np.array([pose.translation_mm for pose in shoot.exposure(1, frame_idx)])
    dense = np.array(
        [
            shoot.camera_from_board(1, middle + shutter * share).translation_mm
            for share in (np.arange(200) + 0.5) / 200 - 0.5
        ]
    )
    moved = np.ptp(dense, axis=0).max()
    assert np.abs(places.mean(axis=0) - dense.mean(axis=0)).max() < 0.005 * moved  # nearly uniform motion
    axis = int(np.argmax(np.ptp(dense, axis=0)))
    assert places[:, axis].std() == pytest.approx(dense[:, axis].std(), rel=0.01)


def test_both_cameras_see_the_board_at_the_middle_of_the_frames_time():
    shoot = calibration_shoot(1, seconds=1.0, frame_rate=50.0)
    assert shoot.middle_s(0) == 0.01
    assert shoot.middle_s(7) == pytest.approx(0.15)
    first, second = (shoot.camera_from_board(number, 0.5) for number in (1, 2))
    point = np.array([10.0, 20.0, 0.0])
    moved = shoot.day.truth.camera2_from_camera1.apply(first.apply(point))
    assert second.apply(point) == pytest.approx(moved)
