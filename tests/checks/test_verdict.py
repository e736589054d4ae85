"""The rule that compares a number with its limits, over the whole range of numbers."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigcheck.checks import Band, exit_code, judge, overall_verdict
from rigcheck.model import CheckResult, Estimate

ORDER = ("pass", "caution", "inconclusive", "fail")

numbers = st.floats(min_value=-1e6, max_value=1e6)
sigmas = st.none() | st.floats(min_value=0, max_value=1e6)


@st.composite
def bands(draw):
    worse = draw(st.sampled_from(["above", "below"]))
    mild, harsh = sorted([draw(numbers), draw(numbers)], reverse=worse == "below")
    which = draw(st.sampled_from(["both", "caution", "fail"]))
    return Band(
        caution=None if which == "fail" else mild, fail=None if which == "caution" else harsh, worse=worse
    )


@pytest.mark.parametrize(
    ("value", "sigma", "status"),
    [
        (0.05, None, "pass"),
        (0.10, None, "pass"),
        (0.100001, None, "caution"),
        (0.25, None, "caution"),
        (0.250001, None, "fail"),
        (0.05, 0.02, "pass"),
        (0.05, 0.03, "caution"),
        (0.15, 0.04, "caution"),
        (0.15, 0.06, "inconclusive"),
        (0.05, 0.2, "inconclusive"),
        (0.30, 0.04, "inconclusive"),
        (0.30, 0.02, "fail"),
        (0.30, 0.0, "fail"),
    ],
)
def test_rule_by_hand(value, sigma, status):
    """Caution from 0.10, fail from 0.25, interval of two sigma either way (GUM, coverage factor 2)."""
    assert judge(Estimate(value=value, sigma=sigma), Band(caution=0.10, fail=0.25)) == status


@pytest.mark.parametrize(
    ("value", "status"), [(15.0, "pass"), (10.0, "pass"), (9.9, "caution"), (2.5, "caution"), (2.4, "fail")]
)
def test_rule_where_less_is_worse(value, status):
    assert judge(Estimate(value=value), Band(caution=10.0, fail=2.5, worse="below")) == status


def test_no_value_is_skipped():
    assert judge(Estimate(value=None, reason="not seen"), Band(caution=1, fail=2)) == "skipped"


@given(numbers, numbers, sigmas, bands())
def test_a_worse_value_never_gets_a_better_status(first, second, sigma, band):
    better, worse = sorted([first, second], reverse=band.worse == "below")
    statuses = [judge(Estimate(value=value, sigma=sigma), band) for value in (better, worse)]
    assert ORDER.index(statuses[0]) <= ORDER.index(statuses[1])


@given(numbers, st.floats(0, 1e6), st.floats(0, 1e6), bands())
def test_less_certainty_never_makes_a_pass_or_a_fail(value, first, second, band):
    small, large = sorted([first, second])
    certain, doubtful = (judge(Estimate(value=value, sigma=sigma), band) for sigma in (small, large))
    if doubtful in ("pass", "fail"):
        assert certain == doubtful


@given(numbers, bands())
def test_without_sigma_nothing_is_inconclusive(value, band):
    bare = judge(Estimate(value=value), band)
    assert bare != "inconclusive"
    assert bare == judge(Estimate(value=value, sigma=0.0), band)


@given(numbers, sigmas, bands())
def test_above_and_below_are_mirror_images(value, sigma, band):
    mirrored = Band(
        caution=None if band.caution is None else -band.caution,
        fail=None if band.fail is None else -band.fail,
        worse="below" if band.worse == "above" else "above",
    )
    assert judge(Estimate(value=value, sigma=sigma), band) == judge(
        Estimate(value=-value, sigma=sigma), mirrored
    )


@given(numbers, sigmas, bands())
def test_each_status_means_what_is_said(value, sigma, band):
    """Against an independent wording of the rule, in terms of the interval's two ends."""
    status = judge(Estimate(value=value, sigma=sigma), band)
    ends = [value - 2 * (sigma or 0.0), value + 2 * (sigma or 0.0)]

    def past(end, limit):
        return limit is not None and (end > limit if band.worse == "above" else end < limit)

    past_fail = [past(end, band.fail) for end in ends]
    past_caution = [past(end, band.caution) for end in ends]
    assert (status == "fail") == all(past_fail)
    assert (status == "inconclusive") == (any(past_fail) and not all(past_fail))
    assert (status == "pass") == (not any(past_fail) and not any(past_caution))


def test_band_refuses_limits_in_the_wrong_order():
    with pytest.raises(ValueError, match="milder"):
        Band(caution=0.25, fail=0.10)
    with pytest.raises(ValueError, match="milder"):
        Band(caution=1.0, fail=2.0, worse="below")
    with pytest.raises(ValueError, match="needed"):
        Band(caution=None, fail=None)


@pytest.mark.parametrize(
    ("band", "text"),
    [
        (Band(caution=0.1, fail=0.25, unit="mm"), "≤ 0.1 mm, fail > 0.25 mm"),
        (Band(caution=0.6, fail=None, worse="below"), "≥ 0.6"),
        (Band(caution=None, fail=3, unit="deg"), "≤ 3°"),
    ],
)
def test_band_in_words(band, text):
    assert band.text == text


def result(status, required=True):
    return CheckResult(
        code="TST01",
        title="t",
        status=status,
        estimate=Estimate(value=1.0),
        limit="",
        message="m",
        action="a",
        required=required,
    )


@pytest.mark.parametrize(
    ("statuses", "verdict", "code"),
    [
        ([], "inconclusive", 5),
        ([("skipped", False)], "inconclusive", 5),
        ([("pass", True)], "pass", 0),
        ([("pass", True), ("skipped", False)], "pass", 0),
        ([("pass", True), ("skipped", True)], "inconclusive", 5),
        ([("pass", True), ("caution", True)], "caution", 0),
        ([("pass", True), ("inconclusive", False)], "caution", 0),
        ([("inconclusive", False)], "inconclusive", 5),
        ([("caution", True), ("inconclusive", True)], "inconclusive", 5),
        ([("inconclusive", True), ("fail", False)], "fail", 4),
        ([("fail", True), ("skipped", True), ("pass", True)], "fail", 4),
    ],
)
def test_overall_verdict(statuses, verdict, code):
    for shuffled in itertools.permutations(statuses):
        assert overall_verdict(result(*each) for each in shuffled) == verdict
    assert exit_code(verdict) == code
