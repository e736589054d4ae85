"""What every HTML page shares: escaping, filters, the parts made from a Report alone."""

from collections.abc import Mapping

from jinja2 import Environment, PackageLoader, StrictUndefined

from rigcheck.model import Report
from rigcheck.report.numbers import format_estimate, format_number, join_unit, keep_numbers_whole
from rigcheck.report.rejections import group_rejections
from rigcheck.report.verdict import MARKS, STATUS_WORDS, actions_first, count_sentence, verdict_sentence

__all__ = ["page_environment", "report_parts"]

_MOST_INPUTS = 12


def page_environment() -> Environment:
    """Jinja2 with autoescape, strict about missing names, and the filters the templates use.

    Templates extend ``page.html.j2`` (head, Content-Security-Policy, verdict, what to do first, cautions) and
    include ``checks.html.j2``, ``left_out.html.j2`` and ``origin.html.j2``.
    """
    environment = Environment(
        loader=PackageLoader("rigcheck.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "estimate": format_estimate,
        "number": format_number,
        "option": _option_text,
        "unit": join_unit,
        "whole": keep_numbers_whole,
    }
    environment.globals |= {"status_words": STATUS_WORDS, "marks": MARKS}
    return environment


def report_parts(report: Report) -> dict[str, object]:
    """Values of the shared templates: verdict, what to do, notes, rejections, measurements, origin."""
    inputs = tuple(report.provenance.inputs_sha256.items())
    return {
        "report": report,
        "sentence": verdict_sentence(report),
        "counts": count_sentence(report.checks),
        "todo": actions_first(report.checks),
        "notes": report.notes,
        "rejections": group_rejections(report.rejected),
        "n_rejected": len(report.rejected),
        "measurements": tuple(report.measurements.items()),
        "inputs": inputs[:_MOST_INPUTS],
        "n_inputs": len(inputs),
    }


def _option_text(value: object) -> str:
    """Write an option as a person would: yes, no, not given, a list with commas."""
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping):
        return ", ".join(f"{name}: {_option_text(one)}" for name, one in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_option_text(one) for one in value)
    return str(value)
