"""Numbers are rounded as their sigma allows, and nothing is claimed beyond it."""

import pytest

from rigcheck.model import Estimate
from rigcheck.report.numbers import (
    format_estimate,
    format_number,
    format_sigma,
    format_value,
    keep_numbers_whole,
)


def plain(text):
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("value", "sigma", "unit", "expected"),
    [
        # JCGM 100:2008 (GUM), 7.2.6: y = 10.057 62 ohm with u = 27 milliohm is written 10.058 ohm.
        (10.05762, 0.027, "Ω", "10.058 ± 0.027 Ω"),
        # The same, 7.2.2: m = 100.021 47 g with u = 0.35 mg (all digits kept at two digits of u).
        (100.02147, 0.00035, "g", "100.02147 ± 0.00035 g"),
        (72.00392, 0.01183, "mm", "72.004 ± 0.012 mm"),
        (-0.11842, 0.00041, "", "−0.11842 ± 0.00041"),
        (1234.5, 123.0, "px", "1230 ± 120 px"),
        (1.0, 0.0996, "mm", "1.00 ± 0.10 mm"),
        (9.996, 0.1, "mm", "10.00 ± 0.10 mm"),
        (-0.0004, 0.012, "mm", "0.000 ± 0.012 mm"),
        (0.0, 0.5, "deg", "0.00 ± 0.50°"),
        (3.1e-7, 1.8e-8, "", "(3.10 ± 0.18) × 10⁻⁷"),
        (1.2e-8, 3.4e-7, "", "(0.1 ± 3.4) × 10⁻⁷"),
        (0.5, 2.0e-7, "", "0.50000000 ± 0.00000020"),
        (71.2, None, "percent", "71.2 %"),
        (21.0, 0.0, "deg", "21°"),
        (1.00013, 0.00021, "1", "1.00013 ± 0.00021"),
    ],
)
def test_value_and_sigma(value, sigma, unit, expected):
    assert plain(format_value(value, sigma, unit)) == expected


@pytest.mark.parametrize("exponent", range(-9, 6))
def test_reading_it_back_is_within_half_of_the_last_digit(exponent, rng):
    generator = rng(3, exponent + 9)
    for value, scatter in generator.uniform(1, 10, (20, 2)):
        sigma = scatter * 10.0**exponent
        text = plain(format_value(value, sigma))
        assert "×" not in text, "the value is of order one, so no power of ten is needed"
        read, read_sigma = (float(part.replace("−", "-")) for part in text.split(" ± "))
        last = 10.0 ** (exponent - 1)
        assert abs(read_sigma - sigma) <= 0.5001 * last * 10, (
            "two digits of sigma, one when it rounds up a decade"
        )
        assert abs(read - value) <= 0.5001 * last * 10, "the value to the same decimal"


@pytest.mark.parametrize(("value", "sigma"), [(float("nan"), 0.1), (1.0, float("inf")), (1.0, -0.1)])
def test_numbers_that_are_none_are_refused(value, sigma):
    with pytest.raises(ValueError, match="finite numbers needed"):
        format_value(value, sigma)


@pytest.mark.parametrize(
    ("value", "digits", "expected"),
    [
        (0.0730519, 3, "0.0731"),
        (60.0, 3, "60"),
        (1438.4, 3, "1438"),
        (4026.0, 3, "4026"),
        (410123.4, 2, "4.1 × 10⁵"),
        (1e10, 3, "1 × 10¹⁰"),
        (0.000012345, 3, "1.23 × 10⁻⁵"),
        (0.25, 6, "0.25"),
        (59.94006, 6, "59.9401"),
        (float("inf"), 3, "not finite"),
    ],
)
def test_without_sigma_few_digits(value, digits, expected):
    assert plain(format_number(value, digits)) == expected


def test_numbers_stay_with_their_signs_and_units():
    kept = keep_numbers_whole("≤ 0.3 px, fail > 1 px; camera1 3.7 %. Film 6 more views to 230 mm.")
    expected = "≤_0.3_px, fail >_1_px; camera1 3.7_%. Film 6_more views to 230_mm."
    assert kept == expected.replace("_", "\u00a0")


def test_a_sigma_alone_keeps_two_digits():
    assert plain(format_sigma(0.0008, "mm")) == "0.00080 mm"
    assert plain(format_sigma(14.4, "px")) == "14 px"


def test_a_missing_number_says_why():
    assert (
        format_estimate(Estimate(value=None, unit="ms", reason="the board stood still"))
        == "the board stood still"
    )
