"""Thresholds of the checks of `audit`. What a change of the pair does on the face is judged by the harm limit."""

from rigcheck.checks.limit import COMMON, Limit

__all__ = ["LIMITS"]

_SHARP = (
    "The same face's sharpness differs from take to take by about 5 % with expression; a fifth less is seen; "
    + COMMON
)
_SPOT = (
    "Cells of the picture whose contrast fell by 40 % more than the whole, or lies 30 % below the other camera's: "
    "a thumb's print covers several; " + COMMON
)
_VEIL = (
    "Share of the whole contrast lost: fog or grease all over the lens; clean lenses on six rendered heads differ by "
    "up to 8 % between takes and 2 % between cameras; " + COMMON
)
_EYES = (
    "Adults' pupils stand apart by 62 mm with a spread of 3.6 mm (2012 survey of U.S. Army personnel); one face twice "
    "differs by gaze and landmarks, about 1 mm; " + COMMON
)
_DROPPED = (
    "A dropped or repeated picture belongs to no moment of its own: by definition; share that fails: "
    + COMMON
)

LIMITS: tuple[Limit, ...] = (
    Limit(
        name="audit.unreadable_takes.fail",
        value=0.0,
        unit="takes",
        source="A take that cannot be read cannot be handed over: by definition",
    ),
    Limit(
        name="audit.seen_share.caution",
        value=0.6,
        unit="of pictures",
        source="A face that is missing in half of the moments looked at is covered or out of frame; "
        + COMMON,
        worse="below",
    ),
    Limit(
        name="audit.unmeasured_takes.caution",
        value=0.0,
        unit="takes",
        source="Of such a take nothing is known about the pair: by definition",
    ),
    Limit(
        name="audit.exchanged_ratio.fail",
        value=0.6,
        unit="",
        source="Points that agree much better with the cameras exchanged: right takes show 1.5 and more; "
        + COMMON,
        worse="below",
    ),
    Limit(name="audit.sharpness_ratio.caution", value=0.8, unit="", source=_SHARP, worse="below"),
    Limit(name="audit.sharpness_ratio.fail", value=0.6, unit="", source=_SHARP, worse="below"),
    Limit(
        name="audit.light_stops.caution",
        value=0.33,
        unit="stops",
        source="A third of a stop is the step of lenses and lamps; " + COMMON,
    ),
    Limit(name="audit.light_stops.fail", value=1.0, unit="stops", source="A stop; " + COMMON),
    Limit(name="audit.spot_share.caution", value=0.02, unit="of picture", source=_SPOT),
    Limit(name="audit.spot_share.fail", value=0.08, unit="of picture", source=_SPOT),
    Limit(name="audit.veil.caution", value=0.2, unit="", source=_VEIL),
    Limit(name="audit.veil.fail", value=0.35, unit="", source=_VEIL),
    Limit(name="audit.lost_pictures.caution", value=0.0, unit="of pictures", source=_DROPPED),
    Limit(name="audit.lost_pictures.fail", value=0.01, unit="of pictures", source=_DROPPED),
    Limit(
        name="audit.other_settings.fail",
        value=0.0,
        unit="cameras",
        source="One calibration and one pipeline fit one size and rate: by definition",
    ),
    Limit(name="audit.eyes_apart_mm.caution", value=2.0, unit="mm", source=_EYES),
    Limit(name="audit.eyes_apart_mm.fail", value=4.0, unit="mm", source=_EYES),
    Limit(
        name="audit.changed_looks.caution",
        value=0.0,
        unit="looks",
        source="Calibrating a face serves the looks it was made with: by definition",
    ),
)
