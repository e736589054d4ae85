"""Which of the views at hand tell most about whether the rig changed.

References
----------
Pukelsheim, Optimal Design of Experiments, 2006, ch. 6 (determinant criterion), built up greedily.
"""

from collections.abc import Sequence

from rigcheck.drift.stored import StoredRig
from rigcheck.drift.today import started_at
from rigcheck.geometry.board_views import View, gather
from rigcheck.geometry.bundle import normal_equations, predict
from rigcheck.geometry.telling import most_telling
from rigcheck.model import BoardSpec

__all__ = ["telling_views"]

_TRACE = 1e-3


def telling_views(views: Sequence[View], board: BoardSpec, stored: StoredRig, *, most: int) -> list[int]:
    """Positions of the views to look at closely, ascending.

    Parameters
    ----------
    views : sequence of View
        Usable ones, their corners rough.
    board : BoardSpec
    stored : StoredRig
    most : int

    Notes
    -----
    The rig being known, each view's information about it needs no fit. Soft views carry less by
    their corners' own sigmas.
    """
    if len(views) <= most:
        return list(range(len(views)))
    state, layout = started_at(views, board, stored), stored.layout
    observations = gather(views, board, cameras=range(len(stored.models)), terms=stored.terms)
    prediction = predict(observations, layout, state)
    inverse = 1.0 / observations.sigma_px**2
    reduced = normal_equations(observations, prediction, information=inverse, pull=inverse).reduced_by_view
    return most_telling(reduced, most, trace=_TRACE)
