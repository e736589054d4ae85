"""Scripted clips against what picking says of them: one row a clip, for the test and for the bench."""

from dataclasses import dataclass, field

from pick_clips import BLACK_DN, PickClip

from rigcheck.checks import Limits, effective_limits
from rigcheck.checks.limits_pick_gates import LIMITS, pick_gates
from rigcheck.face.picks_choose import choose_picks
from rigcheck.face.picks_glance import Glancer
from rigcheck.face.picks_moments import candidate_moments
from rigcheck.face.picks_reading import CameraPictures, MomentReader
from rigcheck.face.picks_rounds import read_in_rounds
from rigcheck.model import EffectiveLimit
from rigcheck.model.picking import PickOutcome


@dataclass(frozen=True, kw_only=True, eq=False)
class PoseRow:
    """What was said of one pose of a clip."""

    pose: str
    wanted: bool  # the script holds a right moment
    first_idx: int | None
    first_right: bool | None
    alternates_right: tuple[bool, ...]
    named: dict[str, bool]  # each faulty act, and whether its fault was named at a moment of it
    missing: tuple[str, ...]
    lost: tuple[str, ...] = ()  # faults said of right moments

    @property
    def right(self) -> bool:
        """A right moment first where there is one, none where there is none."""
        return self.first_right is True if self.wanted else self.first_idx is None


@dataclass(frozen=True, kw_only=True, eq=False)
class ClipRow:
    """One clip."""

    head: int
    script: str
    poses: tuple[PoseRow, ...]
    outcome: PickOutcome = field(repr=False)


def gates():
    """Limits in force by default."""
    own = {
        limit.name: EffectiveLimit(
            name=limit.name, value=limit.value, unit=limit.unit, source=limit.source, origin="default"
        )
        for limit in LIMITS
    }
    return pick_gates({**own, **Limits(effective_limits())})


def choose(clip: PickClip, *, rig=None, most=40, wanted=None, reference_idx=None) -> PickOutcome:
    """Look through a clip as the command does."""
    names = [own[0].ref.camera for own in clip.frames]
    glances = []
    for own in clip.frames:
        glancer = Glancer(black_dn=BLACK_DN)
        glances.append([glancer.see(frame) for frame in own])
    wanted = wanted or {"neutral": 1, "bite": 1}
    moments = candidate_moments(glances, wanted, most=most)
    reader = MomentReader(black_dn=dict.fromkeys(names, BLACK_DN), rig=rig)

    def read(idx, before, after):
        return reader.read(
            [
                CameraPictures(
                    frame=own[idx],
                    before=None if before is None else own[before],
                    after=None if after is None else own[after],
                )
                for own in clip.frames
            ]
        )

    reference = None if reference_idx is None else read(reference_idx, None, None)
    limits = gates()
    _, outcome = read_in_rounds(
        moments,
        lambda some: [read(moment.idx, moment.before_idx, moment.after_idx) for moment in some],
        lambda some: choose_picks(some, wanted, limits, glances=glances, reference=reference),
        limits,
    )
    return outcome


def row_of(head: int, clip: PickClip, outcome: PickOutcome) -> ClipRow:
    """Compare with the script."""
    poses = []
    for choice in outcome.choices:
        if choice.pose not in ("neutral", "bite"):
            continue
        wanted = clip.script.good_neutral if choice.pose == "neutral" else clip.script.good_bite
        first = choice.picks[0].frame_idx if choice.picks else None
        named: dict[str, bool] = {}
        lost: list[str] = []
        for name in dict.fromkeys(shot.act for shot in clip.shots if shot.act):
            if getattr(clip.acts[name], choice.pose):
                named[name] = False
        for moment in choice.rejected:
            shot = clip.shots[moment.reading.frame_idx]
            expected = clip.faults(moment.reading.frame_idx, choice.pose)
            codes = {fault.code for fault in moment.faults}
            if shot.act and not expected:
                lost += [f"{fault.code}" for fault in moment.faults]
            elif shot.act in named and not (shot.blink > 0):
                named[shot.act] |= bool(codes & set(expected))
        poses.append(
            PoseRow(
                pose=choice.pose,
                wanted=wanted,
                first_idx=first,
                first_right=None if first is None else not clip.faults(first, choice.pose),
                alternates_right=tuple(
                    not clip.faults(one.frame_idx, choice.pose) for one in choice.alternates
                ),
                named=named,
                missing=choice.missing,
                lost=tuple(lost),
            )
        )
    return ClipRow(head=head, script=clip.script.name, poses=tuple(poses), outcome=outcome)
