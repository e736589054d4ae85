"""The thin lens: what is in focus, how blurred the rest is, what diffraction leaves.

Distances are measured along the axis from the lens's principal plane, not from its front glass.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "GAUSSIAN_MTF50",
    "USABLE_DISC_PX",
    "ThinLens",
    "airy_diameter_um",
    "blur_disc_mm",
    "depth_limits_mm",
    "diffraction_mtf50_cy_um",
    "hyperfocal_mm",
    "principal_distance_mm",
]

# MTF50 of a Gaussian blur of sigma 1: exp(-2 (pi f)²) = 1/2.
GAUSSIAN_MTF50 = math.sqrt(math.log(2) / 2) / math.pi
# Diameter of the blur disc up to which a depth counts as usable: a disc of 2 px leaves 72 % of the contrast
# at half the pixels' highest frequency, 0.25 cycles per pixel (2 J1(x)/x at x = pi 2 0.25); 4 px leave 18 %.
USABLE_DISC_PX = 2.0
# The frequency, in units of the cut-off 1/(wavelength N), at which the circular pupil's response is one half.
_PUPIL_MTF50 = 0.40397
# First zero of J1 over pi, twice: the diameter of the first dark ring in units of wavelength times f-number.
_AIRY = 2.43934


@dataclass(frozen=True, kw_only=True)
class ThinLens:
    """A thin lens and where it is focused.

    Parameters
    ----------
    focal_length_mm, f_number, focused_at_mm : float
        Positive; `focused_at_mm` beyond the focal length.

    Raises
    ------
    ValueError
        Otherwise.
    """

    focal_length_mm: float
    f_number: float
    focused_at_mm: float

    def __post_init__(self) -> None:
        """Refuse a lens that forms no picture."""
        numbers = (self.focal_length_mm, self.f_number, self.focused_at_mm)
        if not np.isfinite(numbers).all() or min(numbers) <= 0:
            raise ValueError(f"lens: focal length, f-number and distance {numbers} found, positive needed")
        if self.focused_at_mm <= self.focal_length_mm:
            raise ValueError(
                f"lens: focused at {self.focused_at_mm:g} mm, beyond the focal length "
                f"{self.focal_length_mm:g} mm needed"
            )


def blur_disc_mm(lens: ThinLens, distance_mm: ArrayLike) -> NDArray[np.float64]:
    """Diameter on the sensor of the blur disc of a point at each distance.

    Parameters
    ----------
    lens : ThinLens
    distance_mm : (...) float64, positive

    Returns
    -------
    (...) float64, mm

    Notes
    -----
    b = (f/N) f |u - u0| / (u (u0 - f)): geometric optics, no diffraction, pupil magnification 1. Linear in
    the difference of the reciprocal distances.
    """
    u = np.asarray(distance_mm, dtype=np.float64)
    f, focused = lens.focal_length_mm, lens.focused_at_mm
    return np.asarray(f / lens.f_number * f * np.abs(u - focused) / (u * (focused - f)))


def depth_limits_mm(lens: ThinLens, circle_mm: float) -> tuple[float, float]:
    """Nearest and farthest distance at which the blur disc stays within a circle.

    Parameters
    ----------
    lens : ThinLens
    circle_mm : float
        Diameter on the sensor, mm.

    Returns
    -------
    (near, far) : float, mm
        `far` is infinite when the lens is focused at its hyperfocal distance or beyond.
    """
    f, u = lens.focal_length_mm, lens.focused_at_mm
    spread = lens.f_number * circle_mm * (u - f)
    far = u * f * f / (f * f - spread) if spread < f * f else math.inf
    return u * f * f / (f * f + spread), far


def hyperfocal_mm(focal_length_mm: float, f_number: float, circle_mm: float) -> float:
    """Distance of focus from which everything out to infinity stays within the circle."""
    return focal_length_mm**2 / (f_number * circle_mm) + focal_length_mm


def principal_distance_mm(lens: ThinLens) -> float:
    """Distance from the principal plane to the picture: what calibration finds, in pixels."""
    return 1.0 / (1.0 / lens.focal_length_mm - 1.0 / lens.focused_at_mm)


def airy_diameter_um(f_number: float, *, wavelength_nm: float = 550.0, magnification: float = 0.0) -> float:
    """Diameter of the first dark ring that diffraction leaves of a point, um on the sensor."""
    return _AIRY * wavelength_nm / 1000.0 * f_number * (1.0 + magnification)


def diffraction_mtf50_cy_um(f_number: float, *, wavelength_nm: float = 550.0) -> float:
    """Frequency at which a lens limited by diffraction alone keeps half the contrast, cycles per um."""
    return _PUPIL_MTF50 / (wavelength_nm / 1000.0 * f_number)
