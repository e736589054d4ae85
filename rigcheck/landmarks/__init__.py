"""Points of the face: the mesh's, or marked ones followed through the clip."""

from rigcheck.landmarks.clip import FaceClip, find_faces
from rigcheck.landmarks.cross_check import CrossCheck, check_by_rig, check_by_shape, widened
from rigcheck.landmarks.finder import FaceFinder
from rigcheck.landmarks.marked import MarkedFollower, follow_marked, marked_face
from rigcheck.landmarks.noface import MIRRORED_NOTE, NoFace
from rigcheck.landmarks.sigma import Looks

__all__ = [
    "MIRRORED_NOTE",
    "CrossCheck",
    "FaceClip",
    "FaceFinder",
    "Looks",
    "MarkedFollower",
    "NoFace",
    "check_by_rig",
    "check_by_shape",
    "find_faces",
    "follow_marked",
    "marked_face",
    "widened",
]
