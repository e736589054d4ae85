"""Whether what lies on both sides of a dark line across the mouth is teeth: the lines between neighbouring teeth."""

import numpy as np

from rigcheck.face.picks_strip import MouthStrip
from rigcheck.model._arrays import FloatArray, IntArray

__all__ = ["contact_depth", "same_teeth"]

# Lengths in outer-eye distances. A row is looked at from the dark line's edge on, over 2 mm in two halves.
_HALF = 0.012
# Half of a lower central incisor, the narrowest tooth: contacts lie at least twice as far apart.
_BESIDE = 0.03
_CONTACTS = 3  # four incisors meet in three places
_LEAST = 0.1  # of a tooth's own brightness; lips' texture reaches that in rendered faces
_LIKE = 0.5  # of the contacts in the other row


def same_teeth(strip: MouthStrip, above: FloatArray, below: FloatArray) -> bool:
    """Whether teeth lie above and below a dark line: each side shows the lines between its incisors, alike in depth.

    Parameters
    ----------
    strip : MouthStrip
        Of at least 96 columns: half a millimetre of the mouth each.
    above, below : (C,) float64
        Height of the dark line's upper and lower edge in each column, NaN where it was not seen.

    Notes
    -----
    Brightness does not tell a lit lip from teeth, and the points of the face do not tell where the opening ends when
    teeth stand apart: the mesh then takes the dark line for the lips' seam. A lip has no dark lines across it that
    are as deep as those in the row of teeth on the other side. Teeth whose contacts do not show are not told from lips.
    """
    upper, lower = contact_depth(strip, above, -1), contact_depth(strip, below, 1)
    return min(upper, lower) >= max(_LIKE * max(upper, lower), _LEAST)


def contact_depth(strip: MouthStrip, edge: FloatArray, side: int) -> float:
    """How deep the third-deepest line across a row is, as a share of the brightness beside it; 0 where none is.

    Parameters
    ----------
    strip : MouthStrip
    edge : (C,) float64
        Height from which the row reaches, NaN where it is not known.
    side : {-1, 1}
        Whether the row reaches up or down from there.
    """
    known = np.flatnonzero(np.isfinite(edge))
    if len(known) == 0:
        return 0.0
    columns = np.arange(known[0], known[-1] + 1)
    start = np.interp(columns, known, edge[known])
    halves = [
        _profile(strip, columns, start + side * first, start + side * (first + _HALF))
        for first in (0.0, _HALF)
    ]
    ends = strip.places_px[0, [0, -1]]
    spacing = float(np.linalg.norm(ends[1] - ends[0])) / strip.unit_px / (len(strip.along) - 1)
    reach = max(round(_BESIDE / spacing), 1)
    # A line between teeth runs through both halves.
    dips = np.min([_dips(half, reach) for half in halves], axis=0)
    peaks = [
        float(dips[k])
        for k in range(1, len(dips) - 1)
        if dips[k] > 0.0 and dips[k] == dips[max(k - reach, 0) : k + reach + 1].max()
    ]
    return sorted(peaks, reverse=True)[_CONTACTS - 1] if len(peaks) >= _CONTACTS else 0.0


def _profile(strip: MouthStrip, columns: IntArray, first: FloatArray, last: FloatArray) -> FloatArray:
    """Mean brightness of each column between two heights."""
    shares = np.linspace(0.0, 1.0, 5)
    return np.array(
        [
            np.interp(first[k] + shares * (last[k] - first[k]), strip.height, strip.levels[:, column]).mean()
            for k, column in enumerate(columns)
        ]
    )


def _dips(profile: FloatArray, reach: int) -> FloatArray:
    """How far each place lies under the brightest on either side of it, the darker side's, as a share of that."""
    beside = np.array(
        [
            min(profile[max(k - reach, 0) : k + 1].max(), profile[k : k + reach + 1].max())
            for k in range(len(profile))
        ]
    )
    return np.asarray(1.0 - profile / np.maximum(beside, 1e-9))
