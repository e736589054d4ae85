"""Where a clip shows the mouth open widest: the pictures between two looks with the lips closed, the chin followed."""

from collections.abc import Sequence
from itertools import pairwise

from rigcheck.face.framing import resting, trusted
from rigcheck.face.framing_chin import FollowedChin, Opening, followed_chin
from rigcheck.face.framing_cover import work_picture
from rigcheck.face.framing_points import UprightFace
from rigcheck.footage import Clip
from rigcheck.geometry.spread import evenly
from rigcheck.geometry.upright import upright_picture
from rigcheck.landmarks import NoFace

__all__ = ["widest_opening"]

# Opening between the inner lips, in outer-eye distances, from which on the chin is followed. The mesh sees less of an
# opening than there is, and a picture in which it is lost counts as wide.
_WIDE, _LOST = 0.25, 0.5
_LOST_CODES = ("covered", "unsure", "none", "jump")
# Pictures of one opening that are looked at, evenly spread, and openings tried.
_MOST_PICTURES, _MOST_TRIED = 72, 2
_FEWEST_RESTING = 2


def widest_opening(
    clip: Clip, faces: Sequence[UprightFace], rejected: Sequence[NoFace], turn_deg: int
) -> Opening | None:
    """Find the widest opening of the mouth and follow the chin through it.

    Parameters
    ----------
    clip : Clip
        One camera's.
    faces : sequence of UprightFace
        Found in the moments looked at.
    rejected : sequence of NoFace
        The moments without one.
    turn_deg : int
        Clockwise turn that makes the pictures upright.

    Returns
    -------
    Opening or None
        Of the two widest by the mesh the one in which the chin drops furthest; without a chin where neither could be
        followed. None where the mouth stays nearly closed between pictures with the lips closed.
    """
    tried = [
        Opening(
            before=before.ref,
            after=after.ref,
            chin=_followed(clip, before, after, turn_deg),
        )
        for before, after in _openings(faces, rejected)[:_MOST_TRIED]
    ]
    return max(tried, key=lambda each: -1.0 if each.chin is None else each.chin.drop_px, default=None)


def _openings(
    faces: Sequence[UprightFace], rejected: Sequence[NoFace]
) -> list[tuple[UprightFace, UprightFace]]:
    """Neighbouring looks with the lips closed between which the mouth opens or is lost; the widest first."""
    whole = [face for face in faces if face.from_mesh and face.is_whole_mesh]
    closed = [] if len(whole) < _FEWEST_RESTING else resting(trusted(whole))
    wide = {face.ref.frame_idx: face.mouth_gap for face in whole}
    wide |= {one.ref.frame_idx: _LOST for one in rejected if one.code in _LOST_CODES}
    found = []
    for before, after in pairwise(closed):
        between = [gap for at, gap in wide.items() if before.ref.frame_idx < at < after.ref.frame_idx]
        most = max(between, default=0.0)
        if most >= _WIDE:
            found.append((most, before, after))
    return [(before, after) for _, before, after in sorted(found, key=lambda each: -each[0])]


def _followed(clip: Clip, before: UprightFace, after: UprightFace, turn_deg: int) -> FollowedChin | None:
    """Follow the chin through the pictures from one look to another; the first and the last are among them."""
    first, last = before.ref.frame_idx, after.ref.frame_idx
    indices = clip.indices[(clip.indices >= first) & (clip.indices <= last)]
    pictures, refs = [], []
    for frame in clip.frames_at(evenly(indices.tolist(), _MOST_PICTURES)):
        pictures.append(work_picture(upright_picture(frame.grey8(), turn_deg)))
        refs.append(frame.ref)
    return followed_chin(pictures, refs, before=before, after=after)
