"""Everything that came of a look for frames: what the checks judge and the report draws."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rigcheck.face.picks_glance import Glance
from rigcheck.face.picks_moments import looked_samples
from rigcheck.face.picks_numbers import shape_parts
from rigcheck.face.picks_rows import SeenRows
from rigcheck.face.picks_usual import away, clip_usual
from rigcheck.model import Estimate, PerformerLooks, Rejection
from rigcheck.model._arrays import FloatArray
from rigcheck.model.picking import Pick, PickOutcome, PickPose

__all__ = ["COURSE_NAMES", "ClipCourse", "PicksRun", "SettingChange", "clip_course", "picks_measurements"]

COURSE_NAMES = ("lids", "seam_open", "lip_gap", "teeth", "brows", "moved")


@dataclass(frozen=True, kw_only=True)
class SettingChange:
    """A setting of the footage that differs: what it is, as it was then, as it is now, and since when."""

    name: str
    then: str
    now: str
    since: str


@dataclass(frozen=True, kw_only=True, eq=False)
class ClipCourse:
    """Numbers of the first look over time: `times_s` (N,), each of `COURSE_NAMES` (N,), NaN where not known."""

    times_s: FloatArray
    numbers: Mapping[str, FloatArray]


@dataclass(frozen=True, kw_only=True, eq=False)
class PicksRun:
    """What was picked, and what must be known of it.

    `places` are the moments of the clip in order of time, `read` how many were read in full. `settings_known` says
    whether there was anything to compare the footage's settings with. `looks_changed` names the looks that differ from
    those at approval; None where no approval is known. `incisors` is how far the front teeth of the best bite lie
    behind the upper lip, None without a bite or a calibrated pair; `rows` which rows of teeth each camera sees there.
    `sealed` is how likely the lips of the best neutral are apart after all, by the seam alone, None without a neutral.
    """

    outcome: PickOutcome
    wanted: Mapping[PickPose, int]
    cameras: tuple[str, ...]
    pairs: int
    read: int
    calibrated: bool
    course: ClipCourse
    measurements: Mapping[str, Estimate]
    settings: tuple[SettingChange, ...] = ()
    settings_known: bool = False
    looks: PerformerLooks = field(default_factory=PerformerLooks)
    looks_changed: tuple[str, ...] | None = None
    reference: int | None = None
    incisors: Estimate | None = None
    rows: Mapping[str, SeenRows] = field(default_factory=dict)
    sealed: Estimate | None = None
    rejected: tuple[Rejection, ...] = ()
    notes: tuple[str, ...] = ()

    def first(self, pose: PickPose) -> Pick | None:
        """The best pick of a pose; None without one."""
        choice = self.outcome.of(pose)
        return choice.picks[0] if choice is not None and choice.picks else None

    @property
    def picks(self) -> tuple[Pick, ...]:
        """Picks of every pose, in the order of the poses wanted."""
        return tuple(pick for choice in self.outcome.choices for pick in choice.picks)


def clip_course(glances: Sequence[Sequence[Glance]]) -> ClipCourse:
    """Read off the first look how the face went through the clip.

    Parameters
    ----------
    glances : sequence of sequences of Glance
        A camera each.
    """
    samples = {idx: sample for idx, sample in looked_samples(glances).items() if sample.cameras}
    if not samples:
        return ClipCourse(times_s=np.zeros(0), numbers={name: np.zeros(0) for name in COURSE_NAMES})
    usual = clip_usual(list(samples.values()))
    rows: list[dict[str, float]] = []
    times = []
    for idx, sample in samples.items():
        moved = [pair[idx].moved.get(part, np.nan) for pair in glances for part in ("eyes", "mouth")]
        known = [value for value in moved if np.isfinite(value)]
        rows.append(shape_parts(away(sample, usual)) | {"moved": max(known, default=np.nan)})
        time = glances[0][idx].ref.time_s
        times.append(float(idx) if time is None else time)
    return ClipCourse(
        times_s=np.array(times),
        numbers={name: np.array([row.get(name, np.nan) for row in rows]) for name in COURSE_NAMES},
    )


def picks_measurements(outcome: PickOutcome) -> dict[str, Estimate]:
    """Named numbers for result.json: ``picks.<pose>.<rank>.<number>``, and how many there are of each pose."""
    out: dict[str, Estimate] = {}
    for choice in outcome.choices:
        out[f"picks.{choice.pose}.count"] = Estimate(value=float(len(choice.picks)), n=choice.wanted)
        for rank, pick in enumerate(choice.picks, start=1):
            here = f"picks.{choice.pose}.{rank}"
            out[f"{here}.score"] = Estimate(value=pick.score, n=len(pick.reasons))
            out |= {f"{here}.{name}": number for name, number in pick.numbers.items()}
            out |= {f"{here}.{name}": number for name, number in pick.reading.pair.items()}
    return out
