"""The demo day's one page: every report in the order of the day, what was planted and what was found."""

from collections.abc import Sequence
from dataclasses import dataclass

from rigcheck.model import Report
from rigcheck.report.page import page_environment

__all__ = ["ShownPlant", "ShownStep", "ShownTruth", "demo_page", "demo_sentence"]


@dataclass(frozen=True, kw_only=True)
class ShownPlant:
    """Something planted, what the report says of it, and whether that is right."""

    what: str
    found: str
    right: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class ShownStep:
    """A step of the day: `page` is its page, relative to the demo's folder; `report` None where nothing is judged."""

    title: str
    command: str
    page: str
    report: Report | None
    planted: tuple[ShownPlant, ...]


@dataclass(frozen=True, kw_only=True)
class ShownTruth:
    """A number of the morning's calibration beside its truth, as text."""

    name: str
    estimate: str
    truth: str
    error_in_sigmas: float | None


def demo_sentence(steps: Sequence[ShownStep]) -> str:
    """Say plainly whether all that was planted was found."""
    planted = [plant for step in steps for plant in step.planted]
    wrong = [plant for plant in planted if not plant.right]
    if not wrong:
        return f"All {len(planted)} things planted, faults and faultless steps alike, were told as they are."
    return f"{len(wrong)} of {len(planted)} things planted were not told as they are."


def demo_page(steps: Sequence[ShownStep], truth: Sequence[ShownTruth], *, seed: int) -> str:
    """Write the page.

    Parameters
    ----------
    steps : sequence of ShownStep
        In the order of the day.
    truth : sequence of ShownTruth
        Of the morning's calibration.
    seed : int
        That the day was made from.
    """
    wrong = [(step, plant) for step in steps for plant in step.planted if not plant.right]
    return (
        page_environment()
        .get_template("demo.html.j2")
        .render(steps=steps, truth=truth, seed=seed, sentence=demo_sentence(steps), wrong=wrong)
    )
