"""How sharp each region of the face is, woven over the upright picture, and a rule of depth below; without colour.

A region is woven from hairlines: dense where its fine detail is there, wide where it is soft, wider still where it is
very soft; a dashed outline without lines is a region that could not be told.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from rigcheck.checks.focus_words import REGION_WORDS
from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import judge
from rigcheck.face.focus_moment import FocusMoment
from rigcheck.face.focus_run import FocusRun
from rigcheck.geometry.upright import upright_points, upright_size
from rigcheck.model._arrays import FloatArray
from rigcheck.report.face_map import FaceMap, placed_picture
from rigcheck.report.figures import ACCENT, INK

__all__ = ["SPACING", "focus_figures", "region_states"]

_WIDEST_PX = 460
_MARGIN = 0.18  # around the regions, in shares of their height
_PAPER = "#d9dadc"
# Pixels from line to line.
SPACING = {"sharp": 3.5, "soft": 7.0, "very soft": 13.0}
_WORDS = {
    "pass": "sharp",
    "caution": "soft",
    "inconclusive": "soft",
    "fail": "very soft",
    "skipped": "not told",
}
_RULE_PX = 74
_LEVELS = {"eye": "eyes", "cheek": "cheeks", "chin": "chin"}


def focus_figures(
    run: FocusRun,
    limits: Limits,
    pictures: Mapping[str, NDArray[np.uint8]],
    turns: Mapping[str, int] | None = None,
) -> tuple[FaceMap, ...]:
    """Draw the map of every camera that has a judged moment.

    Parameters
    ----------
    run : FocusRun
    limits : Limits
    pictures : mapping
        Camera name to the upright grey picture (H, W) of its `shown` moment; others are drawn on even grey.
    turns : mapping, optional
        Camera name to the clockwise turn that makes it upright, degrees; 0 where not given.
    """
    figures = []
    for number, camera in enumerate(run.cameras):
        moment = camera.shown
        if moment is None or not moment.outlines:
            continue
        states = region_states(run, limits, camera.name)
        frame = _Frame.of(moment, (turns or {}).get(camera.name, 0))
        picture = pictures.get(camera.name)
        parts = [_paper(frame, picture), _weave(f"focus{number}")]
        parts += [
            _region(frame.path(moment.outlines[name]), states[name], f"focus{number}")
            for name in moment.outlines
        ]
        rule = _rule(run, camera.name, frame)
        caption, description = _texts(run, camera.name, states, ruled=bool(rule))
        width, height = frame.size
        svg = (
            f'<svg viewBox="-1 -1 {width + 2} {height + 2 + (_RULE_PX if rule else 0)}" role="img" '
            f'aria-label="{Markup.escape(description)}">{"".join(parts)}{rule}</svg>'
        )
        figures.append(
            FaceMap(
                camera=camera.name,
                label=moment.ref.label,
                svg=Markup(svg),  # made of numbers, and of the description escaped above
                caption=caption,
                description=description,
                shown=picture is not None,
            )
        )
    return tuple(figures)


def region_states(run: FocusRun, limits: Limits, camera: str) -> dict[str, str]:
    """How sharp each region of one camera's picture is: "sharp", "soft", "very soft" or "not told"."""
    states = {}
    for region in REGION_WORDS:
        quantity = "focus.eye_detail" if region == "eyes" else "focus.skin_detail"
        states[region] = _WORDS[judge(run.number(camera, region), limits.band(quantity, camera=camera))]
    return states


@dataclass(frozen=True, kw_only=True, eq=False)
class _Frame:
    """The part of the upright picture that is drawn, its corner in it, and the drawing's scale."""

    recorded_px: tuple[int, int]
    turn_deg: int
    corner: tuple[int, int]
    end: tuple[int, int]
    scale: float

    @classmethod
    def of(cls, moment: FocusMoment, turn_deg: int) -> "_Frame":
        points = np.concatenate([each for parts in moment.outlines.values() for each in parts])
        upright = upright_points(points, moment.size_px, turn_deg)
        width, height = upright_size(moment.size_px, turn_deg)
        margin = _MARGIN * np.ptp(upright[:, 1])
        low = np.clip(np.floor(upright.min(axis=0) - margin), 0, (width - 2, height - 2)).astype(int)
        high = np.clip(np.ceil(upright.max(axis=0) + margin), low + 1, (width, height)).astype(int)
        scale = min(_WIDEST_PX / float(high[0] - low[0]), 1.0)
        return cls(
            recorded_px=moment.size_px,
            turn_deg=turn_deg,
            corner=(int(low[0]), int(low[1])),
            end=(int(high[0]), int(high[1])),
            scale=scale,
        )

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) of the drawing."""
        sides = [max(round((self.end[k] - self.corner[k]) * self.scale), 1) for k in range(2)]
        return sides[0], sides[1]

    def path(self, outlines: tuple[FloatArray, ...]) -> str:
        """Outlines as SVG path data."""
        out = []
        for outline in outlines:
            upright = upright_points(outline, self.recorded_px, self.turn_deg)
            at = (upright - self.corner + 0.5) * self.scale
            out.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in at) + "Z")
        return "".join(out)


def _paper(frame: _Frame, picture: NDArray[np.uint8] | None) -> str:
    width, height = frame.size
    edge = f'<rect width="{width}" height="{height}" fill="none" stroke="{INK}"/>'
    if picture is None:
        return f'<rect width="{width}" height="{height}" fill="{_PAPER}"/>{edge}'
    cut = picture[frame.corner[1] : frame.end[1], frame.corner[0] : frame.end[0]]
    return placed_picture(cut, frame.size) + edge


def _weave(salt: str) -> str:
    patterns = "".join(
        f'<pattern id="{salt}{name.replace(" ", "")}" width="{step}" height="{step}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(-32)"><path d="M0 {step / 2}H{step}" stroke="#000" stroke-width="1.7" '
        f'stroke-opacity="0.55"/><path d="M0 {step / 2}H{step}" stroke="#fff" stroke-width="0.9"/></pattern>'
        for name, step in SPACING.items()
    )
    return f"<defs>{patterns}</defs>"


def _region(path: str, state: str, salt: str) -> str:
    if state not in SPACING:
        return (
            f'<path d="{path}" fill="none" stroke="#fff" stroke-width="2.6"/>'
            f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="1.3" stroke-dasharray="5 4"/>'
        )
    line = ACCENT if state == "very soft" else INK
    return (
        f'<path d="{path}" fill="url(#{salt}{state.replace(" ", "")})" stroke="#fff" stroke-width="2.8"/>'
        f'<path d="{path}" fill="none" stroke="{line}" stroke-width="1.2"/>'
    )


def _rule(run: FocusRun, camera: str, frame: _Frame) -> str:
    """Depth from the camera along a line: usable part thick, plane of focus a wedge, eyes, cheeks and chin as posts."""
    plane = run.number(camera, "plane_depth_mm").value
    known = {word: run.number(camera, f"{part}_depth_mm").value for part, word in _LEVELS.items()}
    posts = {word: value for word, value in known.items() if value is not None}
    near, far = run.number(camera, "near_mm").value, run.number(camera, "far_mm").value
    if plane is None or near is None or not posts:
        return ""
    width, height = frame.size
    every = [plane, near, *posts.values(), *([] if far is None else [far])]
    low, high = min(every) - 6, max(every) + 6
    y = height + 34

    def at(depth: float) -> float:
        return 8 + (width - 16) * (depth - low) / (high - low)

    end = width - 4.0 if far is None else at(far)
    parts = [
        f'<path d="M4 {y}H{width - 4}" stroke="{INK}" stroke-width="1"/>',
        f'<path d="M{at(near):.1f} {y}H{end:.1f}" stroke="{INK}" stroke-width="7" stroke-opacity="0.35"/>',
        f'<path d="M{at(plane):.1f} {y}l-6 -11h12z" fill="{ACCENT}"/>',
        _text(at(plane), y - 15, f"focus {plane:.0f}", width),
    ]
    for row, (word, depth) in enumerate(sorted(posts.items(), key=lambda each: each[1])):
        drop = y + 14 + 11 * (row % 3)
        parts.append(f'<path d="M{at(depth):.1f} {y - 5}V{drop - 8}" stroke="{INK}" stroke-width="1.4"/>')
        parts.append(_text(at(depth), drop, f"{word} {depth:.0f}", width))
    return "".join(parts)


def _text(x: float, y: float, text: str, width: int) -> str:
    anchor = "start" if x < 40 else "end" if x > width - 40 else "middle"
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="11" fill="{INK}">{text}</text>'


def _texts(run: FocusRun, camera: str, states: Mapping[str, str], *, ruled: bool) -> tuple[str, str]:
    order = ("sharp", "soft", "very soft", "not told")
    found = {state: [REGION_WORDS[name] for name in states if states[name] == state] for state in order}
    words = "; ".join(f"{state}: {', '.join(names)}" for state, names in found.items() if names)
    caption = f"Dense lines: sharp; wide: soft; widest: very soft; dashed outline: not told. Here {words}."
    if ruled:
        caption += (
            " Below, depth from the camera in mm: the wedge is the plane of focus, the thick part usable "
            f"(blur disc within {2:g} px)."
        )
    caption += " The performer's right is on the picture's left."
    return caption, f"Upright face in camera {camera}; sharpness by region: {words}."
