"""One table of thresholds; a rig file may change values, never invent names."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigcheck.checks import LIMITS, Limits, effective_limits
from rigcheck.errors import ConfigError

NAMES = [limit.name for limit in LIMITS]


def test_names_are_unique_and_every_limit_says_where_it_comes_from():
    assert len(set(NAMES)) == len(NAMES)
    assert all(limit.source and limit.value >= 0 and "." in limit.name for limit in LIMITS)


def test_limits_of_one_quantity_agree_in_unit_and_direction():
    for limit in LIMITS:
        same = [other for other in LIMITS if other.quantity == limit.quantity]
        assert len({(other.unit, other.worse) for other in same}) == 1


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("harm.depth_mm.caution", 0.10),
        ("harm.depth_mm.fail", 0.25),
        ("reprojection.rms_px.caution", 0.3),
        ("reprojection.rms_px.search", 0.5),
        ("reprojection.rms_px.fail", 1.0),
        ("epipolar.rms_px.caution", 0.3),
        ("held_out.ratio.caution", 1.2),
    ],
)
def test_values_of_common_practice(name, value):
    """Common practice, no published source: steps of 0.3, 0.5 and 1 px, ratio 1.2, 0.1 and 0.25 mm."""
    assert Limits(effective_limits())[name].value == value


def test_override_keeps_track_of_who_set_it():
    limits = Limits(effective_limits({"harm.depth_mm.caution": 0.05}, origin="rig.yaml"))
    assert (limits["harm.depth_mm.caution"].value, limits["harm.depth_mm.caution"].origin) == (
        0.05,
        "rig.yaml",
    )
    assert limits["harm.depth_mm.fail"].origin == "default"
    assert limits.band("harm.depth_mm").caution == 0.05


def test_near_miss_is_suggested():
    with pytest.raises(ConfigError, match=r"unknown limit 'harm\.dept_mm\.caution'") as caught:
        effective_limits({"harm.dept_mm.caution": 0.05}, origin="rig.yaml")
    assert "'harm.depth_mm.caution'" in caught.value.hint
    assert caught.value.message.startswith("rig.yaml")


@pytest.mark.parametrize("value", [-0.1, math.nan, math.inf, "0.1", True, None, [1]])
def test_unusable_values(value):
    with pytest.raises(ConfigError, match="a number of at least 0 needed"):
        effective_limits({"harm.depth_mm.caution": value}, origin="rig.yaml")


@pytest.mark.parametrize(
    "overrides",
    [
        {"harm.depth_mm.caution": 0.3},
        {"harm.depth_mm.fail": 0.05},
        {"tilt.spread_deg.fail": 12.0},
        {"reprojection.rms_px.search": 2.0},
    ],
)
def test_wrong_order_is_refused(overrides):
    with pytest.raises(ConfigError, match="milder"):
        effective_limits(overrides, origin="rig.yaml")


@given(st.dictionaries(st.sampled_from(NAMES), st.floats(min_value=0, max_value=1e9), max_size=4))
def test_any_override_gives_usable_bands_or_a_clear_error(overrides):
    problem = ""
    try:
        limits = Limits(effective_limits(overrides, origin="rig.yaml"))
    except ConfigError as error:
        problem = error.message
    if problem:
        assert "milder" in problem
        return
    assert all(limits[name].value == value for name, value in overrides.items())
    for quantity in {limit.quantity for limit in LIMITS}:
        limits.band(quantity)


def test_unknown_quantity_is_a_programming_error():
    with pytest.raises(KeyError):
        Limits(effective_limits()).band("harm")
    assert len(Limits(effective_limits())) == len(list(Limits(effective_limits()))) == len(LIMITS)


@pytest.mark.parametrize("quantity", ["framing.look_up_deg", "exposure.side_ratio_stops"])
def test_one_camera_may_have_a_limit_of_its_own(quantity):
    own = effective_limits({f"upper.{quantity}.caution": 0.2}, origin="rig.yaml", cameras=["upper", "lower"])
    limits = Limits(own)
    assert limits.band(quantity, camera="upper").caution == 0.2
    assert limits.band(quantity, camera="lower").caution == limits.band(quantity).caution != 0.2


@pytest.mark.parametrize("name", ["middle.exposure.side_ratio_stops.caution", "upper.harm.depth_mm.caution"])
def test_a_camera_that_is_not_there_or_a_limit_of_the_pair_is_refused(name):
    with pytest.raises(ConfigError, match="unknown limit"):
        effective_limits({name: 0.2}, origin="rig.yaml", cameras=["upper", "lower"])
