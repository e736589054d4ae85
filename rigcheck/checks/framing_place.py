"""Where the face sits in the frame: nostril base, margins, share of the frame, roll."""

from rigcheck.checks.cameras import judge_each, outcome_of
from rigcheck.checks.core import Check, Outcome
from rigcheck.checks.framing_advice import move_advice, toward_word
from rigcheck.checks.framing_judged import percent, scaled, size_of, worse_of
from rigcheck.checks.limits import Limits
from rigcheck.face.fitting_run import FittingRun
from rigcheck.face.framing import CameraFraming
from rigcheck.model import Estimate, FrameRef

__all__ = ["CHECKS"]

_MARK = "Mark the points by hand on one picture and give the file with --points."
# Nostril base below the middle by this share of the height: centring it makes room.
_LOW = 0.03
_FILM_OPEN = (
    "film the performer opening the mouth as wide as is comfortable, once, in the clip: never force it, and stop "
    "when the jaw hurts or locks"
)

_FILM_SLOWLY = (
    f"{_FILM_OPEN}; slowly, in a second or more, from closed lips to closed lips, nothing before the chin"
)


def _width(run: FittingRun, camera: str) -> float:
    return float(next(each.size_px[0] for each in run.cameras if each.name == camera))


def _height(run: FittingRun, camera: str) -> float:
    return float(next(each.size_px[1] for each in run.cameras if each.name == camera))


def _found(run: FittingRun, limits: Limits) -> Outcome:
    judged = judge_each(
        run, limits, "framing.seen_share", lambda name: run.number(name, "seen_share"), words=percent
    )
    turned = judge_each(
        run, limits, "framing.turned_deg", lambda name: size_of(run.number(name, "turned_deg"))
    )
    if turned.status == "fail":
        action = (
            f"Write the mount_rotation_deg named in the notes for {turned.camera} in the rig file, or turn the "
            "camera in its mount; then run fitting again."
        )
        message = f"The face only fits when the pictures are turned further: {turned.numbers}."
        return outcome_of(turned, message, action, remedy=_MARK)
    message = f"A face was found in {judged.numbers} of the pictures looked at."
    action = (
        "See below what was left out. Take away what comes before the face, have others step out of the picture, or "
        "give in and out points around the part that shows the performer."
    )
    return outcome_of(judged, message, action, remedy=_MARK)


def _across(run: FittingRun, limits: Limits) -> Outcome:
    def share(name: str) -> Estimate:
        offset = scaled(run.number(name, "nostril_offset_x_px"), 1.0 / _width(run, name), unit="of width")
        return size_of(offset)

    judged = judge_each(run, limits, "framing.nostril_across", share, words=percent)
    offset = run.number(judged.camera, "nostril_offset_x_px").value or 0.0
    message = (
        f"The nostril base lies off the middle of the frame's width by {judged.numbers}; in {judged.camera} it lies "
        f"{toward_word(offset)}."
    )
    return outcome_of(judged, message, move_advice(run, judged.camera, "x"), remedy=_MARK)


def _up_down(run: FittingRun, limits: Limits) -> Outcome:
    def share(name: str) -> Estimate:
        offset = scaled(run.number(name, "nostril_offset_y_px"), 1.0 / _height(run, name), unit="of height")
        return size_of(offset)

    judged = judge_each(run, limits, "framing.nostril_height", share, words=percent)
    offset = run.number(judged.camera, "nostril_offset_y_px").value or 0.0
    message = (
        f"The nostril base lies off the middle of the frame's height by {judged.numbers}; in {judged.camera} it is "
        f"{'below' if offset > 0 else 'above'} the middle."
    )
    return outcome_of(judged, message, move_advice(run, judged.camera, "y"), remedy=_MARK)


def _chin(run: FittingRun, limits: Limits) -> Outcome:
    def share(name: str) -> Estimate:
        return scaled(run.number(name, "chin_margin_px"), 1.0 / _height(run, name), unit="of height")

    judged = judge_each(run, limits, "framing.chin_margin", share, words=percent)
    message = f"Below the chin, mouth closed, are left: {judged.numbers} of the frame's height."
    return outcome_of(judged, message, _make_room(run, judged.camera), remedy=_MARK)


def _make_room(run: FittingRun, camera: str) -> str:
    """Centre the face where it sits low; else move away or look further down."""
    offset, height = run.number(camera, "nostril_offset_y_px").value or 0.0, _height(run, camera)
    if offset > _LOW * height:
        return move_advice(run, camera, "y")
    return f"Give the chin more room in {camera}: move the bar away from the face, or tilt it down."


def _jaw(run: FittingRun, limits: Limits) -> Outcome:
    def share(name: str) -> Estimate:
        return scaled(run.number(name, "jaw_open_margin_px"), 1.0 / _height(run, name), unit="of height")

    judged = judge_each(run, limits, "framing.jaw_open_margin", share, words=percent)
    camera = next(each for each in run.cameras if each.name == judged.camera)
    message = (
        f"With the jaw fully open, below the chin are left: {judged.numbers} of the frame's height "
        f"({_jaw_words(camera)})."
    )
    action = _make_room(run, judged.camera)
    if camera.jaw_from != "own":
        film = _FILM_SLOWLY if _lost(camera) else _FILM_OPEN
        more = " To know it for this performer," if judged.status == "fail" else " To have it decided,"
        action = (
            f"{action}{more} {film}."
            if judged.status != "inconclusive"
            else f"It is not decided whether the open jaw fits: {film}. Where it does not fit, move the bar "
            "down or away."
        )
    return outcome_of(judged, message, action, remedy=_MARK)


def _lost(camera: CameraFraming) -> bool:
    """Whether the clip shows a wide mouth whose chin could not be followed."""
    return camera.opening is not None and camera.opening.chin is None


def _jaw_words(camera: CameraFraming) -> str:
    """Where the room below the open jaw is known from."""
    if camera.jaw_from == "own":
        if camera.opening is not None and camera.opening.chin is not None and camera.widest is None:
            at = _when(camera.opening.chin.ref)
            return f"from this performer's own widest picture, {at}, to which the chin was followed"
        return "from this performer's own widest picture"
    words = (
        "predicted from the chin with published openings and a jaw that turns and so recedes; sigma holds how people "
        "differ"
    )
    if camera.opened_mm is not None:
        return f"{words}; the widest opening in the clip, about {camera.opened_mm:.0f} mm at the incisors, is not full"
    if camera.opening is not None:
        between = f"{_when(camera.opening.before)} and {_when(camera.opening.after)}"
        return f"{words}; between {between} the mouth opens or is covered, but the chin could not be followed there"
    return words


def _when(ref: FrameRef) -> str:
    return ref.timecode or f"frame {ref.frame_idx}"


def _edges(run: FittingRun, limits: Limits) -> Outcome:
    def forehead(name: str) -> Estimate:
        return scaled(run.number(name, "forehead_margin_px"), 1.0 / _height(run, name), unit="of height")

    def side(name: str) -> Estimate:
        both = [run.number(name, f"side_margin_{each}_px") for each in ("right", "left")]
        least = min(both, key=lambda each: float("inf") if each.value is None else each.value)
        return scaled(least, 1.0 / _width(run, name), unit="of width")

    above = judge_each(run, limits, "framing.forehead_margin", forehead, words=percent)
    beside = judge_each(run, limits, "framing.side_margin", side, words=percent)
    judged = worse_of(above, beside)
    message = (
        f"Above the forehead are left: {above.numbers} of the height. At the nearer side of the face: {beside.numbers} "
        "of the width. Less than nothing is cut off."
    )
    action = (
        f"In {judged.camera} the face is cut off {'above' if judged is above else 'at a side'}, or nearly so: where "
        "that part is needed, centre the nostril base first, then move the bar away from the face."
    )
    return outcome_of(judged, message, action, remedy=_MARK)


def _fill(run: FittingRun, limits: Limits) -> Outcome:
    judged = judge_each(
        run, limits, "framing.face_fill", lambda name: run.number(name, "face_fill"), words=percent
    )
    message = f"The face fills {judged.numbers} of the picture; pixels beside it measure nothing."
    action = (
        f"{judged.camera} stands too far from the face: shorten the boom until cheeks and forehead nearly reach the "
        "frame, with room left for the open jaw. A new distance needs focus and calibration again."
    )
    return outcome_of(judged, message, action, remedy=_MARK)


def _roll(run: FittingRun, limits: Limits) -> Outcome:
    judged = judge_each(run, limits, "framing.roll_deg", lambda name: size_of(run.number(name, "roll_deg")))
    roll = run.number(judged.camera, "roll_deg").value or 0.0
    message = (
        f"The line of the eyes is turned in the picture by {judged.numbers}; in {judged.camera} the face leans "
        f"{toward_word(roll)}."
    )
    cameras = [run.number(each.name, "roll_deg").value or 0.0 for each in run.cameras]
    together = len(cameras) == 2 and cameras[0] * cameras[1] > 0 and abs(cameras[0] - cameras[1]) < abs(roll)
    what = "the bar" if together or len(cameras) == 1 else judged.camera
    way = "clockwise" if roll > 0 else "counter-clockwise"
    action = (
        f"Turn {what} by {abs(roll):.1f}° {way} as seen from behind the camera, or sit the helmet straight on the head "
        "first if it is askew."
    )
    return outcome_of(judged, message, action, remedy=_MARK)


CHECKS: tuple[Check[FittingRun], ...] = (
    Check(
        code="FRM01",
        title="Face found, way up",
        meaning="In how many pictures a face was found, standing as the rig file says",
        remedy="Clear the view; correct mount_rotation_deg; or mark points by hand",
        limit="framing.seen_share",
        measure=_found,
    ),
    Check(
        code="FRM02",
        title="Nostril base, across",
        meaning="How far the nostril base lies off the middle of the frame's width",
        remedy="Move the bar sideways or turn it, as the advice says",
        limit="framing.nostril_across",
        measure=_across,
    ),
    Check(
        code="FRM03",
        title="Nostril base, up and down",
        meaning="How far the nostril base lies off the middle of the frame's height",
        remedy="Move the bar up or down or tilt it, as the advice says",
        limit="framing.nostril_height",
        measure=_up_down,
    ),
    Check(
        code="FRM04",
        title="Room below the chin",
        meaning="What is left below the chin with the mouth closed",
        remedy="Move the bar down or away, or tilt it down",
        limit="framing.chin_margin",
        measure=_chin,
    ),
    Check(
        code="FRM05",
        title="Room for the open jaw",
        meaning="What is left below the chin with the jaw fully open, seen or predicted",
        remedy="Film the mouth wide open once; move the bar down or away",
        limit="framing.jaw_open_margin",
        measure=_jaw,
    ),
    Check(
        code="FRM06",
        title="Forehead and sides",
        meaning="What is left above the forehead and beside the cheeks",
        remedy="Centre the face, then move the bar away",
        limit="framing.side_margin",
        measure=_edges,
        required=False,
    ),
    Check(
        code="FRM07",
        title="Share of the frame",
        meaning="How much of the picture the face fills",
        remedy="Shorten the boom",
        limit="framing.face_fill",
        measure=_fill,
    ),
    Check(
        code="FRM08",
        title="Roll",
        meaning="How far the line of the eyes is turned in the picture",
        remedy="Sit the helmet straight, turn the bar or the camera",
        limit="framing.roll_deg",
        measure=_roll,
    ),
)
