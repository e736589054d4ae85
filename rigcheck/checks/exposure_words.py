"""What the exposure checks share: every camera against the same limits, and words for lamps, places and stops."""

from rigcheck.model import Estimate

__all__ = [
    "EYES",
    "FILM",
    "WRITE_CURVE",
    "lamp_of",
    "places_text",
    "quarter_stops",
    "share_text",
]

FILM = (
    "Give footage in which the whole face is seen and found, at its full size and depth; marked points alone do not "
    "say where the skin is."
)
WRITE_CURVE = (
    "Write the camera's transfer curve in the rig file (transfer: linear for raw pictures of machine-vision cameras, "
    "else srgb, bt709, gamma_2_2, gamma_2_4 or a table); stops cannot be told without it."
)
EYES = (
    "Lamps this near the eyes: dim and diffuse, never closer, never bare; local rules and the production's safety lead "
    "decide."
)
_STEP = 0.25


def share_text(estimate: Estimate) -> str:
    """A small share as per cent with its sigma."""
    if estimate.value is None:
        return "not measured"
    value = 100.0 * estimate.value
    if value == 0.0:
        return "none"
    digits = 1 if value >= 1.0 else 2 if value >= 0.1 else 3
    sigma = "" if not estimate.sigma else f" ± {100 * estimate.sigma:.{digits}f}"
    return f"{value:.{digits}f}{sigma} %"


def quarter_stops(stops: float) -> str:
    """A change as a person sets it: in quarters of a stop, at least one."""
    size = max(round(abs(stops) / _STEP), 1) * _STEP
    return f"{size:g} stop{'s' if size > 1 else ''}"


def lamp_of(place: str) -> str:
    """The lamp that lights a place of the face, by the performer's own sides."""
    for side in ("right", "left"):
        if side in place:
            return f"the lamp on the performer's {side}"
    if "forehead" in place or "brow" in place:
        return "the upper lamps"
    if "chin" in place or "lip" in place:
        return "the lower lamps"
    return "the lamp that it mirrors"


def places_text(places: tuple[tuple[str, float], ...], *, most: int = 3) -> str:
    """Places with their share of what is blown: "the forehead (71 %), the chin (20 %)"; sides are the performer's."""
    shown = [f"{name} ({100 * share:.0f} %)" for name, share in places[:most]]
    rest = len(places) - len(shown)
    return ", ".join(shown) + (f" and {rest} more" if rest > 0 else "")
