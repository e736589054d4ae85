"""Open pictures of real boards: OpenCV's own detectors and calibration as the oracle."""

import numpy as np
import pytest
import yaml

from rigcheck.model import BoardSpec, FrameRef, Observation
from rigcheck.opencv import cv2
from rigcheck.target import BoardDetector

SETS = {
    "mid": ("charuco_wide_pair", "mid_??.jpg"),
    "top": ("charuco_wide_pair", "top_??.jpg"),
    "mono": ("charuco_mono", "img_??.jpg"),
    "left": ("chessboard_stereo", "left??.jpg"),
    "right": ("chessboard_stereo", "right??.jpg"),
}


def board(expected):
    given = expected["board"]
    if given["type"] == "charuco":
        metres = "square_m" in given
        return BoardSpec(
            name="open",
            kind="charuco",
            squares=(given["squares_x"], given["squares_y"]),
            square_mm=1000 * given["square_m"] if metres else given["square_mm"],
            marker_mm=1000 * given["marker_m"] if metres else given["marker_mm"],
            dictionary=given["dictionary"],
        )
    columns, rows = given["inner_corners"]
    return BoardSpec(
        name="open", kind="checkerboard", squares=(columns + 1, rows + 1), square_mm=given["square_mm"]
    )


@pytest.fixture(scope="module", params=SETS)
def seen(request, outside_data):
    folder, pattern = SETS[request.param]
    expected = yaml.safe_load((outside_data / folder / "expected.yaml").read_text(encoding="utf-8"))
    spec = board(expected)
    detector, pairs = BoardDetector(spec), []
    for k, path in enumerate(sorted((outside_data / folder).glob(pattern))):
        image = cv2.imdecode(np.fromfile(path, dtype=np.uint8), cv2.IMREAD_GRAYSCALE)
        found = detector.detect(image, FrameRef(camera=request.param, frame_idx=k, origin=path.name))
        pairs.append((image, found))
    return request.param, spec, expected["measured"], pairs


def test_every_board_is_found_whole(seen):
    name, spec, measured, pairs = seen
    assert all(isinstance(found, Observation) for _, found in pairs)
    total = sum(found.n for _, found in pairs)
    if name in ("mid", "top"):
        assert total >= measured[name]["corners"]  # 1467; two of a damaged print may be left out
    else:
        assert total == len(pairs) * len(spec.corners_mm)


def test_corners_are_near_opencvs(seen):
    _, spec, _, pairs = seen
    differences = []
    for image, found in pairs:
        if spec.kind == "charuco":
            dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, spec.dictionary))
            theirs = cv2.aruco.CharucoBoard(spec.squares, spec.square_mm, spec.marker_mm, dictionary)
            corners, ids, _, _ = cv2.aruco.CharucoDetector(theirs).detectBoard(image)
            places = dict(
                zip(np.asarray(ids).ravel().tolist(), np.asarray(corners).reshape(-1, 2), strict=True)
            )
        else:
            _, corners = cv2.findChessboardCorners(image, spec.corner_grid)
            stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 30, 1e-3)
            corners = np.asarray(cv2.cornerSubPix(image, corners, (5, 5), (-1, -1), stop)).reshape(-1, 2)
            places = dict(
                enumerate(min((corners, corners[::-1]), key=lambda c: np.abs(c - found.corners_px).sum()))
            )
        shared = [k for k, i in enumerate(found.corner_ids.tolist()) if i in places]
        assert len(shared) >= 0.95 * len(places)
        differences.append(np.array([found.corners_px[k] - places[int(found.corner_ids[k])] for k in shared]))
    difference = np.linalg.norm(np.concatenate(differences), axis=1)
    assert np.quantile(difference, 0.95) < 0.3  # px: OpenCV's own scatter under distortion and compression
    assert difference.max() < 0.8
    assert np.abs(np.concatenate(differences).mean(axis=0)).max() < 0.1  # px: no half-pixel slip


def test_calibration_of_these_corners_is_no_worse_than_measured_before(seen):
    name, spec, measured, pairs = seen
    flags = cv2.CALIB_FIX_K3 if spec.kind == "checkerboard" else 0
    points = [spec.corners_mm[found.corner_ids].astype(np.float32) for _, found in pairs]
    places = [found.corners_px.astype(np.float32) for _, found in pairs]
    size = pairs[0][0].shape[::-1]
    rms, *_ = cv2.calibrateCamera(points, places, size, None, None, flags=flags)
    # The data's own record, with OpenCV's corners: half window 7 for the checkerboard, its better one.
    before = {
        "mid": lambda m: m["mid"]["rms_px"],
        "top": lambda m: m["top"]["rms_px"],
        "mono": lambda m: m["rms_px"],
        "left": lambda m: m["subpix_window_7"]["left"]["rms_px"],
        "right": lambda m: m["subpix_window_7"]["right"]["rms_px"],
    }[name](measured)
    assert rms < before  # px: 0.147, 0.141, 0.154, 0.160, 0.159 against 0.164, 0.170, 0.188, 0.183, 0.189


def test_a_pair_numbers_its_checkerboard_alike(outside_data):
    expected = yaml.safe_load(
        (outside_data / "chessboard_stereo" / "expected.yaml").read_text(encoding="utf-8")
    )
    spec = board(expected)
    detector = BoardDetector(spec)
    for number in ("01", "05", "12"):
        first, second = (
            detector.detect(
                cv2.imdecode(
                    np.fromfile(outside_data / "chessboard_stereo" / f"{side}{number}.jpg", dtype=np.uint8),
                    cv2.IMREAD_GRAYSCALE,
                ),
                FrameRef(camera=side, frame_idx=0, origin=number),
            )
            for side in ("left", "right")
        )
        # Side by side, 0.5 degrees apart: each corner moves by much the same.
        moved = second.corners_px - first.corners_px
        assert moved.std(axis=0).max() < 30.0  # px: 18 by perspective; turned by 180 degrees it is 100
