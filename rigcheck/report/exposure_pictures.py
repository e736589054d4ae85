"""Where the skin is blown and where it drowns in noise, drawn over the upright picture; readable without colour.

Blown skin is outlined and dotted, dark skin is crossed by level lines; the largest blown areas carry a number that the
caption explains.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from rigcheck.checks.limits import Limits
from rigcheck.face.exposure_highlights import Highlight, outlines_px
from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_moment import ExposureMoment
from rigcheck.face.exposure_run import CameraExposure, ExposureRun
from rigcheck.face.exposure_skin import PLACES, SkinLayout
from rigcheck.geometry.upright import upright_points, upright_size
from rigcheck.model._arrays import BoolArray, FloatArray
from rigcheck.opencv import cv2
from rigcheck.report.face_map import FaceMap
from rigcheck.report.figures import ACCENT, INK
from rigcheck.report.numbers import format_number
from rigcheck.report.view_pictures import jpeg_data_uri

__all__ = ["dark_skin", "exposure_figures"]

_WIDE_PX = 460
_MARGIN = 0.12  # around the face, in shares of the outer-eye distance
_MOST_NUMBERED = 4
# Numbers: their circle, how far from their area, and from each other.
_TAG_RADIUS, _TAG_AWAY, _TAG_APART = 8.5, 22.0, 20.0
_LEAST_DARK = 0.002  # of the skin: smaller specks of dark are not drawn
_PAPER = "#d9dadc"
_LIPS = list(PLACES).index("the lips") + 1
_SHOWN_LEVEL = 0.16  # light of the skin, from which down the picture is shown lifted


def exposure_figures(
    run: ExposureRun,
    limits: Limits,
    pictures: Mapping[str, NDArray[np.uint8]],
    turns: Mapping[str, int] | None = None,
) -> tuple[FaceMap, ...]:
    """Draw the map of every camera that has a judged moment.

    Parameters
    ----------
    run : ExposureRun
    limits : Limits
        Skin is drawn as dark from the noise on that is cautioned.
    pictures : mapping
        Camera name to the upright grey picture (H, W) of its `shown` moment; cameras without one are drawn on an
        even grey with the outline of the skin.
    turns : mapping, optional
        Camera name to the clockwise turn that makes it upright, degrees; 0 where not given.
    """
    figures = []
    for number, camera in enumerate(run.cameras):
        moment = camera.shown
        if moment is None or moment.layout is None:
            continue
        frame = _Frame.of(moment, moment.layout, (turns or {}).get(camera.name, 0))
        band = limits.band("exposure.shadow_noise_stops", camera=camera.name)
        dark = _dark(camera, moment, frame, pictures.get(camera.name), band.caution or 0.0)
        figures.append(_figure(camera, moment, frame, pictures.get(camera.name), dark, f"exposure{number}"))
    return tuple(figures)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Frame:
    """The part of the upright picture that is drawn, x0 to x1 and y0 to y1 in its pixels, and the drawing's scale."""

    layout: SkinLayout
    recorded_px: tuple[int, int]
    turn_deg: int
    x0: int
    y0: int
    x1: int
    y1: int
    scale: float

    @classmethod
    def of(cls, moment: ExposureMoment, layout: SkinLayout, turn_deg: int) -> "_Frame":
        margin = _MARGIN * layout.eyes_px
        corners = np.array([[layout.x0, layout.y0], [layout.x1 - 1, layout.y1 - 1]], dtype=np.float64)
        upright = upright_points(corners, moment.size_px, turn_deg)
        size = upright_size(moment.size_px, turn_deg)
        low = np.maximum(np.floor(upright.min(axis=0) - margin), 0).astype(int)
        high = np.minimum(np.ceil(upright.max(axis=0) + margin) + 1, size).astype(int)
        return cls(
            layout=layout,
            recorded_px=moment.size_px,
            turn_deg=turn_deg,
            x0=int(low[0]),
            y0=int(low[1]),
            x1=int(high[0]),
            y1=int(high[1]),
            scale=_WIDE_PX / float(high[0] - low[0]),
        )

    @property
    def size(self) -> tuple[int, int]:
        """(width, height) of the drawing."""
        return (
            max(round((self.x1 - self.x0) * self.scale), 1),
            max(round((self.y1 - self.y0) * self.scale), 1),
        )

    def at(self, points_px: FloatArray) -> FloatArray:
        """Points as recorded, in the drawing."""
        upright = upright_points(points_px, self.recorded_px, self.turn_deg)
        return np.asarray((upright - (self.x0, self.y0) + 0.5) * self.scale)

    def path(self, outlines: FloatArray) -> str:
        """Outlines parted by rows of NaN as SVG path data."""
        parts, start = [], True
        for (x, y), gap in zip(self.at(outlines), np.isnan(outlines[:, 0]), strict=True):
            if gap:
                parts.append("Z")
                start = True
                continue
            parts.append(f"{'M' if start else 'L'}{x:.1f} {y:.1f}")
            start = False
        return "".join(parts) + ("Z" if parts else "")


def _dark(
    camera: CameraExposure,
    moment: ExposureMoment,
    frame: _Frame,
    picture: NDArray[np.uint8] | None,
    caution_stops: float,
) -> BoolArray | None:
    if picture is None:
        return None
    recorded = np.rot90(picture, k=frame.turn_deg // 90)
    return dark_skin(camera.curve, moment, recorded, caution_stops)


def dark_skin(
    curve: LightCurve, moment: ExposureMoment, recorded: NDArray[np.uint8], caution_stops: float
) -> BoolArray | None:
    """Coarse pixels of the moment's layout that are skin whose noise is past the limit.

    Parameters
    ----------
    curve : LightCurve
    moment : ExposureMoment
    recorded : (H, W) uint8
        The moment's picture as recorded, grey.
    caution_stops : float
        From which noise on skin is dark.

    Returns
    -------
    (h, w) bool or None
        None where that cannot be told.
    """
    layout = moment.layout
    if layout is None or moment.noise is None or curve.light is None or caution_stops <= 0:
        return None
    level = _darkest_good_code(curve, moment.noise.code_sd, caution_stops)
    height, width = layout.places.shape
    crop = np.ascontiguousarray(recorded[layout.crop])
    coarse = cv2.resize(crop, (width, height), interpolation=cv2.INTER_AREA)
    # Not the lips: their rim lies over the dark of an open mouth.
    skin = (layout.places > 0) & (layout.places <= len(PLACES)) & (layout.places != _LIPS)
    mask = (skin & (np.asarray(coarse) < level)).astype(np.uint8)
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), dtype=np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    kept = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] >= _LEAST_DARK * skin.sum()]
    return np.isin(np.asarray(labels), kept)


def _darkest_good_code(curve: LightCurve, code_sd: float, caution_stops: float) -> float:
    """8-bit code value below which noise of this size is past the limit."""
    if curve.light is None:
        return 0.0
    bits = min(curve.bit_depth, 12)
    light = curve.light[:: 2 ** (curve.bit_depth - bits)]
    noise = code_sd * np.gradient(light)
    good = np.log2(1.0 + noise / np.maximum(light, 1e-9)) <= caution_stops
    bad = np.flatnonzero(~good)
    return float(bad[-1] + 1 if len(bad) else 0) / 2.0 ** (bits - 8)


def _figure(
    camera: CameraExposure,
    moment: ExposureMoment,
    frame: _Frame,
    picture: NDArray[np.uint8] | None,
    dark: BoolArray | None,
    salt: str,
) -> FaceMap:
    width, height = frame.size
    blown = moment.highlights.on_skin
    tones = _tones(camera.curve, moment)
    parts = [_paper(frame, None if picture is None else tones[picture]), _patterns(salt)]
    if dark is not None and dark.any():
        path = frame.path(outlines_px(dark, frame.layout))
        parts.append(
            f'<path d="{path}" fill="url(#{salt}dark)" stroke="#fff" stroke-width="1" stroke-dasharray="1 3"/>'
        )
    for highlight in blown:
        path = frame.path(_rounded(highlight, frame.layout))
        parts.append(f'<path d="{path}" fill="url(#{salt}blown)" stroke="#fff" stroke-width="3.2"/>')
        parts.append(f'<path d="{path}" fill="none" stroke="{ACCENT}" stroke-width="1.2"/>')
    numbered = blown[:_MOST_NUMBERED]
    parts += _tags(numbered, frame)
    caption, description = _words(camera, moment, numbered, dark)
    svg = (
        f'<svg viewBox="-1 -1 {width + 2} {height + 2}" role="img" aria-label="{Markup.escape(description)}">'
        f"{''.join(parts)}</svg>"
    )
    return FaceMap(
        camera=camera.name,
        label=moment.ref.label,
        svg=Markup(svg),  # made of numbers, and of the description escaped above
        caption=caption,
        description=description,
        shown=picture is not None,
    )


def _paper(frame: _Frame, picture: NDArray[np.uint8] | None) -> str:
    width, height = frame.size
    edge = f'<rect width="{width}" height="{height}" fill="none" stroke="{INK}"/>'
    if picture is None:
        layout = frame.layout
        outline = frame.path(outlines_px(layout.places > 0, layout))
        eyes = frame.path(outlines_px(layout.places > len(PLACES), layout))
        return (
            f'<rect width="{width}" height="{height}" fill="{_PAPER}"/>'
            f'<path d="{outline}" fill="#eeeeef" stroke="#6a6d72"/><path d="{eyes}" fill="#bbbdc0"/>{edge}'
        )
    cut = picture[frame.y0 : frame.y1, frame.x0 : frame.x1]
    if frame.scale < 1.0:
        cut = np.asarray(cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)
    return f'<image href="{jpeg_data_uri(cut)}" preserveAspectRatio="none" width="{width}" height="{height}"/>{edge}'


def _tones(curve: LightCurve, moment: ExposureMoment) -> NDArray[np.uint8]:
    """Grey to show for each 8-bit code value, (256,): linear pictures coded for the eye, dark skin lifted."""
    codes = np.arange(256.0)
    if curve.light is None:
        return codes.astype(np.uint8)
    light = np.interp(codes * 2.0 ** (curve.bit_depth - 8), np.arange(len(curve.light)), curve.light)
    lift = max(_SHOWN_LEVEL / max(moment.level or _SHOWN_LEVEL, 1e-4), 1.0)
    return np.asarray(np.rint(255.0 * np.clip(lift * light, 0.0, 1.0) ** (1.0 / 2.2)), dtype=np.uint8)


def _rounded(highlight: Highlight, layout: SkinLayout) -> FloatArray:
    """Outlines of a highlight with its gaps and teeth filled, for the eye only."""
    padded = np.pad(highlight.mask.astype(np.uint8), 3)
    disc = np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)), dtype=np.uint8)
    closed = np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disc), dtype=bool)
    x, y = highlight.corner
    return outlines_px(closed, layout, corner=(x - 3, y - 3))


def _patterns(salt: str) -> str:
    """Dots for blown, level lines for dark."""
    return (
        f'<defs><pattern id="{salt}blown" width="5" height="5" patternUnits="userSpaceOnUse">'
        f'<g fill="{ACCENT}"><circle cx="1.3" cy="1.3" r="0.9"/><circle cx="3.8" cy="3.8" r="0.9"/></g></pattern>'
        f'<pattern id="{salt}dark" width="8" height="7" patternUnits="userSpaceOnUse">'
        f'<path d="M0 3.5H8" stroke="#fff" stroke-width="0.9"/></pattern></defs>'
    )


def _tags(numbered: tuple[Highlight, ...], frame: _Frame) -> list[str]:
    """Numbers beside the areas, on the side where there is more room, apart from each other, with a line to each."""
    width, height = frame.size
    placed: list[FloatArray] = []
    out = []
    for number, highlight in enumerate(numbered, start=1):
        outline = frame.at(highlight.outlines_px(frame.layout))
        low, high = np.nanmin(outline, axis=0), np.nanmax(outline, axis=0)
        right = (low[0] + high[0]) / 2.0 >= width / 2.0
        at = np.array([high[0] + _TAG_AWAY if right else low[0] - _TAG_AWAY, (low[1] + high[1]) / 2.0])
        while any(np.hypot(*(at - other)) < _TAG_APART for other in placed):
            at = at + np.array([0.0, _TAG_APART / 2.0])
        at = np.clip(at, _TAG_RADIUS, np.array([width, height]) - _TAG_RADIUS)
        placed.append(at)
        known = outline[np.isfinite(outline[:, 0])]
        out.append(_tag(number, at, known[np.argmin(((known - at) ** 2).sum(axis=1))]))
    return out


def _tag(number: int, at: FloatArray, near: FloatArray) -> str:
    (x, y), (near_x, near_y) = at, near
    line = f'<path d="M{x:.1f} {y:.1f}L{near_x:.1f} {near_y:.1f}"'
    return (
        f'{line} stroke="#fff" stroke-width="3"/>{line} stroke="{INK}" stroke-width="1"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{_TAG_RADIUS}" fill="#fff" stroke="{INK}"/>'
        f'<text x="{x:.1f}" y="{y + 4.2:.1f}" text-anchor="middle" font-size="12" fill="{INK}">{number}</text>'
    )


def _words(
    camera: CameraExposure, moment: ExposureMoment, numbered: tuple[Highlight, ...], dark: BoolArray | None
) -> tuple[str, str]:
    """Caption and description."""
    share = moment.highlights.skin_px / max(moment.face_px, 1)
    rest = len(moment.highlights.on_skin) - len(numbered)
    places = ", ".join(f"{k} {each.place}" for k, each in enumerate(numbered, start=1))
    if numbered:
        more = f" and {rest} smaller" if rest > 0 else ""
        blown = f"Dotted: blown skin, {format_number(100 * share, 2)} % of it ({places}{more})."
    else:
        blown = "No skin is blown."
    if dark is None:
        shadow = "Dark parts are not drawn: noise against light is not known here."
    elif dark.any():
        shadow = "Level lines: skin so dark that noise is past the limit."
    else:
        shadow = "No skin is so dark that noise is past the limit."
    lifted = camera.curve.light is not None and (moment.level or _SHOWN_LEVEL) < 0.5 * _SHOWN_LEVEL
    shown = " The picture is shown lifted." if lifted else ""
    caption = f"{blown} {shadow}{shown} The performer's right is on the picture's left."
    return caption, f"Upright face in camera {camera.name}. {blown} {shadow}"
