"""How a face went through a clip, drawn as strips over time with the picks marked; readable without colour."""

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from rigcheck.face.picks_run import ClipCourse
from rigcheck.model._arrays import FloatArray
from rigcheck.report.figures import ACCENT, GREYS, INK, figure_of, to_svg

__all__ = ["STRIPS", "course_figure"]

# Number of the first look, words beside its strip, and what it is divided by to be shown.
STRIPS = (
    ("lids", "lids open", 0.01),
    ("seam_open", "lips apart", 1.0 / 87.8),
    ("teeth", "teeth seen", 1.0 / 87.8),
    ("moved", "movement", 1.0),
)
_UNITS = {"lids": "%", "seam_open": "mm", "teeth": "mm", "moved": ""}
_LEAST_SPAN = {"lids": 60.0, "seam_open": 1.0, "teeth": 2.0, "moved": 0.3}


def course_figure(course: ClipCourse, marks: Sequence[tuple[float, str]], *, salt: str) -> Markup | None:
    """Draw the strips.

    Parameters
    ----------
    course : ClipCourse
    marks : sequence of (time s, letter)
        Moments chosen; "N", "B", "S" and a number, made by us.
    salt : str
        Different for each figure of a page.

    Returns
    -------
    Markup or None
        None where fewer than two moments were looked at.
    """
    if len(course.times_s) < 2:
        return None
    times = course.times_s - course.times_s[0]
    with figure_of(9.6, 4.2, salt=salt) as figure:
        axes = figure.subplots(len(STRIPS), 1, sharex=True)
        for place, (axis, (name, words, step)) in enumerate(zip(axes, STRIPS, strict=True)):
            values = course.numbers[name] / step
            axis.plot(times, values, color=INK, linewidth=0.9)
            low, high = _span(values, _LEAST_SPAN[name])
            axis.set_ylim(low, high)
            axis.set_ylabel(
                f"{words}\n({_UNITS[name]})" if _UNITS[name] else words, rotation=0, ha="right", va="center"
            )
            axis.locator_params(axis="y", nbins=3)
            axis.grid(axis="y", color=GREYS[1], linewidth=0.6)
            axis.spines[["top", "right"]].set_visible(False)
            for time, letter in marks:
                at = time - course.times_s[0]
                axis.axvline(at, color=ACCENT, linewidth=1.3, linestyle=(0, (4, 2)))
                if place == 0:
                    axis.annotate(
                        letter,
                        (at, high),
                        ha="center",
                        va="bottom",
                        fontsize=9,
                        annotation_clip=False,
                        color=INK,
                    )
        axes[-1].set_xlabel("seconds from the first picture")
        axes[-1].set_xlim(0.0, max(float(times[-1]), 1e-6))
        return to_svg(figure)


def _span(values: FloatArray, least: float) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    if not len(known):
        return 0.0, least
    low, high = min(float(known.min()), 0.0), float(known.max())
    return low, max(high + 0.08 * (high - low), low + least)
