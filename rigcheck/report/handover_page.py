"""The page that says what the numbers, files and maps of a handover mean."""

from rigcheck.report.page import page_environment

__all__ = ["conventions_page"]


def conventions_page() -> str:
    """Write the page; it is the same in every handover."""
    return page_environment().get_template("conventions.html.j2").render()
