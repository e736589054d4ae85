"""Two portraits: against points marked by eye, turned, dimmed, cut, doubled, hidden."""

import numpy as np
import pytest

from rigcheck.face.head_model import MESH_NOSTRIL_SHIFT
from rigcheck.landmarks import Looks, NoFace
from rigcheck.landmarks.detector import FaceDetector
from rigcheck.landmarks.finder import FaceFinder
from rigcheck.landmarks.mesh import FaceMesh, region_of_points
from rigcheck.landmarks.sampling import PictureLevels
from rigcheck.model import FACE_POINTS, FaceLandmarks
from rigcheck.opencv import cv2

NAMES = ("astronaut", "officer")


def eye_distance(face):
    return float(np.linalg.norm(face.point("eye_outer_left") - face.point("eye_outer_right")))


@pytest.mark.parametrize("name", NAMES)
def test_points_marked_by_eye(name, portraits, marks, finder, framed):
    face = finder.find(framed(portraits[name]))
    errors = {
        point: np.linalg.norm(face.point(point) - where) / eye_distance(face)
        for point, where in marks[name].items()
    }
    assert np.median(list(errors.values())) < 0.035  # about 2 % measured, our marks themselves 1 to 2 %
    assert max(errors.values()) < 0.09  # a smile's alar base and an old mouth's corner, 7 % each
    assert max(errors["iris_right"], errors["iris_left"]) < 0.02  # 1.0 % measured


@pytest.mark.parametrize("name", NAMES)
def test_nostril_base(name, portraits, marks, finder, framed):
    face = finder.find(framed(portraits[name]))
    middle = (face.point("alar_base_left") + face.point("alar_base_right")) / 2
    true = (np.array(marks[name]["alar_base_left"]) + marks[name]["alar_base_right"]) / 2
    error = (middle - true) / eye_distance(face) - [0.0, MESH_NOSTRIL_SHIFT]
    assert np.linalg.norm(error) < 0.055  # 5.0 % on the smile, 0.8 % on the other; our marks 2 %


@pytest.mark.parametrize("name", NAMES)
def test_attention_is_sampled_without_half_a_pixel_of_bias(name, portraits):
    """A mirrored look agrees at the irises: 0.1 % of the eye distance measured, 5.7 % with half a cell's error."""
    picture, mesh = PictureLevels(portraits[name]), FaceMesh()
    seen = mesh.look(picture, FaceDetector().detect(picture)[0].region)
    seen = mesh.look(picture, region_of_points(seen.points_px))
    region = region_of_points(seen.points_px)
    plain, mirrored = mesh.look(picture, region), mesh.look(picture, region, mirrored=True)
    irises = [FACE_POINTS["iris_right"], FACE_POINTS["iris_left"]]
    apart = np.mean(mirrored.points_px[irises, 0] - plain.points_px[irises, 0])
    assert abs(apart) < 0.01 * np.linalg.norm(plain.points_px[33] - plain.points_px[263])


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_mounted_turned(turn, portraits, finder, framed):
    """The mounting is undone exactly: points of the turned picture are the turned points."""
    image = portraits["astronaut"]
    upright = finder.find(framed(image))
    recorded = np.rot90(image, k=turn // 90)  # lies counter-clockwise
    face = finder.find(framed(recorded), mount_rotation_deg=turn)
    right = image.shape[1] - 1.0
    x, y = upright.points_px.T
    expected = {90: (y, right - x), 180: (right - x, right - y), 270: (right - y, x)}[turn]
    np.testing.assert_allclose(face.points_px, np.stack(expected, axis=1), atol=1e-6)  # rounding only
    assert face.turned_deg == 0


@pytest.mark.parametrize("turn", [90, 180, 270])
@pytest.mark.parametrize("name", NAMES)
def test_turned_without_a_word_is_said(name, turn, portraits, finder, framed):
    outcome = finder.find(framed(np.rot90(portraits[name], k=turn // 90)))
    assert isinstance(outcome, NoFace)
    assert (outcome.code, outcome.turned_deg) == ("turned", turn)
    assert f"mount_rotation_deg: {turn}" in outcome.hint


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda i: (i * 0.02).astype(np.uint8), id="dark"),
        pytest.param(lambda i: np.clip(i.astype(float) * 2, 0, 255).astype(np.uint8), id="blown"),
        pytest.param(lambda i: i.mean(axis=2).astype(np.uint8), id="grey"),
        pytest.param(lambda i: cv2.GaussianBlur(i, (0, 0), 3), id="blurred"),
    ],
)
@pytest.mark.parametrize("name", NAMES)
def test_light_and_blur(name, change, portraits, finder, framed):
    face, other = (finder.find(framed(image)) for image in (portraits[name], change(portraits[name])))
    assert isinstance(other, FaceLandmarks)
    assert np.median(np.linalg.norm(face.points_px - other.points_px, axis=1)) < 0.04 * eye_distance(face)


def test_ten_bits_are_eight(portraits, finder, framed):
    image = portraits["astronaut"]
    deep = finder.find(framed(image.astype(np.uint16) * 4, bit_depth=10))
    np.testing.assert_array_equal(deep.points_px, finder.find(framed(image)).points_px)


def test_mirrored_cannot_be_told(portraits, finder, framed):
    face = finder.find(framed(portraits["officer"][:, ::-1]))
    assert isinstance(face, FaceLandmarks)
    # Sides are exchanged with the picture: the performer's right stays on the picture's left.
    assert face.point("eye_outer_right")[0] < face.point("eye_outer_left")[0]


def test_looks_widen(portraits, finder, framed):
    plain = finder.find(framed(portraits["officer"]))
    wide = FaceFinder(Looks(glasses=True, facial_hair=True, near_infrared=True)).find(
        framed(portraits["officer"])
    )
    for point in ("eye_outer_left", "iris_left", "chin", "mouth_corner_left", "alar_base_left"):
        assert wide.sigma(point) > 1.1 * plain.sigma(point)


@pytest.mark.parametrize(
    ("image", "code"),
    [
        pytest.param(np.zeros((480, 360), np.uint8), "black", id="black"),
        pytest.param(np.full((480, 360), 128, np.uint8), "empty", id="empty"),
        pytest.param(
            np.kron(np.indices((12, 9)).sum(axis=0) % 2, np.ones((40, 40))).astype(np.uint8) * 200,
            "board",
            id="board",
        ),
        pytest.param(
            np.random.default_rng([3, 1]).integers(0, 255, (480, 360)).astype(np.uint8), "none", id="noise"
        ),
    ],
)
def test_no_face(image, code, finder, framed):
    outcome = finder.find(framed(image))
    assert isinstance(outcome, NoFace)
    assert outcome.code == code
    assert outcome.sentence.startswith("clip.mov frame 0: ")
    assert outcome.hint


def test_two_faces(portraits, finder, framed):
    cut = portraits["astronaut"][40:220, 140:320]
    outcome = finder.find(framed(np.hstack([cut, cut])))
    assert isinstance(outcome, NoFace)
    assert outcome.code == "two_faces"


def test_half_out_of_frame(portraits, finder, framed):
    """Cut through the nose there is no face, or one that says it is cut; never one with a nose made up."""
    image = portraits["astronaut"]
    for left in range(150, 300, 15):
        outcome = finder.find(framed(image[:, left:]))
        if left > 226:  # the tip of the nose
            assert isinstance(outcome, NoFace)
            assert outcome.code in ("cut_off", "none", "unsure", "covered")


def test_chin_cut_off_widens_what_is_not_seen(portraits, finder, framed):
    image = portraits["officer"]
    whole, cut = finder.find(framed(image)), finder.find(framed(image[:310]))
    assert isinstance(cut, FaceLandmarks)
    assert cut.sigma("chin") > 2.0 * whole.sigma("chin")
    assert cut.sigma("iris_left") < 2.0 * whole.sigma("iris_left")


@pytest.mark.parametrize("name", NAMES)
def test_mask_over_nose_and_mouth(name, portraits, finder, framed):
    image = portraits[name].copy()
    face = finder.find(framed(image))
    distance = eye_distance(face)
    x, y = (face.point("mouth_corner_right") + face.point("mouth_corner_left")) / 2
    top, bottom = int(y - 0.62 * distance), int(y + 0.4 * distance)
    image[top:bottom, int(x - 0.55 * distance) : int(x + 0.55 * distance)] = 225
    outcome = finder.find(framed(image))
    assert isinstance(outcome, NoFace) or "mouth_unclear" in [finding.code for finding in outcome.findings]


@pytest.mark.parametrize(
    "name", ["rocket.jpg", "coffee.png", "camera.png", "text.png", "clock_motion.png", "coins.png"]
)
def test_no_face_in_other_pictures(name, finder, framed):
    from pathlib import Path

    import skimage

    path = Path(skimage.__path__[0]) / "data" / name
    if not path.is_file():
        pytest.skip(f"scikit-image does not carry {name} itself")
    image = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert isinstance(finder.find(framed(image)), NoFace)


def test_dots_are_seen_and_painted_over(portraits, finder, framed):
    """Forty dots of about 2.5 mm on the skin shift the points less when they are painted over."""
    image = cv2.resize(portraits["astronaut"], None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC)
    clean = finder.find(framed(image))
    assert "dots" not in [finding.code for finding in clean.findings]
    dotted = image.copy()
    radius = round(0.0135 * eye_distance(clean))
    rng = np.random.default_rng([3, 2])
    for idx in rng.choice(
        [
            50,
            101,
            36,
            205,
            187,
            123,
            117,
            118,
            119,
            100,
            142,
            280,
            330,
            266,
            425,
            411,
            352,
            346,
            347,
            348,
            329,
            371,
            151,
            108,
            337,
            69,
            299,
            9,
            199,
            200,
            175,
            32,
            262,
            211,
            431,
            208,
            428,
            170,
            395,
            6,
        ],
        40,
        replace=False,
    ):
        cv2.circle(
            dotted,
            tuple(int(v) for v in np.rint(clean.points_px[idx])),
            radius,
            (12, 12, 12),
            -1,
            cv2.LINE_AA,
        )
    found = finder.find(framed(dotted))
    assert "dots" in [finding.code for finding in found.findings]
    assert found.sigma("chin") > 1.2 * clean.sigma("chin")
    shift = np.linalg.norm(found.points_px - clean.points_px, axis=1).mean() / eye_distance(clean)
    picture, mesh = PictureLevels(dotted), FaceMesh()
    region = region_of_points(clean.points_px)
    unpainted = (
        mesh.look(picture, region).points_px + mesh.look(picture, region, mirrored=True).points_px
    ) / 2
    assert shift < np.linalg.norm(unpainted - clean.points_px, axis=1).mean() / eye_distance(clean)
