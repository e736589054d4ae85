"""Lamps on the rig: the light that falls on the board, and its glare."""

from dataclasses import dataclass

import numpy as np

from rigcheck.demo.board import PAPER_SHARE
from rigcheck.model import RigidTransform
from rigcheck.model._arrays import FloatArray

__all__ = ["Lamps", "falling_light"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Lamps:
    """Small lamps that move with the camera, and how bright they make white paper.

    Parameters
    ----------
    at_mm : (L, 3) float64, mm, camera frame
    paper_dn : float
        Code value over black of white paper that faces the camera at `paper_at_mm`, on the axis.
    paper_at_mm : float
    glare_dn : float
        Code value that the mirror reflection of a lamp adds at its centre; 0 for a matt board.
    glare_power : float
        Sharpness of the glare: exponent of the cosine between the surface's normal and the
        half-way direction (Blinn, SIGGRAPH 1977).
    """

    at_mm: FloatArray
    paper_dn: float = 150.0
    paper_at_mm: float = 195.0
    glare_dn: float = 0.0
    glare_power: float = 80.0


def falling_light(
    rays: FloatArray,
    met_mm: FloatArray,
    camera_from_board: RigidTransform,
    lamps: Lamps | None,
    even_paper_dn: float,
) -> tuple[FloatArray, FloatArray]:
    """Light at surface points: matt part for reflectance 1, and glare, (R, C) each, code values.

    Parameters
    ----------
    rays : (R, C, 3) float64, camera frame
    met_mm : (R, C, 3) float64, mm, board frame
    camera_from_board : RigidTransform
    lamps : Lamps or None
        None lights evenly, white paper at `even_paper_dn`.

    Notes
    -----
    Lambert's cosine and the inverse square of the distance; the board's own bow is too small to change its
    normal visibly.
    """
    shape = met_mm.shape[:2]
    if lamps is None:
        return np.full(shape, even_paper_dn / PAPER_SHARE), np.zeros(shape)
    normal = -camera_from_board.rotation[:, 2]  # towards the viewer
    point = camera_from_board.apply(met_mm)
    to_eye = -_unit(rays)
    diffuse, glare = np.zeros(shape), np.zeros(shape)
    for lamp in lamps.at_mm:
        away = lamp - point
        to_lamp = _unit(away)
        diffuse += np.clip(to_lamp @ normal, 0, None) / (away**2).sum(axis=-1)
        glare += np.clip(_unit(to_lamp + to_eye) @ normal, 0, 1) ** lamps.glare_power
    scale = lamps.paper_dn / PAPER_SHARE / _light_on_axis(lamps)
    return diffuse * scale, glare * lamps.glare_dn


def _light_on_axis(lamps: Lamps) -> float:
    away = lamps.at_mm - [0.0, 0.0, lamps.paper_at_mm]
    distance = np.linalg.norm(away, axis=-1)
    return float((-away[:, 2] / distance**3).sum())


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))
