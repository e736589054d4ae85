"""Board mode followed to its end: each wanted pose is rendered and held before the cameras, until it says enough."""

import os
import time

import numpy as np
import pytest
from rendered import BOARD_YAML, RIG_YAML
from small_shoot import HEIGHT, WIDTH, moments, seen, small_rig, written
from synthetic import BOARD, rodrigues

from rigcheck.calibration import CameraSetup
from rigcheck.checks import Limits, effective_limits
from rigcheck.live.board_mode import BoardMode
from rigcheck.live.engine import LiveEngine
from rigcheck.live.keep import Keeper
from rigcheck.live.kept_views import FIRST_SOLVED, LEAST_VIEWS, KeptViews
from rigcheck.live.options import LiveOptions
from rigcheck.live.stills import Still
from rigcheck.model import Frame, FrameRef, RigidTransform
from rigcheck.opencv import cv2
from rigcheck.records import read_calibration

NAMES = ("upper", "lower")
PERIOD_S = 0.1
MOST = 24


class Filming:
    """Holds rendered poses before board mode, two moments each, and waits for what is made of them."""

    def __init__(self):
        setups = [CameraSetup(name=name, image_size_px=(WIDTH, HEIGHT)) for name in NAMES]
        self.kept = KeptViews(
            BOARD, setups, limits=Limits(effective_limits()), distance_mm=195.0, on_change=lambda: None
        )
        self.mode = BoardMode(BOARD, setups, self.kept)
        self.at_s, self.count = 0.0, 0

    def show(self, pictures, *, together=True):
        frames = [
            Frame(ref=FrameRef(camera=name, frame_idx=self.count, origin="r"), image=picture)
            for name, picture in zip(NAMES, pictures, strict=True)
        ]
        stills = tuple(
            Still(suffix=".png", data=cv2.imencode(".png", picture)[1].tobytes()) for picture in pictures
        )
        self.mode.take(frames, self.at_s, lambda: stills, together=together)
        self.count, self.at_s = self.count + 1, self.at_s + PERIOD_S
        while self.kept.busy:
            time.sleep(0.005)
        return self.mode.reading()

    def hold(self, pose):
        """A pose held still: seen twice alike, a second after the one before."""
        self.at_s += 1.0
        both = seen([pose], seed=self.count)
        pictures = [both[name][0] for name in NAMES]
        self.show(pictures)
        return self.show(pictures)


@pytest.fixture(scope="module")
def filmed():
    filming = Filming()
    readings = [filming.hold(pose) for pose in moments(0, FIRST_SOLVED)]
    wanted = [filming.kept.plan.wanted[0].camera1_from_board]
    while len(readings) < MOST and not readings[-1].enough:
        readings.append(filming.hold(wanted[-1]))
        wanted += [each.camera1_from_board for each in filming.kept.plan.wanted[:1]]
    yield filming, readings, wanted[0]
    filming.mode.close()


def test_following_the_wanted_poses_leads_to_enough(filmed):
    _, readings, _ = filmed
    assert readings[-1].enough
    assert LEAST_VIEWS <= readings[-1].views_kept <= len(readings) < MOST
    assert "Calibrate now" in readings[-1].sentence
    assert not any(reading.enough for reading in readings[: LEAST_VIEWS - 1])
    shares = [[each.fraction for each in reading.coverage] for reading in readings]
    assert (np.diff(np.array(shares), axis=0) >= 0).all()
    cells = np.array(readings[-1].coverage[0].cells)
    assert cells.shape == (5, 4)
    assert cells.mean() > 0.5


def test_the_wanted_pose_is_drawn_where_the_board_would_be_seen(filmed):
    """OpenCV projects the board at the pose wanted with the rig as it truly is."""
    _, readings, pose = filmed
    reading = readings[FIRST_SOLVED - 1]
    assert "hold the board" in reading.wanted_sentence.lower()
    camera = small_rig().camera1
    (columns, rows), (pitch, _) = BOARD.squares, BOARD.pitch_mm
    outer = np.array([[0, 0, 0], [columns, 0, 0], [columns, rows, 0], [0, rows, 0]]) * pitch
    matrix = np.array(
        [
            [camera.focal_px[0], 0, camera.principal_point_px[0]],
            [0, camera.focal_px[1], camera.principal_point_px[1]],
            [0, 0, 1.0],
        ]
    )
    pixels, _ = cv2.projectPoints(
        outer, cv2.Rodrigues(pose.rotation)[0], pose.translation_mm, matrix, np.array(camera.distortion)
    )
    truth = (pixels.reshape(-1, 2) + 0.5) / (WIDTH, HEIGHT)
    inside = ((truth > 0) & (truth < 1)).all(1)
    # Five views leave the lens open at the picture's edge: a hundredth of the picture is 5 px.
    assert np.abs(np.array(reading.wanted[0].corners) - truth)[inside].max() < 0.02


def test_a_view_like_those_before_adds_less_than_one_that_was_wanted(filmed):
    filming, readings, _ = filmed
    wanted = readings[FIRST_SOLVED].adds
    reading = filming.hold(moments(0, FIRST_SOLVED)[0])
    assert 0.0 < reading.adds < 0.1
    assert wanted > 2 * reading.adds


def test_a_moving_board_a_hidden_one_and_one_seen_by_one_camera_are_not_kept():
    filming = Filming()
    pose = moments(0, 1)[0]
    aside = RigidTransform(
        rotation=pose.rotation @ rodrigues(np.radians([0, 0, 3.0])),
        translation_mm=pose.translation_mm + np.array([6.0, 0, 0]),
    )
    both, moved = seen([pose]), seen([aside])
    filming.show([both[name][0] for name in NAMES])
    reading = filming.show([moved[name][0] for name in NAMES])
    assert "still" in reading.adds_sentence
    empty = np.full((HEIGHT, WIDTH), 90, dtype=np.uint8)
    for _ in range(2):
        reading = filming.show([both["upper"][0], empty])
    assert "lower does not see" in reading.adds_sentence
    assert filming.mode.cameras()[0].crosses
    assert filming.mode.cameras()[1].sentence
    reading = filming.show([empty, empty])
    assert (reading.adds, reading.views_kept) == (None, 0)
    assert "not seen" in reading.adds_sentence
    filming.mode.close()


def test_pictures_that_are_not_of_one_moment_are_not_kept():
    filming = Filming()
    both = seen(moments(0, 1))
    pictures = [both[name][0] for name in NAMES]
    filming.show(pictures)
    reading = filming.show(pictures, together=False)
    assert "not of one moment" in reading.adds_sentence
    assert reading.views_kept == 0
    assert filming.show(pictures).views_kept == 1
    filming.mode.close()


def test_the_kept_views_are_calibrated_in_a_folder_of_their_own(filmed, tmp_path):
    filming, _, _ = filmed
    (tmp_path / "board.yaml").write_text(BOARD_YAML)
    (tmp_path / "rig.yaml").write_text(RIG_YAML)
    keeper = Keeper(tmp_path / "out", NAMES, inputs=())
    name = keeper.next_name("calibration")
    kept = keeper.keep_calibration(
        name, filming.kept.stills[:8], board=tmp_path / "board.yaml", rig=tmp_path / "rig.yaml"
    )
    folder = tmp_path / "out" / "calibration-001"
    assert kept.link == "calibration-001/report.html"
    found = read_calibration(folder / "calibration.yaml")
    truth = small_rig()
    assert found.rig.baseline_mm == pytest.approx(truth.baseline_mm, abs=0.1)
    assert len(os.listdir(folder / "upper")) == 8
    # A second one takes the next number, and what cannot be calibrated keeps its pictures.
    again = keeper.keep_calibration(
        keeper.next_name("calibration"),
        filming.kept.stills[:1],
        board=tmp_path / "board.yaml",
        rig=tmp_path / "rig.yaml",
    )
    assert "not calibrated" in again.sentence
    assert again.link is None
    assert os.listdir(tmp_path / "out" / "calibration-002" / "lower") == ["0001.png"]


def test_board_mode_within_a_session(tmp_path):
    pictures = seen(moments(0, 1))
    folders = [written(tmp_path / name, pictures[name]) for name in NAMES]
    (tmp_path / "board.yaml").write_text(BOARD_YAML)
    options = LiveOptions(
        sources=tuple(map(str, folders)), out=tmp_path / "out", board=tmp_path / "board.yaml", mode="board"
    )
    with LiveEngine(options) as engine:
        end = time.monotonic() + 60.0
        while not any(each.crosses for each in engine.reading().cameras):
            assert time.monotonic() < end
            time.sleep(0.05)
        reading = engine.reading()
        assert reading.mode == "board"
        assert reading.answers == ()
        assert "0 of 5" in reading.board.sentence
        engine.set_mode("face")
        assert engine.reading().board is None
