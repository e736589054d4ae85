"""Transfer curves against the published standards, the handbook's values and scikit-image."""

import numpy as np
import pytest
from skimage.color import rgb2xyz

from rigcheck.geometry.transfer import TRANSFERS, decoded_light


def test_srgb_as_published():
    """IEC 61966-2-1: K = 0.04045, 12.92, 0.055, 2.4; handbook §4: 18 % is 0.4614, code 128 is 0.2159."""
    assert decoded_light(np.array([0.4614, 128 / 255]), "srgb") == pytest.approx(
        [0.18, 0.2159], abs=5e-5
    )  # four digits are quoted
    assert decoded_light(np.array([0.04045]), "srgb") == pytest.approx([0.04045 / 12.92])
    below, above = decoded_light(np.array([0.04045, 0.04045 + 1e-9]), "srgb")
    assert above - below < 1e-7  # the standard's pieces meet to about 1e-8


def test_srgb_against_scikit_image():
    """Y of greys by scikit-image's sRGB to XYZ; its matrix sums to 1 within 1e-6."""
    signal = np.linspace(0, 1, 41)
    greys = np.repeat(signal[:, None], 3, axis=1)[None]
    assert decoded_light(signal, "srgb") == pytest.approx(rgb2xyz(greys)[0, :, 1], abs=2e-6)


def test_bt709_is_its_published_coding_undone():
    """ITU-R BT.709-6, item 1.2: 4.5 L below 0.018, else 1.099 L^0.45 - 0.099; handbook §4: 18 % is 0.4090."""
    light = np.linspace(0, 1, 201)
    signal = np.where(light < 0.018, 4.5 * light, 1.099 * light**0.45 - 0.099)
    # The standard's pieces part by 2e-4 of signal at 0.018, which three digits of its constants leave over.
    assert decoded_light(signal, "bt709") == pytest.approx(light, abs=1e-4)
    assert decoded_light(np.array([0.4090]), "bt709") == pytest.approx([0.18], abs=5e-5)


@pytest.mark.parametrize("transfer", TRANSFERS)
def test_every_curve_rises_from_black_to_white(transfer):
    light = decoded_light(np.linspace(-0.1, 1, 221), transfer)
    assert light[0] == 0.0
    assert light[-1] == pytest.approx(1.0)
    assert (np.diff(light) >= 0).all()


def test_unknown_curve_is_refused():
    with pytest.raises(ValueError, match="cubic"):
        decoded_light(np.zeros(1), "cubic")
