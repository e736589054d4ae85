"""Files of marked points: where a person sees points of the face on one picture."""

import itertools
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from rigcheck.model import FACE_POINTS, FrameRef, MarkedPoints
from rigcheck.records.document import Document
from rigcheck.records.headers import POINTS_FORMAT, VERSION, require_kind
from rigcheck.records.validation import CameraName, Format, Positive, nearest, validated
from rigcheck.records.yaml_reading import read_yaml

__all__ = ["PointsFormat", "points_template", "read_points"]

# How surely a person marks a soft point of the face, in shares of the picture's longer side: an assumption.
_MARKING_SHARE = 0.004

_Pixel = Annotated[list[float], Field(min_length=2, max_length=2)]

_WHERE = {
    "subnasale": "middle, where the nose meets the upper lip",
    "nose_tip": "tip of the nose",
    "alar_base_right": "where the performer's right wing of the nose meets the lip",
    "alar_base_left": "where the left wing meets the lip",
    "wing_right": "outermost point of the right wing",
    "wing_left": "outermost point of the left wing",
    "mouth_corner_right": "right corner of the mouth",
    "mouth_corner_left": "left corner",
    "upper_lip_inner": "middle of the upper lip, at the seam",
    "lower_lip_inner": "middle of the lower lip, at the seam",
    "chin": "lowest point of the chin",
    "eye_outer_right": "outer corner of the right eye",
    "eye_inner_right": "inner corner of the right eye",
    "eye_inner_left": "inner corner of the left eye",
    "eye_outer_left": "outer corner of the left eye",
    "iris_right": "centre of the right iris",
    "iris_left": "centre of the left iris",
}
# Seen from the front and not mirrored, going from the first to the second and then to the third turns
# clockwise however the camera is mounted.
_CLOCKWISE = (
    *itertools.product(
        (
            ("eye_outer_right", "eye_outer_left"),
            ("eye_inner_right", "eye_inner_left"),
            ("iris_right", "iris_left"),
        ),
        ("chin", "lower_lip_inner", "upper_lip_inner", "subnasale"),
    ),
    *itertools.product(
        (("alar_base_right", "alar_base_left"), ("mouth_corner_right", "mouth_corner_left")), ("chin",)
    ),
)


class PointsFormat(Format):
    """Points of the face marked on one picture; x right and y down, px, (0, 0) the centre of the first pixel."""

    format: Literal["rigcheck-points"]
    version: Literal[1]
    camera: CameraName
    frame: Annotated[int, Field(ge=0)]
    image_size_px: Annotated[list[Annotated[int, Field(ge=1)]], Field(min_length=2, max_length=2)]
    sigma_px: Positive | None = None
    points: Annotated[dict[str, _Pixel], Field(min_length=1)]


def read_points(path: str | Path) -> MarkedPoints:
    """Read a file of marked points.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    MarkedPoints
        `sigma_px` is 0.4 % of the picture's longer side, 1 px at least, where the file does not say.

    Raises
    ------
    InputError
        When the file cannot be read.
    SchemaError
        When a name is not known, a point lies outside the picture, two are the same, or right and left are
        exchanged.
    """
    document = read_yaml(Path(path), "a file of marked points")
    require_kind(document, "points")
    content = validated(document, PointsFormat)
    _check_names(content, document)
    _check_places(content, document)
    _check_sides(content, document)
    width, height = content.image_size_px
    return MarkedPoints(
        camera=content.camera,
        frame_idx=content.frame,
        image_size_px=(width, height),
        points_px={name: (x, y) for name, (x, y) in content.points.items()},
        sigma_px=content.sigma_px or max(1.0, _MARKING_SHARE * max(width, height)),
    )


def points_template(ref: FrameRef, image_size_px: tuple[int, int]) -> str:
    """Text of a file for a person to fill in.

    Parameters
    ----------
    ref : FrameRef
        The picture to mark.
    image_size_px : (width, height) as recorded
    """
    lines = [
        f"# Points of the face on frame {ref.frame_idx} of camera {ref.camera!r}. Open the saved picture in any viewer",
        "# that shows pixel coordinates and read off x (to the right) and y (down) of the picture as recorded, not",
        "# turned. Right and left are the performer's own. Write what you see and take the '#' before it away;",
        "# leave out what you do not see. The nose, both eyes and the chin are worth most.",
        f"format: {POINTS_FORMAT}",
        f"version: {VERSION}",
        f'camera: "{ref.camera}"',
        f"frame: {ref.frame_idx}",
        f"image_size_px: [{image_size_px[0]}, {image_size_px[1]}]",
        "points:",
        *(f"#  {name}: [x, y]".ljust(32) + f"# {where}" for name, where in _WHERE.items()),
    ]
    return "\n".join(lines) + "\n"


def _check_names(content: PointsFormat, document: Document) -> None:
    for name in content.points:
        if name not in FACE_POINTS:
            near = nearest(name, FACE_POINTS)
            hint = f"did you mean {near!r}?" if near else f"known: {', '.join(FACE_POINTS)}."
            raise document.error(("points", name), "a point of this name is not known", hint=hint)


def _check_places(content: PointsFormat, document: Document) -> None:
    width, height = content.image_size_px
    seen: dict[tuple[float, float], str] = {}
    for name, (x, y) in content.points.items():
        if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
            raise document.error(
                ("points", name),
                f"[{x:g}, {y:g}] found, a point inside {width} × {height} needed",
                hint="coordinates are x, y of the picture as recorded; check image_size_px too.",
            )
        if (x, y) in seen:
            raise document.error(
                ("points", name),
                f"[{x:g}, {y:g}] found, which {seen[x, y]!r} has too",
                hint="mark each where it is.",
            )
        seen[x, y] = name


def _check_sides(content: PointsFormat, document: Document) -> None:
    points = content.points
    for (right, left), below in _CLOCKWISE:
        if not {right, left, below} <= points.keys():
            continue
        (xr, yr), (xl, yl), (xb, yb) = points[right], points[left], points[below]
        if (xl - xr) * (yb - yr) - (yl - yr) * (xb - xr) <= 0:
            raise document.error(
                ("points", right),
                f"{right!r} and {left!r} lie the wrong way round for {below!r}",
                hint="right and left are the performer's own: seen from the front, right is on your left. "
                "Exchange them, or record without mirroring.",
            )
