"""A board held up in a take: what `verify` makes of it."""

from rigcheck.errors import RigcheckError
from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.model.take import BoardInTake

_HARM = "VER01"

__all__ = ["board_in_take"]


def board_in_take(order: TakeOrder, seen: int) -> BoardInTake:
    """Verify the rig from the board that a take shows.

    Parameters
    ----------
    order : TakeOrder
    seen : int
        Pictures looked at that show it.
    """
    calibration, footage = order.calibration, order.take.footage
    if calibration is None:
        return BoardInTake(seen=seen, reason="no calibration was given")
    # A whole command with its report: loaded only where a take shows a board.
    from rigcheck.jobs.verify import verify

    try:
        found = verify(
            footage[0],
            footage[1] if len(footage) > 1 else None,
            calibration=calibration,
            board=calibration.board,
            rig=order.rig,
        )
    except RigcheckError as error:
        return BoardInTake(seen=seen, reason=error.message)
    check = next(one for one in found.report.checks if one.code == _HARM)
    if check.status == "skipped":
        return BoardInTake(seen=seen, reason=check.estimate.reason or check.message)
    return BoardInTake(seen=seen, status=check.status, message=check.message)
