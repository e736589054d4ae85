"""What faces alone say of a pair's geometry: one take, a whole day, and which calibration each take should use."""

from dataclasses import dataclass
from typing import Literal

from rigcheck.model._arrays import FloatArray, frozen_array
from rigcheck.model.estimate import Estimate

# What epipolar distances can tell of a pair whose baseline keeps its length: degrees, then mm. Camera 2 against
# camera 1; see rigcheck.geometry.rig_change.pose_change.
OBSERVABLE = ("convergence_deg", "across_deg", "twist_deg", "along_view_mm", "square_to_both_mm")

EventKind = Literal["step", "drift"]
Use = Literal["start", "end", "between", "recalibrate", "not measured"]

__all__ = [
    "OBSERVABLE",
    "CalibrationUse",
    "CalibrationsCompared",
    "DayEvent",
    "DayGeometry",
    "DayLevel",
    "EventKind",
    "OwnShift",
    "TakeGeometry",
    "Use",
]


@dataclass(frozen=True, kw_only=True, eq=False)
class TakeGeometry:
    """The pair's pose in one take against the calibration, in the order of `OBSERVABLE`.

    Parameters
    ----------
    name : str
    change : (5,) float64
    white, smooth : (5, 5) float64
        Parts of its covariance: noise of the matches, and an error of the matches that is smooth over the picture
        and the same in all moments of the take. They add.
    by_calibration : (5, P) float64
        Derivative of `change` by the calibration's values: both cameras' full intrinsics, then the pose's three turns
        (rad) and translation (mm).
    across_per_mm : float
        A move of camera 2 square to both, by 1 mm, looks at the face like this turn across, degrees.
    depth_by_change : (N, 5) float64
        Depth (mm, farther is positive) over the face volume for one unit of change, read with the calibration.
    measurements : dict of str to Estimate
        What a report shows, by name.
    n_matches, n_moments : int
    smooth_px : float
        Amplitude of the smooth error, found from what the fit leaves over.
    """

    name: str
    change: FloatArray
    white: FloatArray
    smooth: FloatArray
    by_calibration: FloatArray
    across_per_mm: float
    depth_by_change: FloatArray
    measurements: dict[str, Estimate]
    n_matches: int
    n_moments: int
    smooth_px: float

    def __post_init__(self) -> None:
        """Check shapes and freeze the arrays."""
        shapes: dict[str, tuple[int, ...]] = {
            "change": (5,),
            "white": (5, 5),
            "smooth": (5, 5),
            "by_calibration": (5, self.by_calibration.shape[1]),
            "depth_by_change": (len(self.depth_by_change), 5),
        }
        for name, shape in shapes.items():
            object.__setattr__(self, name, frozen_array(getattr(self, name), shape, name))

    @property
    def covariance(self) -> FloatArray:
        """Of `change` against a calibration taken as right, (5, 5)."""
        return self.white + self.smooth


@dataclass(frozen=True, kw_only=True, eq=False)
class DayEvent:
    """Something that happened to the pair during the day.

    Parameters
    ----------
    kind : "step" or "drift"
    first : int
        Index of the first take that suffers: the first after a step, or the first on the way of a drift.
    last : int
        Index of the last take of a drift's way; `first` for a step.
    earliest, latest : int
        `first` lies between these with 95 % probability.
    confidence : float
        Probability that `first` is exactly right, given that this event happened.
    change : (5,) float64
        Size of the step, or the whole way from before the drift to its last take; `covariance` (5, 5).
    gain : float
        Chi-square that the event explains.
    harm_mm : Estimate
        What the change does in depth over the face.
    """

    kind: EventKind
    first: int
    last: int
    earliest: int
    latest: int
    confidence: float
    change: FloatArray
    covariance: FloatArray
    gain: float
    harm_mm: Estimate


@dataclass(frozen=True, kw_only=True, eq=False)
class DayLevel:
    """Where the day begins, against the calibration.

    `distance` is change' covariance⁻¹ change, `threshold` what an untouched pair passes once in so many days, `apart`
    whether it was passed.
    """

    change: FloatArray
    covariance: FloatArray
    distance: float
    threshold: float
    apart: bool
    harm_mm: Estimate
    n_takes: int


@dataclass(frozen=True, kw_only=True, eq=False)
class DayGeometry:
    """A day's takes in order.

    Parameters
    ----------
    names : tuple of str
        Of the takes that could be measured, in the order of the day.
    level : DayLevel or None
        None when there was no covariance of a calibration to compare with.
    events : tuple of DayEvent
        In the order of the day; empty when the pair stood still.
    taken, taken_covariance : (N, 5), (N, 5, 5) float64
        Each take's own estimate; its covariance is that within the day, errors that all takes share left out.
    curve, curve_covariance : (N, 5), (N, 5, 5) float64
        The pair against the calibration in each take as the events say: all takes of a level pooled. The errors of the
        calibration are not in the covariance.
    from_first : (N, 5) float64
        `curve` less its first row: change during the day; `from_first_covariance` (N, 5, 5).
    harm_mm, harm_from_first_mm : tuple of Estimate, one a take
        Depth error over the face when the take is read with the calibration; and what came during the day.
    threshold : float
        Gain that an event must bring.
    between : float
        Share of the smooth error that differs from take to take, estimated from the day; above 1 when takes scatter
        more than their own residuals tell.
    seen : dict of str to Estimate
        Smallest step told in 95 of 100 cases in the middle of the day and at the last take.
    """

    names: tuple[str, ...]
    level: DayLevel | None
    events: tuple[DayEvent, ...]
    taken: FloatArray
    taken_covariance: FloatArray
    curve: FloatArray
    curve_covariance: FloatArray
    from_first: FloatArray
    from_first_covariance: FloatArray
    harm_mm: tuple[Estimate, ...]
    harm_from_first_mm: tuple[Estimate, ...]
    threshold: float
    between: float
    seen: dict[str, Estimate]

    @property
    def steady(self) -> bool:
        """Whether nothing happened during the day (the level may still be off)."""
        return not self.events


@dataclass(frozen=True, kw_only=True, eq=False)
class CalibrationsCompared:
    """The calibration at the end of the day against that at the start, as far as takes can tell.

    `change` (5,) with `covariance`; `distance` and `threshold` as in :class:`DayLevel`; `harm_mm` is that of all
    differences together, lenses and baseline included; `baseline_mm` the change of length that no take shows.
    """

    change: FloatArray
    covariance: FloatArray
    distance: float
    threshold: float
    apart: bool
    harm_mm: Estimate
    baseline_mm: Estimate


@dataclass(frozen=True, kw_only=True)
class CalibrationUse:
    """Which calibration a take should use.

    `share` is how far the take lies from the start calibration (0) to the end calibration (1), for "between".
    `harm_mm` is the depth error over the face that is left with what is used.
    """

    take: str
    use: Use
    share: float | None
    harm_mm: Estimate
    because: str


@dataclass(frozen=True, kw_only=True, eq=False)
class OwnShift:
    """What a change of the pair did to each camera's picture, if that camera made it alone.

    Parameters
    ----------
    at : str
        The take it begins at.
    share : dict of take to float
        How much of the change has come in each take, 0 to 1; takes of which that is not known are not in it.
    before_day : bool
        It came before the first take, since the calibration.
    shift : (2, 3) float64
        Of each camera: the face across and down (px), turned clockwise (deg), in its upright picture; `covariance`
        (2, 3, 3).
    """

    at: str
    share: dict[str, float]
    before_day: bool
    shift: FloatArray
    covariance: FloatArray

    def __post_init__(self) -> None:
        """Check shapes and freeze the arrays."""
        for name, shape in (("shift", (2, 3)), ("covariance", (2, 3, 3))):
            object.__setattr__(self, name, frozen_array(getattr(self, name), shape, name))
