"""Footage: video files, folders of pictures and stills as clips of pictures, and two cameras paired."""

from rigcheck.footage.clip import Clip, Half
from rigcheck.footage.hashing import sha256_of
from rigcheck.footage.opening import open_cameras, open_footage
from rigcheck.footage.pairing import Pairing, pair_clips
from rigcheck.footage.request import FootagePart, FootageRequest, Layout, parse_footage

__all__ = [
    "Clip",
    "FootagePart",
    "FootageRequest",
    "Half",
    "Layout",
    "Pairing",
    "open_cameras",
    "open_footage",
    "pair_clips",
    "parse_footage",
    "sha256_of",
]
