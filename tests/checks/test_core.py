"""Running checks: order, what a failure blocks, and mistakes in the list."""

import pytest

from rigcheck.checks import Check, Outcome, run_checks
from rigcheck.model import Estimate


def check(code, status="pass", requires=(), ran=None, **fields):
    def measure(evidence, limits):
        if ran is not None:
            ran.append(code)
        return Outcome(
            status=status,
            estimate=Estimate(value=1.0),
            limit="",
            message="m",
            action=fields.get("action", "do this"),
        )

    return Check(
        code=code, title=f"title {code}", meaning="", remedy="", limit="", measure=measure, requires=requires
    )


def statuses(results):
    return {found.code: found.status for found in results}


def test_requirements_run_first_and_results_keep_the_given_order(limits):
    ran = []
    checks = [
        check("A03", requires=("A02",), ran=ran),
        check("A02", requires=("A01",), ran=ran),
        check("A01", ran=ran),
    ]
    results = run_checks(checks, None, limits)
    assert ran == ["A01", "A02", "A03"]
    assert [found.code for found in results] == ["A03", "A02", "A01"]


def test_failure_blocks_everything_behind_it_and_names_the_cause(limits):
    ran = []
    checks = [
        check("A01", "fail", ran=ran),
        check("A02", requires=("A01",), ran=ran),
        check("A03", requires=("A02",), ran=ran),
        check("A04", ran=ran),
    ]
    results = run_checks(checks, None, limits)
    assert statuses(results) == {"A01": "fail", "A02": "skipped", "A03": "skipped", "A04": "pass"}
    assert ran == ["A01", "A04"]
    assert all("A01 (title A01) failed" in found.message for found in results[1:3])


@pytest.mark.parametrize("status", ["caution", "inconclusive", "skipped"])
def test_only_a_failure_blocks(limits, status):
    results = run_checks([check("A01", status), check("A02", requires=("A01",))], None, limits)
    assert statuses(results)["A02"] == "pass"


@pytest.mark.parametrize(
    ("checks", "problem"),
    [
        ([check("A01", requires=("A0l",))], "unknown code required: A0l"),
        ([check("A01"), check("A01")], "appears twice"),
        ([check("A01", requires=("A02",)), check("A02", requires=("A01",))], "circle"),
        ([check("A01", requires=("A01",))], "circle"),
    ],
)
def test_mistakes_in_the_list_are_not_passed_over(checks, problem, limits):
    with pytest.raises(ValueError, match=problem):
        run_checks(checks, None, limits)


@pytest.mark.parametrize("status", ["caution", "fail", "inconclusive", "skipped"])
def test_bad_news_without_advice_is_a_mistake(status, limits):
    with pytest.raises(ValueError, match="without an action"):
        run_checks([check("A01", status, action="")], None, limits)


@pytest.mark.parametrize(
    ("said", "written"),
    [
        ("lower -6.3 ± 2.9 %, across +0.2 deg", "lower −6.3 ± 2.9 %, across +0.2°"),
        ("-0.000 ± 0.001 mm and +0.0, 85% and 83 %", "0.000 ± 0.001 mm and 0.0, 85 % and 83 %"),
        ("2026-11-29, take-8, 10-20 mm, 30-45 degrees", "2026-11-29, take-8, 10-20 mm, 30-45 degrees"),
        ("pair with --offset-frames -2", "pair with --offset-frames -2"),
    ],
)
def test_sentences_write_numbers_as_tables_do(said, written):
    """Minus sign U+2212; no space before the sign of an angle's degree (SI brochure, 5.4.3, from memory)."""
    outcome = Outcome(status="pass", estimate=Estimate(value=1.0), limit="", message=said)
    check = Check(code="CAL01", title="t", meaning="m", remedy="r", limit="", measure=lambda *_: outcome)
    assert check.run(None, None).message == written
