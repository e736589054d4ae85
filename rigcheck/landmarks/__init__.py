"""Points of the face: the mesh's, or marked ones followed through the clip."""

from rigcheck.landmarks.finder import FaceFinder
from rigcheck.landmarks.noface import MIRRORED_NOTE, NoFace
from rigcheck.landmarks.sigma import Looks

__all__ = ["MIRRORED_NOTE", "FaceFinder", "Looks", "NoFace"]
