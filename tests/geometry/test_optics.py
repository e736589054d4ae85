"""The thin lens against tables and identities."""

import math

import numpy as np
import pytest

from rigcheck.geometry.optics import (
    GAUSSIAN_MTF50,
    ThinLens,
    airy_diameter_um,
    blur_disc_mm,
    depth_limits_mm,
    diffraction_mtf50_cy_um,
    hyperfocal_mm,
    principal_distance_mm,
)

PIXEL_MM = 0.00345

# Handbook of the rig, section 3: focal length, f-number; near and far (mm) at 1 px and at 2 px of 3.45 um,
# focused at 200 mm. Recomputed there from the textbook formulas (e.g. Ray, Applied Photographic Optics,
# 3rd ed. 2002, chapter 22; cited from memory).
TABLE = [
    (4, 2.8, (178.8, 226.8), (161.7, 262.0)),
    (4, 5.6, (161.7, 262.0), (135.7, 379.8)),
    (6, 2.8, (190.1, 211.0), (181.1, 223.2)),
    (6, 4, (186.2, 216.1), (174.1, 234.9)),
    (6, 5.6, (181.1, 223.2), (165.5, 252.6)),
    (6, 8, (174.1, 234.9), (154.1, 284.7)),
    (8, 4, (192.0, 208.6), (184.7, 218.1)),
    (8, 8, (184.7, 218.1), (171.6, 239.7)),
]


@pytest.mark.parametrize(("focal_mm", "f_number", "one", "two"), TABLE)
def test_depth_of_field_table(focal_mm, f_number, one, two):
    lens = ThinLens(focal_length_mm=focal_mm, f_number=f_number, focused_at_mm=200.0)
    # 0.05: half the last printed digit.
    assert depth_limits_mm(lens, PIXEL_MM) == pytest.approx(one, abs=0.0501)
    assert depth_limits_mm(lens, 2 * PIXEL_MM) == pytest.approx(two, abs=0.0501)


@pytest.mark.parametrize(
    ("focused_mm", "pixel_um", "total_mm"),
    [(150.0, 3.45, 16.6), (250.0, 3.45, 47.2), (200.0, 2.2, 19.0), (200.0, 4.8, 41.8)],
)
def test_depth_of_field_elsewhere(focused_mm, pixel_um, total_mm):
    """Handbook section 3, 6 mm at f/4."""
    near, far = depth_limits_mm(
        ThinLens(focal_length_mm=6.0, f_number=4.0, focused_at_mm=focused_mm), pixel_um / 1000
    )
    assert far - near == pytest.approx(total_mm, abs=0.0501)  # half the last printed digit


def test_blur_disc_at_the_limits_is_the_circle():
    """Handbook's self-check: b(near) = b(far) = c."""
    lens = ThinLens(focal_length_mm=6.0, f_number=4.0, focused_at_mm=200.0)
    limits = np.array(depth_limits_mm(lens, PIXEL_MM))
    assert blur_disc_mm(lens, limits) == pytest.approx(PIXEL_MM, rel=1e-12)  # the same algebra, rounded
    # Handbook: 2.4 px at 170, 2.7 px at 250 mm; half the last digit.
    assert blur_disc_mm(lens, [170.0, 250.0]) / PIXEL_MM == pytest.approx([2.4, 2.7], abs=0.0501)


@pytest.mark.parametrize(("focal_mm", "f_number", "expected_mm"), [(4, 4, 1163), (6, 4, 2615), (8, 8, 2327)])
def test_hyperfocal(focal_mm, f_number, expected_mm):
    found = hyperfocal_mm(focal_mm, f_number, PIXEL_MM)
    assert found == pytest.approx(expected_mm, abs=0.5)  # printed to 1 mm
    focused = ThinLens(focal_length_mm=focal_mm, f_number=f_number, focused_at_mm=found * (1 + 1e-9))
    near, far = depth_limits_mm(focused, PIXEL_MM)
    # Textbook property: all from half the hyperfocal distance to infinity.
    assert math.isinf(far)
    assert near == pytest.approx(found / 2, rel=1e-6)  # 1e-9 off the exact distance


@pytest.mark.parametrize(
    ("f_number", "nm", "expected_um"),
    [(2.8, 550, 3.9), (4, 550, 5.5), (5.6, 550, 7.7), (8, 550, 11.1), (4, 850, 8.6)],
)
def test_airy_disc(f_number, nm, expected_um):
    """Handbook section 3: 6 mm at 200 mm, magnification 0.031."""
    found = airy_diameter_um(f_number, wavelength_nm=nm, magnification=6 / (200 - 6))
    assert found == pytest.approx(expected_um, abs=0.0501)  # half the last printed digit


def test_diffraction_by_quadrature():
    """MTF of a circular pupil, (2/pi)(acos v - v sqrt(1 - v²)) (Goodman, Fourier Optics; from memory)."""
    v = np.linspace(0, 1, 100_001)
    curve = 2 / np.pi * (np.arccos(v) - v * np.sqrt(1 - v * v))
    half = np.interp(-0.5, -curve, v)
    assert diffraction_mtf50_cy_um(8, wavelength_nm=550) == pytest.approx(half / (0.55 * 8), rel=1e-4)  # grid
    assert diffraction_mtf50_cy_um(8) * 2.2 == pytest.approx(0.20, abs=0.005)  # handbook, two digits
    assert diffraction_mtf50_cy_um(8) * 3.45 == pytest.approx(0.32, abs=0.005)


@pytest.mark.parametrize(("focal_mm", "percent"), [(4, 1.10), (6, 1.67), (8, 2.25)])
def test_refocusing_changes_the_principal_distance(focal_mm, percent):
    """Handbook section 3, 150 to 250 mm: why any refocus voids a calibration."""
    near, far = (
        principal_distance_mm(ThinLens(focal_length_mm=focal_mm, f_number=4, focused_at_mm=at))
        for at in (150.0, 250.0)
    )
    assert 100 * (near / far - 1) == pytest.approx(percent, abs=0.006)  # printed to 0.01 %


def test_gaussian_mtf50():
    """Handbook section 3: 0.18739 over sigma."""
    assert pytest.approx(0.18739, abs=5e-6) == GAUSSIAN_MTF50


@pytest.mark.parametrize(
    "numbers", [(6.0, 4.0, 6.0), (6.0, 4.0, 5.0), (0.0, 4.0, 200.0), (6.0, -1.0, 200.0), (6.0, math.nan, 200)]
)
def test_no_lens(numbers):
    focal, stop, at = numbers
    with pytest.raises(ValueError, match="lens:"):
        ThinLens(focal_length_mm=focal, f_number=stop, focused_at_mm=at)
