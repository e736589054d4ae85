"""What a face does: expression units, a jaw that turns on its hinge, lips that seal, eyes that look somewhere."""

from dataclasses import dataclass, replace

import numpy as np

from rigcheck.demo.head_mesh import HeadData
from rigcheck.model._arrays import FloatArray

__all__ = [
    "JAW_FULL_DEG",
    "Expression",
    "bite",
    "blended",
    "blink",
    "brows_raised",
    "grimace",
    "hinge_moved",
    "jaw_aside",
    "jaw_open",
    "lips_apart",
    "lips_pressed",
    "look",
    "look_at_distance",
    "neutral",
    "pursed",
    "smile",
]

JAW_FULL_DEG = 30.0  # turn of the jaw that counts as fully open

# Path of the jaw's hinge as it opens, in the average geometry: turn in degrees, shift forward and down in mm.
# With the jaw's average proportions a turn of 30 degrees drops the menton by 34 mm
# and takes it back by 49 mm.
_TURNS_DEG = (0.0, 20.0, 30.0, 34.0)
_FORWARD_MM = (0.0, 6.0, 9.0, 9.5)
_DOWN_MM = (0.0, 4.5, 7.0, 7.2)


@dataclass(frozen=True, kw_only=True)
class Expression:
    """A face at one moment. All zero is the neutral: lips sealed, eyes ahead.

    Parameters
    ----------
    units : tuple of (name, weight)
        Expression units of the data file, 0–1 (more exaggerates).
    jaw_deg : float
        Turn of the lower jaw about its hinge, degrees; the hinge slides forward and down with it.
    jaw_left_mm : float
        Shift of the lower jaw towards the performer's left, mm.
    lip_gap_mm : float
        Gap between the lips beyond the sealed neutral, the jaw at rest; negative presses them.
    teeth_closed : float
        0 leaves the rows of teeth as far apart as at rest, 1 brings the lower incisors behind the upper ones.
    gaze_deg : (yaw, pitch)
        Both eyes: towards the performer's left, and up, degrees.
    vergence_deg : float
        Angle between the two eyes' directions, degrees; 0 looks far away.
    """

    units: tuple[tuple[str, float], ...] = ()
    jaw_deg: float = 0.0
    jaw_left_mm: float = 0.0
    lip_gap_mm: float = 0.0
    teeth_closed: float = 0.0
    gaze_deg: tuple[float, float] = (0.0, 0.0)
    vergence_deg: float = 0.0

    def plus(self, other: "Expression") -> "Expression":
        """Both at once: every part is added."""
        names = dict(self.units)
        for name, weight in other.units:
            names[name] = names.get(name, 0.0) + weight
        return Expression(
            units=tuple(sorted(names.items())),
            jaw_deg=self.jaw_deg + other.jaw_deg,
            jaw_left_mm=self.jaw_left_mm + other.jaw_left_mm,
            lip_gap_mm=self.lip_gap_mm + other.lip_gap_mm,
            teeth_closed=self.teeth_closed + other.teeth_closed,
            gaze_deg=(self.gaze_deg[0] + other.gaze_deg[0], self.gaze_deg[1] + other.gaze_deg[1]),
            vergence_deg=self.vergence_deg + other.vergence_deg,
        )

    def times(self, share: float) -> "Expression":
        """Part of it: every number times `share`."""
        return Expression(
            units=tuple((name, weight * share) for name, weight in self.units),
            jaw_deg=self.jaw_deg * share,
            jaw_left_mm=self.jaw_left_mm * share,
            lip_gap_mm=self.lip_gap_mm * share,
            teeth_closed=self.teeth_closed * share,
            gaze_deg=(self.gaze_deg[0] * share, self.gaze_deg[1] * share),
            vergence_deg=self.vergence_deg * share,
        )


def blended(first: Expression, second: Expression, share: float) -> Expression:
    """Between two expressions: the first at share 0, the second at 1."""
    return first.times(1 - share).plus(second.times(share))


def neutral() -> Expression:
    """Lips sealed, mouth at rest, eyes open and ahead."""
    return Expression()


def jaw_open(amount: float = 1.0) -> Expression:
    """Open the jaw: 0 closed, 1 fully (`JAW_FULL_DEG`); lips part with it."""
    return Expression(jaw_deg=JAW_FULL_DEG * amount)


def jaw_aside(left_mm: float) -> Expression:
    """Lower jaw shifted towards the performer's left; negative to the right."""
    return Expression(jaw_left_mm=left_mm)


def lips_apart(gap_mm: float) -> Expression:
    """Lips slightly apart, jaw and the rest of the face as in the neutral."""
    return Expression(lip_gap_mm=gap_mm)


def lips_pressed(amount: float = 1.0) -> Expression:
    """Lips pressed on each other."""
    return Expression(units=_both("lip_press", 0.8 * amount), lip_gap_mm=-1.2 * amount)


def pursed(amount: float = 1.0) -> Expression:
    """Lips pushed forward."""
    return Expression(units=(("lip_purse", amount),))


def bite(amount: float = 1.0, *, closed: float = 1.0) -> Expression:
    """Teeth closed lightly, lips drawn clear of them.

    Parameters
    ----------
    amount : float
        How far the lips are drawn.
    closed : float
        1 closes the rows of teeth; below about 0.8 a dark line is left between them.
    """
    lifted = _both("upper_lip_lift", amount) + _both("lower_lip_drop", amount)
    return Expression(
        units=tuple(sorted(lifted + _both("corner_stretch", 0.5 * amount))),
        lip_gap_mm=5.0 * amount,
        teeth_closed=closed,
    )


def smile(amount: float = 1.0) -> Expression:
    """Corners of the mouth raised."""
    return Expression(units=_both("corner_raise", 0.6 * amount))


def grimace(amount: float = 1.0) -> Expression:
    """An exaggerated baring of the teeth, nose wrinkled, brows down."""
    parts = (
        *_both("brow_lower", amount),
        *_both("corner_lower", 0.5 * amount),
        *_both("corner_stretch", amount),
        *_both("lid_tighten", 0.7 * amount),
        *_both("nose_wrinkle", amount),
    )
    return Expression(units=tuple(sorted(parts))).plus(bite(amount))


def brows_raised(amount: float = 1.0) -> Expression:
    """Brows up."""
    return Expression(units=(("brow_raise", amount),))


def blink(amount: float = 1.0) -> Expression:
    """Lids of both eyes: 0 open, 1 shut."""
    return Expression(units=_both("lid_close", 0.9 * amount))


def look(yaw_deg: float, pitch_deg: float = 0.0, *, vergence_deg: float = 0.0) -> Expression:
    """Eyes turned towards the performer's left and up; the lids follow up and down."""
    follow = _both("lid_close", min(max(-pitch_deg, 0.0) / 60, 0.5)) if pitch_deg < 0 else ()
    lift = _both("lid_raise", min(pitch_deg / 30, 1.0)) if pitch_deg > 0 else ()
    return Expression(units=follow + lift, gaze_deg=(yaw_deg, pitch_deg), vergence_deg=vergence_deg)


def look_at_distance(distance_mm: float, interpupillary_mm: float) -> Expression:
    """Both eyes on something straight ahead at a distance, mm from the eyes."""
    turn = 2 * np.rad2deg(np.arctan2(interpupillary_mm / 2, distance_mm))
    return replace(neutral(), vergence_deg=float(turn))


def _both(unit: str, weight: float) -> tuple[tuple[str, float], ...]:
    return ((f"{unit}_left", weight), (f"{unit}_right", weight))


def hinge_moved(
    points_mm: FloatArray, follow: FloatArray, hinge_mm: FloatArray, expression: Expression, scale: float
) -> FloatArray:
    """Move points (V, 3) with the lower jaw as far as each follows it (0–1).

    Parameters
    ----------
    points_mm : (V, 3) float64, mm, head frame
    follow : (V,) float64
    hinge_mm : (3,) float64, mm
        Middle between the two jaw joints.
    expression : Expression
    scale : float
        Size of this head's jaw over the average one, for the hinge's slide.

    Notes
    -----
    The turn is shared out, not the displacement: skin half way moves on an arc by half the angle.
    """
    if expression.jaw_deg == 0.0 and expression.jaw_left_mm == 0.0:
        return points_mm
    turn = np.deg2rad(expression.jaw_deg) * follow
    forward = np.interp(expression.jaw_deg, _TURNS_DEG, _FORWARD_MM) * scale
    down = np.interp(expression.jaw_deg, _TURNS_DEG, _DOWN_MM) * scale
    arm = points_mm - hinge_mm
    cos, sin = np.cos(turn), np.sin(turn)
    moved = np.array(points_mm)
    # Forward is -z and down is +y: opening carries what is before the hinge down, and what is below it back.
    moved[:, 1] = hinge_mm[1] + cos * arm[:, 1] - sin * arm[:, 2] + follow * down
    moved[:, 2] = hinge_mm[2] + sin * arm[:, 1] + cos * arm[:, 2] - follow * forward
    moved[:, 0] += follow * expression.jaw_left_mm
    return moved


def jaw_follow(data: HeadData, hinge_mm: FloatArray) -> FloatArray:
    """How far each vertex follows the lower jaw, (V,) 0–1: from the file's own jaw unit.

    The unit moves each vertex by part of what a rigid jaw would; the part, along the rigid movement, is the share.
    """
    unit = data.units_mm["jaw_drop"]
    turned = hinge_moved(
        data.vertices_mm, np.ones(len(unit)), hinge_mm, Expression(jaw_deg=_UNIT_TURN_DEG), 1.0
    )
    rigid = turned - data.vertices_mm
    along = (unit * rigid).sum(axis=1) / np.maximum((rigid**2).sum(axis=1), 1.0)
    return np.asarray(np.clip(along, 0.0, 1.0))


_UNIT_TURN_DEG = 20.0  # the unit at weight 1 carries the chin as far as a turn of about this much
