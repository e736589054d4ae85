"""Sensors with planted hot pixels: places and strengths, laid over pictures as a sensor adds them."""

import numpy as np

MARGIN_PX = 20


def sensor(seed: int, count: int, size_px, *, low: float = 20.0, high: float = 120.0):
    """Places (N, 2) and code values (N,) of hot pixels, spread over a picture."""
    rng = np.random.default_rng([81, seed])
    places = rng.integers(MARGIN_PX, np.array(size_px) - MARGIN_PX, (count, 2))
    return places, rng.uniform(low, high, count)


def shown_by(pictures, planted, *, gain: float = 1.0):
    """The pictures as a sensor with these hot pixels records them; `gain` stands for exposure and warmth."""
    places, amounts = planted
    out = []
    for picture in pictures:
        values = picture.astype(float)
        np.add.at(values, (places[:, 1], places[:, 0]), gain * amounts)
        out.append(values.round().clip(0, 255).astype(np.uint8))
    return out


def far_from(found, planted):
    """How many of the pixels found are not planted ones (1 px: lossy coding moves the highest value)."""
    places, _ = planted
    return sum(int(np.abs(places - np.array(one)).max(1).min() > 1) for one in found)
