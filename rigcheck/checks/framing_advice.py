"""Advice in what a hand does: millimetres and degrees with a calibration, per cent of the frame without."""

from rigcheck.face.fitting_run import FittingRun
from rigcheck.model import Estimate

__all__ = ["move_advice", "toward_word"]

# Below these a hand can do nothing better.
_LEAST_MM, _LEAST_DEG = 0.5, 0.3
# Raising the bar by this much of the distance turns the look at the face by as many degrees.
_DEG_PER_RAD = 57.3
_GOOD_LOOK_DEG = 12.0


def toward_word(amount: float) -> str:
    """Side of the performer for something positive to the right, or clockwise, in the upright picture."""
    return "toward the performer's left" if amount > 0 else "toward the performer's right"


def _number(run: FittingRun, name: str) -> float | None:
    found: Estimate | None = run.measurements.get(name)
    return None if found is None else found.value


def move_advice(run: FittingRun, camera: str, axis: str) -> str:
    """Say how to bring the nostril base to the middle.

    Parameters
    ----------
    run : FittingRun
    camera : str
        The camera that is furthest off.
    axis : "x" or "y"

    Returns
    -------
    str
        With a calibration: the slide or the turn of the bar that serves all cameras best, whichever leaves the
        better look at lips and lids, and what is then left to each camera. Without: per cent of the frame.
    """
    slide, turn = _number(run, f"framing.rig.slide_{axis}_mm"), _number(run, f"framing.rig.turn_{axis}_deg")
    if slide is None or turn is None:
        return _by_frame(run, camera, axis)
    moves = _bar_moves(run, axis, slide, turn)
    rest = [
        f"{name.name} by {abs(aim):.1f}° {_way(axis, aim)}"
        for name in run.cameras
        if (aim := _number(run, f"framing.{name.name}.aim_{axis}_deg")) is not None and abs(aim) >= _LEAST_DEG
    ]
    if not rest:
        return moves
    own = f"turn {', and '.join(rest)}"
    return f"{moves} Then {own}; a camera turned against the other needs a new calibration."


def _bar_moves(run: FittingRun, axis: str, slide_mm: float, turn_deg: float) -> str:
    if abs(slide_mm) < _LEAST_MM and abs(turn_deg) < _LEAST_DEG:
        return "The bar stands right for the cameras together."
    slide = f"move the bar {abs(slide_mm):.0f} mm {_way(axis, slide_mm)}"
    turn = f"turn it {abs(turn_deg):.1f}° {_way(axis, turn_deg)} where it is"
    if axis == "x":
        return f"{slide[0].upper()}{slide[1:]}, or {turn}."
    look = [run.number(each.name, "look_up_deg").value for each in run.cameras]
    known = [value for value in look if value is not None]
    distance = [each.fit.translation_mm[2] for each in run.cameras if each.fit is not None]
    if not known or not distance:
        return f"{slide[0].upper()}{slide[1:]}, or {turn}."
    now = sum(known) / len(known)
    after = now + _DEG_PER_RAD * slide_mm / float(sum(distance) / len(distance))
    tells = f"the cameras then look up by {after:.0f}° on average instead of {now:.0f}°"
    if abs(after - _GOOD_LOOK_DEG) <= abs(now - _GOOD_LOOK_DEG):
        return f"{slide[0].upper()}{slide[1:]} ({tells}); {turn} instead if the boom does not allow it."
    turn = turn.replace("turn it", "Turn the bar")
    return f"{turn} (to move it {abs(slide_mm):.0f} mm {_way(axis, slide_mm)} would do as well, but {tells})."


def _by_frame(run: FittingRun, camera: str, axis: str) -> str:
    offset = run.number(camera, f"nostril_offset_{axis}_px").value
    if offset is None:
        return "Centre the nostril base."
    size = next(each.size_px[0 if axis == "x" else 1] for each in run.cameras if each.name == camera)
    frame = "width" if axis == "x" else "height"
    amount = f"{100 * abs(offset) / size:.0f} % of the frame's {frame}"
    return (
        f"Move or turn {camera} {_way(axis, offset)} until the nostril base has come {amount} nearer to the middle "
        "(with a calibration this would be millimetres and degrees)."
    )


def _way(axis: str, amount: float) -> str:
    if axis == "x":
        return toward_word(amount)
    return "down" if amount > 0 else "up"
