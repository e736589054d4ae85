"""Every threshold of every check, from the modules `limits_*`, and a rig's overrides of them."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches

from rigcheck.checks import (
    limits_audit,
    limits_calibration,
    limits_compare,
    limits_day,
    limits_exposure,
    limits_fitting,
    limits_focus,
    limits_history,
    limits_pick_gates,
    limits_picks,
    limits_rigid,
    limits_verify,
)
from rigcheck.checks.limit import Limit
from rigcheck.checks.verdict import Band
from rigcheck.errors import ConfigError
from rigcheck.model import EffectiveLimit

__all__ = ["LIMITS", "Limit", "Limits", "effective_limits"]

DEFAULT_ORIGIN = "default"
# Quantities that single cameras may have limits of their own for: a stacked pair's cameras differ in them.
_OF_ONE_CAMERA = ("framing.", "focus.", "exposure.")


LIMITS: tuple[Limit, ...] = (
    *limits_calibration.LIMITS,
    *limits_rigid.LIMITS,
    *limits_compare.LIMITS,
    *limits_history.LIMITS,
    *limits_verify.LIMITS,
    *limits_audit.LIMITS,
    *limits_day.LIMITS,
    *limits_fitting.LIMITS,
    *limits_exposure.LIMITS,
    *limits_focus.LIMITS,
    *limits_picks.LIMITS,
    *limits_pick_gates.LIMITS,
)
# A quantity's limits share unit and side; looked up for every check of every live reading.
_BY_QUANTITY = {limit.quantity: limit for limit in reversed(LIMITS)}


class Limits(Mapping[str, EffectiveLimit]):
    """The limits in force, by name; made by `effective_limits`."""

    def __init__(self, limits: tuple[EffectiveLimit, ...]) -> None:
        self._by_name = {limit.name: limit for limit in limits}

    def __getitem__(self, name: str) -> EffectiveLimit:
        return self._by_name[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._by_name)

    def __len__(self) -> int:
        return len(self._by_name)

    def band(self, quantity: str, *, camera: str = "") -> Band:
        """Caution and fail limits of a quantity, such as "harm.depth_mm"; KeyError when it has neither.

        With `camera` the camera's own take precedence, where the rig file gives it some.
        """
        known = _BY_QUANTITY[quantity]
        caution, fail = (
            self.get(f"{camera}.{quantity}.{word}") or self.get(f"{quantity}.{word}")
            for word in ("caution", "fail")
        )
        return Band(
            caution=None if caution is None else caution.value,
            fail=None if fail is None else fail.value,
            unit=known.unit,
            worse=known.worse,
        )


def effective_limits(
    overrides: Mapping[str, float] | None = None, *, origin: str = "", cameras: Sequence[str] = ()
) -> tuple[EffectiveLimit, ...]:
    """Defaults with a rig file's overrides.

    Parameters
    ----------
    overrides : mapping
        Full name of a limit, to its value.
    origin : str
        Who overrides: the rig file's path.
    cameras : sequence of str
        Names of the rig's cameras: an override may be one camera's alone, such as
        ``upper.framing.look_up_deg.caution``, for limits of framing, focus and exposure.

    Returns
    -------
    tuple of EffectiveLimit
        In the order of `LIMITS`, those of single cameras after them; `Limits` gives access by name.

    Raises
    ------
    ConfigError
        For an unknown name, a value that is not a finite number of at least 0, and limits of one quantity in
        the wrong order.
    """
    overrides = overrides or {}
    own = {name: each for name in overrides if (each := _camera_limit(name, cameras)) is not None}
    for name, value in overrides.items():
        _check_override(own[name][1] if name in own else name, value, origin)
    limits = tuple(
        EffectiveLimit(
            name=limit.name,
            value=float(overrides.get(limit.name, limit.value)),
            unit=limit.unit,
            source=limit.source,
            origin=origin if limit.name in overrides else DEFAULT_ORIGIN,
        )
        for limit in LIMITS
    )
    _check_order(limits, origin)
    known = {limit.name: limit for limit in limits}
    of_cameras = tuple(
        replace(known[limit], name=name, value=float(overrides[name]), origin=origin)
        for name, (_, limit) in own.items()
    )
    for camera in dict.fromkeys(camera for camera, _ in own.values()):
        values = {limit: overrides[name] for name, (whose, limit) in own.items() if whose == camera}
        _check_order(
            tuple(replace(each, value=float(values.get(each.name, each.value))) for each in limits),
            f"{origin} ({camera})",
        )
    return (*limits, *of_cameras)


def _camera_limit(name: str, cameras: Sequence[str]) -> tuple[str, str] | None:
    """Camera and limit of an override for one camera; None when it is for all.

    Where the cameras' names are not known, every name is taken for one: the command then has no use for the limit.
    """
    camera, _, limit = name.partition(".")
    if not limit.startswith(_OF_ONE_CAMERA) or (cameras and camera not in cameras):
        return None
    return camera, limit


def _check_override(name: str, value: float, origin: str) -> None:
    known = [limit.name for limit in LIMITS]
    if name not in known:
        near = get_close_matches(name, known, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(known)}."
        raise ConfigError(f"{origin}: unknown limit {name!r} found.", hint=hint)
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not 0 <= value < math.inf:
        raise ConfigError(
            f"{origin}: limit {name}: {value!r} found, a number of at least 0 needed.",
            hint="correct or remove this override.",
        )


def _check_order(limits: tuple[EffectiveLimit, ...], origin: str) -> None:
    """Within a quantity the limits stand in the order of `LIMITS`; none may be milder than the one before."""
    for known, before, after in zip(LIMITS[1:], limits, limits[1:], strict=False):
        if before.name.rpartition(".")[0] != known.quantity:
            continue
        step = after.value - before.value
        if step < 0 if known.worse == "above" else step > 0:
            raise ConfigError(
                f"{origin}: limits {before.name} {before.value:g} and {after.name} {after.value:g} found, "
                "the second milder than the first.",
                hint="override both so that caution comes before fail.",
            )
