"""What was left out, grouped by reason: small however many there are."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from rigcheck.model import Rejection
from rigcheck.report.calibration_tables import short_label

__all__ = ["RejectionGroup", "group_rejections"]


@dataclass(frozen=True, kw_only=True)
class RejectionGroup:
    """One reason: how many, in which camera, and the first few as examples."""

    code: str
    count: int
    by_camera: tuple[tuple[str, int], ...]
    sentence: str
    examples: tuple[str, ...]


def group_rejections(rejected: Sequence[Rejection], most_examples: int = 3) -> tuple[RejectionGroup, ...]:
    """Group rejections by code, the most frequent first, each with its first sentence and examples."""
    groups: dict[str, list[Rejection]] = {}
    for one in rejected:
        groups.setdefault(one.code, []).append(one)
    return tuple(
        RejectionGroup(
            code=code,
            count=len(members),
            by_camera=tuple(sorted(Counter(one.ref.camera for one in members).items())),
            sentence=_without_label(members[0]),
            examples=tuple(short_label(one.ref) for one in members[:most_examples]),
        )
        for code, members in sorted(groups.items(), key=lambda item: (-len(item[1]), item[0]))
    )


def _without_label(one: Rejection) -> str:
    """Drop the picture's own name from the front of its sentence: it stands among the examples."""
    return one.sentence.removeprefix(f"{one.ref.label}: ")
