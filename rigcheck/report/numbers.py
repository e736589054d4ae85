"""Numbers for people: a value with its sigma, rounded as honestly as the sigma allows."""

import math
import re

from rigcheck.model import Estimate

__all__ = [
    "NO_BREAK",
    "format_estimate",
    "format_number",
    "format_sigma",
    "format_value",
    "join_unit",
    "keep_numbers_whole",
]

NO_BREAK = "\u00a0"
_MINUS = "\u2212"
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_LARGEST_WHOLE = 1e7
_LOOSE_SPACE = re.compile(r"(?<=[≤≥<>±]) |(?<=\d) (?=[^\s,;\d][^\s,;]{0,3}(?:[\s,;]|$))")
_UNIT_SIGNS = {"deg": "°", "percent": "%"}


def format_value(value: float, sigma: float | None = None, unit: str = "") -> str:
    """Write a value, its sigma and its unit, such as ``72.004 ± 0.012 mm``.

    Parameters
    ----------
    value : float
    sigma : float, optional
        Standard uncertainty in the same unit; None or 0 when none is known.
    unit : str
        Unit as a person reads it; ``deg`` becomes the degree sign.

    Returns
    -------
    str
        Two significant digits of sigma, and the value to the same decimal. Without sigma three
        significant digits, so that no precision is claimed that was not measured. Spaces inside do not break.

    Raises
    ------
    ValueError
        When a number is not finite, or sigma is negative.

    Notes
    -----
    Below 0.0001 a power of ten is written once for both. A sigma that rounds to more digits
    (0.0996) is written as what it rounds to (0.10).

    References
    ----------
    JCGM 100:2008 (GUM), 7.2.6: at most two significant digits of the uncertainty.
    """
    if not math.isfinite(value) or (sigma is not None and not (math.isfinite(sigma) and sigma >= 0)):
        raise ValueError(f"value {value} with sigma {sigma}: finite numbers needed, sigma not negative")
    if not sigma:
        return join_unit(format_number(value), unit)
    exponent = int(f"{sigma:.1e}".split("e")[1])
    if exponent < -5:
        return join_unit(_with_power(value, sigma, exponent), unit)
    decimals = 1 - exponent
    number = f"{_fixed(value, decimals)}{NO_BREAK}±{NO_BREAK}{_fixed(sigma, decimals)}"
    return join_unit(number, unit)


def format_number(value: float, digits: int = 3) -> str:
    """Write a number whose sigma is unknown to `digits` significant digits, without a unit.

    Whole numbers and digits before the decimal point are kept, trailing zeros are dropped, and a number
    that is not finite is said to be so. A power of ten is used below 0.0001 and from 100 000 on.
    """
    if not math.isfinite(value):
        return "not finite"
    if value == int(value) and abs(value) < _LARGEST_WHOLE:
        return _fixed(value, 0)
    exponent = int(f"{abs(value):.{digits - 1}e}".split("e")[1])
    if exponent < -4 or exponent >= max(digits, 5):
        mantissa = _fixed(value / 10.0**exponent, digits - 1)
        mantissa = mantissa.rstrip("0").rstrip(".") if "." in mantissa else mantissa
        return f"{mantissa}{NO_BREAK}×{NO_BREAK}10{str(exponent).translate(_SUPERSCRIPTS)}"
    text = _fixed(value, max(digits - 1 - exponent, 0))
    return text.rstrip("0").rstrip(".") if "." in text else text


def format_sigma(sigma: float, unit: str = "") -> str:
    """Write a standard uncertainty by itself, to two significant digits."""
    exponent = int(f"{sigma:.1e}".split("e")[1])
    number = format_number(sigma, 2) if sigma == 0 or exponent < -5 else _fixed(sigma, 1 - exponent)
    return join_unit(number, unit)


def format_estimate(estimate: Estimate) -> str:
    """Write an estimate, or the reason why there is no number."""
    if estimate.value is None:
        return estimate.reason
    return format_value(estimate.value, estimate.sigma, estimate.unit)


def keep_numbers_whole(text: str) -> str:
    """Put unbreakable spaces between a sign or a number and the number or short unit that follows it."""
    return _LOOSE_SPACE.sub(NO_BREAK, text)


def _fixed(value: float, decimals: int) -> str:
    """Round to `decimals` places (negative: tens, hundreds), with a proper minus and no minus zero."""
    text = f"{value:.{decimals}f}" if decimals >= 0 else f"{round(value, decimals):.0f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", _MINUS)


def _with_power(value: float, sigma: float, exponent: int) -> str:
    """Write both numbers before one power of ten, that of the larger one."""
    power = max(exponent, math.floor(math.log10(abs(value))) if value else exponent)
    if power >= -4:
        return f"{_fixed(value, 1 - exponent)}{NO_BREAK}±{NO_BREAK}{_fixed(sigma, 1 - exponent)}"
    scale, decimals = 10.0**power, 1 - exponent + power
    both = f"({_fixed(value / scale, decimals)}{NO_BREAK}±{NO_BREAK}{_fixed(sigma / scale, decimals)})"
    return f"{both}{NO_BREAK}×{NO_BREAK}10{str(power).translate(_SUPERSCRIPTS)}"


def join_unit(number: str, unit: str) -> str:
    """A number with its unit as a person reads it, unbroken; the degree sign stands close."""
    sign = _UNIT_SIGNS.get(unit, unit)
    if not sign or sign == "1":
        return number
    return f"{number}{sign}" if sign == "°" else f"{number}{NO_BREAK}{sign}"
