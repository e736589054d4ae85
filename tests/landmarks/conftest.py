"""Two portraits carried by general libraries, points marked on them by eye, and one finder for all tests."""

from importlib.resources import files

import numpy as np
import pytest

from rigcheck.landmarks import FaceFinder
from rigcheck.model import Frame, FrameRef
from rigcheck.opencv import cv2

# Marked by us on enlargements (5 and 9 times) of the two portraits, px; we trust them to 1 to 2 px.
MARKED = {
    "astronaut": {
        "iris_right": (202.5, 100.5),
        "iris_left": (246, 103),
        "eye_outer_right": (193, 101),
        "eye_inner_right": (212.5, 103),
        "eye_inner_left": (236.5, 104),
        "eye_outer_left": (258, 103.5),
        "subnasale": (224, 134),
        "alar_base_right": (213.5, 131),
        "alar_base_left": (236.5, 131.5),
        "mouth_corner_right": (202.5, 139),
        "mouth_corner_left": (245, 139.5),
        "upper_lip_inner": (222, 143),
        "lower_lip_inner": (222, 149.5),
        "chin": (223, 177),
    },
    "officer": {
        "iris_right": (222, 190),
        "iris_left": (305.5, 187),
        "eye_outer_left": (322, 190),
        "subnasale": (268, 254),
        "alar_base_right": (243, 247),
        "alar_base_left": (292.5, 246),
        "mouth_corner_right": (228, 281),
        "mouth_corner_left": (310, 280),
        "upper_lip_inner": (265, 278.5),
        "lower_lip_inner": (265, 279.5),
        "chin": (266.5, 333),
    },
}
_PLACES = {
    "astronaut": ("skimage", "data/astronaut.png"),  # NASA, public domain; read from scikit-image
    "officer": (
        "matplotlib",
        "mpl-data/sample_data/grace_hopper.jpg",
    ),  # US Navy, public domain to our knowledge
}


def _read(package, name):
    data = np.frombuffer(files(package).joinpath(name).read_bytes(), dtype=np.uint8)
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])


@pytest.fixture(scope="session")
def portraits():
    return {name: _read(*place) for name, place in _PLACES.items()}


@pytest.fixture(scope="session")
def marks():
    return MARKED


@pytest.fixture(scope="session")
def finder() -> FaceFinder:
    return FaceFinder()


@pytest.fixture(scope="session")
def framed():
    """Make a Frame of an image."""

    def make(image, idx=0, bit_depth=8) -> Frame:
        ref = FrameRef(camera="upper", frame_idx=idx, origin="clip.mov")
        return Frame(ref=ref, image=np.ascontiguousarray(image), bit_depth=bit_depth)

    return make
