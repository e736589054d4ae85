"""What `calibrate` is measured against: bare decoding, and the plain recipe with OpenCV.

Run by ``bench_calibrate.py``, each as a process of its own: ``bench_recipes.py decode FILE FILE`` or
``bench_recipes.py recipe STEP BOARD FILE FILE``. The recipe detects the board in every STEP-th frame of both clips
(each clip in a thread), calibrates each camera, then the pair with intrinsics held, from at most 200 views spread over
those found: `stereoCalibrate` grows with the cube of the views. Its last line is the baseline in mm.
"""

import sys
from concurrent.futures import ThreadPoolExecutor

import av
import numpy as np

from rigcheck.opencv import cv2
from rigcheck.records import read_board

MOST_PAIRS, LEAST_CORNERS = 200, 20


def frames(path):
    """Decode all frames of a file, with as many threads as FFmpeg likes."""
    with av.open(path) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        yield from container.decode(stream)


def decode(paths):
    with ThreadPoolExecutor(max_workers=2) as pool:
        return list(pool.map(lambda path: sum(1 for _ in frames(path)), paths))


def charuco(spec):
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, spec.dictionary))
    return cv2.aruco.CharucoBoard(spec.squares, spec.square_mm, spec.marker_mm, dictionary)


def detections(path, spec, step):
    """Corners and ids by frame, and the picture's size."""
    detector = cv2.aruco.CharucoDetector(charuco(spec))
    found, size = {}, None
    for index, frame in enumerate(frames(path)):
        if index % step:
            continue
        image = frame.to_ndarray(format="gray")
        size = image.shape[::-1]
        corners, ids, _, _ = detector.detectBoard(image)
        if ids is not None and len(ids) >= LEAST_CORNERS:
            found[index] = (np.asarray(corners).reshape(-1, 2), np.asarray(ids).ravel())
    return found, size


def spread(values, most):
    values = sorted(values)
    if len(values) <= most:
        return values
    return [values[k] for k in np.linspace(0, len(values) - 1, most).round().astype(int)]


def intrinsics(found, size, points):
    chosen = spread(found, MOST_PAIRS)
    board = [points[found[k][1]].astype(np.float32) for k in chosen]
    image = [found[k][0].astype(np.float32) for k in chosen]
    return cv2.calibrateCamera(board, image, size, None, None)[1:3]


def recipe(step, board, paths):
    """Return the baseline of the plain recipe, mm."""
    spec = read_board(board)
    points = np.asarray(spec.corners_mm)
    with ThreadPoolExecutor(max_workers=2) as pool:
        (found1, size), (found2, _) = pool.map(lambda path: detections(path, spec, step), paths)
    (k1, d1), (k2, d2) = intrinsics(found1, size, points), intrinsics(found2, size, points)
    board_points, image1, image2 = [], [], []
    for index in spread(set(found1) & set(found2), MOST_PAIRS):
        both, one, other = np.intersect1d(found1[index][1], found2[index][1], return_indices=True)
        if len(both) >= LEAST_CORNERS:
            board_points.append(points[both].astype(np.float32))
            image1.append(found1[index][0][one].astype(np.float32))
            image2.append(found2[index][0][other].astype(np.float32))
    result = cv2.stereoCalibrate(
        board_points, image1, image2, k1, d1, k2, d2, size, flags=cv2.CALIB_FIX_INTRINSIC
    )
    return float(np.linalg.norm(result[6]))


def main():
    kind = sys.argv[1]
    if kind == "decode":
        sys.stdout.write(f"{sum(decode(sys.argv[2:]))} frames\n")
    else:
        sys.stdout.write(f"{recipe(int(sys.argv[2]), sys.argv[3], sys.argv[4:]):.5f}\n")


if __name__ == "__main__":
    main()
