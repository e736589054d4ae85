"""From fitted patches to matches of the recorded pictures."""

from dataclasses import replace

import numpy as np

from rigcheck.matching.prepared import PreparedPicture
from rigcheck.matching.refine import FittedPatches
from rigcheck.model import PatchMatches
from rigcheck.model._arrays import BoolArray, IntArray

__all__ = ["as_recorded", "kept_matches"]


def as_recorded(matches: PatchMatches, first: PreparedPicture, second: PreparedPicture) -> PatchMatches:
    """Matches between two prepared pictures as matches between the recorded ones, from whole pixels."""
    points1 = first.recorded(matches.points1_px)
    whole = np.floor(points1)
    points2 = second.recorded(matches.points2_px)
    return replace(
        matches,
        points1_px=whole,
        points2_px=points2 + np.einsum("nij,nj->ni", matches.slope, whole - points1),
        covariance_px2=second.step_px**2 * matches.covariance_px2,
    )


def kept_matches(places: IntArray, fit: FittedPatches, faults: dict[str, BoolArray]) -> PatchMatches:
    """Matches without faults, and how many were left out for each."""
    bad = np.zeros(len(places), dtype=bool)
    left_out = {}
    for name, fault in faults.items():
        left_out[name] = int((fault & ~bad).sum())
        bad |= fault
    good = ~bad
    return PatchMatches(
        points1_px=places[good].astype(np.float64),
        points2_px=fit.points_px[good],
        covariance_px2=fit.covariance_px2[good],
        slope=fit.slope[good],
        score=fit.score[good],
        contrast_dn=fit.contrast_dn[good],
        noise_dn=fit.noise_dn[good],
        left_out=left_out,
    )
