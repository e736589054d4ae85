"""The fitting report as one self-contained HTML page."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rigcheck.checks.limits import Limits
from rigcheck.face.exposure_run import ExposureRun
from rigcheck.face.fitting_run import FittingRun
from rigcheck.face.focus_run import FocusRun
from rigcheck.model import PerformerRecord, Report
from rigcheck.report.exposure_pictures import exposure_figures
from rigcheck.report.face_map import FaceMap
from rigcheck.report.focus_pictures import focus_figures
from rigcheck.report.framing_figures import frame_figures
from rigcheck.report.numbers import format_estimate, format_number
from rigcheck.report.page import page_environment, report_parts

__all__ = ["FocusShown", "LightShown", "fitting_page"]

_ROWS = (
    ("nostril_offset_x_px", "Nostril base across", "right of the centre is positive"),
    ("nostril_offset_y_px", "Nostril base down", "below the centre is positive"),
    ("chin_margin_px", "Room below the chin", "mouth closed"),
    ("jaw_open_margin_px", "Room with the jaw open", ""),
    ("forehead_margin_px", "Room above the forehead", ""),
    ("side_margin_right_px", "Room at the performer's right", ""),
    ("side_margin_left_px", "Room at the performer's left", ""),
    ("face_fill", "Share of the picture filled", ""),
    ("roll_deg", "Roll", "clockwise in the picture is positive"),
    ("look_up_deg", "Looking up at the face", "from below is positive"),
    ("from_side_deg", "From the performer's left", ""),
    ("slip_px", "Movement within the clip", ""),
    ("px_per_mm", "Scale at the nostril base", ""),
)
_LIGHT_ROWS = (
    ("blown_share", "Skin blown", "share of skin, over the clip"),
    ("room_stops", "Room to the ceiling", "how much brighter until skin is blown"),
    ("shadow_noise_stops", "Noise in the darkest needed place", "how far a pixel strays"),
    ("side_ratio_stops", "Side against side", "the performer's left brighter is positive"),
    ("skin_stops", "Skin below white", "no target: every skin has its own"),
    ("flicker_stops", "Light over time", "from trough to crest"),
)
_FOCUS_ROWS = (
    ("eyes", "Fine detail at the eyes", "lashes and lids; share of the local contrast"),
    ("cheeks", "Fine detail on the cheeks", "with the folds beside the nose"),
    ("lips", "Fine detail on the lips", ""),
    ("nose_tip", "Fine detail on the nose", ""),
    ("sides", "Fine detail at the sides", ""),
    ("smear_px", "Motion blur", "length"),
    ("plane_depth_mm", "Plane of focus", "from the camera"),
    ("plane_from_eye_mm", "Plane against the eyes", "behind them is positive"),
    ("plane_from_cheek_mm", "Plane against the cheeks", "behind them is positive"),
    ("plane_from_chin_mm", "Plane against the chin", "behind it is positive"),
    ("near_mm", "Usable from", "blur disc of 2 px"),
    ("far_mm", "Usable to", "blur disc of 2 px"),
    ("lens_near_mm", "Lens data say from", ""),
    ("lens_far_mm", "Lens data say to", ""),
)
_LOOKS = (
    ("glasses", "Glasses"),
    ("accessories", "Accessories"),
    ("heavy_make_up", "Heavy make-up"),
    ("hair_over_brows", "Hair over the brows"),
    ("facial_hair", "Facial hair"),
)
_SAID = {True: "yes", False: "no", None: "nobody has said"}


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One quantity with a number a camera."""

    name: str
    note: str
    numbers: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class LightShown:
    """Exposure as the page shows it.

    `pictures` holds the upright grey picture (H, W) of each camera's shown moment, empty when none may be shown;
    `turns` the clockwise turn, degrees, that makes a camera's pictures upright.
    """

    run: ExposureRun
    pictures: Mapping[str, NDArray[np.uint8]]
    turns: Mapping[str, int]


@dataclass(frozen=True, kw_only=True, eq=False)
class FocusShown:
    """Focus as the page shows it; `pictures` and `turns` as of `LightShown`."""

    run: FocusRun
    pictures: Mapping[str, NDArray[np.uint8]]
    turns: Mapping[str, int]


def fitting_page(
    report: Report,
    run: FittingRun,
    record: PerformerRecord,
    *,
    focus: FocusShown | None = None,
    light: LightShown | None = None,
    minutes_worn: float = 0.0,
) -> str:
    """Write a fitting's report as one HTML page that needs nothing else.

    Parameters
    ----------
    report : Report
    run : FittingRun
        Without `pictures` the page shows no picture of the performer, only where the points lie.
    record : PerformerRecord
        Shown by its code name.
    focus, light : FocusShown, LightShown, optional
        Left out for a proxy.
    minutes_worn : float
        Of the last 24 hours, as the record says.

    Returns
    -------
    str
        No script, no address outside the page; everything from outside is escaped. The same input gives the same
        page.
    """
    template = page_environment().get_template("fitting.html.j2")
    return template.render(
        report_parts(report)
        | {
            "run": run,
            "cameras": [framing.name for framing in run.cameras],
            "figures": frame_figures(run),
            "rows": _rows(run),
            "focus_rows": () if focus is None else _part_rows(focus.run, _FOCUS_ROWS),
            "focus_figures": () if focus is None else _focus_figures(report, focus),
            "calibrated_pair": focus is not None and focus.run.calibrated,
            "light_rows": () if light is None else _part_rows(light.run, _LIGHT_ROWS),
            "light_figures": () if light is None else _light_figures(report, light),
            "record": record,
            "looks": [(label, _SAID[getattr(run.looks, name)]) for name, label in _LOOKS],
            "moment": None if record.moment_ncm is None else format_number(record.moment_ncm, 2),
            "minutes": format_number(minutes_worn, 2) if record.worn else None,
            "shown": bool(run.pictures),
        }
    )


def _light_figures(report: Report, light: LightShown) -> tuple[FaceMap, ...]:
    return exposure_figures(light.run, Limits(report.limits), light.pictures, light.turns)


def _focus_figures(report: Report, focus: FocusShown) -> tuple[FaceMap, ...]:
    return focus_figures(focus.run, Limits(report.limits), focus.pictures, focus.turns)


def _part_rows(run: ExposureRun | FocusRun, quantities: Sequence[tuple[str, str, str]]) -> tuple[_Row, ...]:
    rows = []
    for quantity, name, note in quantities:
        found = [run.number(camera.name, quantity) for camera in run.cameras]
        if any(estimate.value is not None for estimate in found):
            numbers = tuple("–" if each.value is None else format_estimate(each) for each in found)
            rows.append(_Row(name=name, note=note, numbers=numbers))
    return tuple(rows)


def _rows(run: FittingRun) -> tuple[_Row, ...]:
    rows = []
    for quantity, name, note in _ROWS:
        found = [run.number(framing.name, quantity) for framing in run.cameras]
        if all(estimate.value is None for estimate in found):
            continue
        how = {framing.jaw_from for framing in run.cameras}
        if quantity == "jaw_open_margin_px":
            note = {"own": "from the widest picture", "predicted": "predicted from the chin"}.get(
                how.pop() if len(how) == 1 else "", "see each camera's picture"
            )
        numbers = tuple("–" if each.value is None else format_estimate(each) for each in found)
        rows.append(_Row(name=name, note=note, numbers=numbers))
    return tuple(rows)
