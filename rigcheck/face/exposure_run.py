"""Everything measured of the exposure of a clip: what the checks judge and the report draws."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rigcheck.face.exposure_curve import NoiseLevel, noise_slope
from rigcheck.face.exposure_flicker import Flicker, LightSeries, flicker_of
from rigcheck.face.exposure_light import LightCurve
from rigcheck.face.exposure_moment import ExposureMoment
from rigcheck.face.exposure_skin import PLACES, SIDES
from rigcheck.face.exposure_slow import SparseLight, with_slow_beat
from rigcheck.face.framing_points import combined
from rigcheck.model import Estimate

__all__ = ["CameraExposed", "CameraExposure", "ExposureRun", "exposure_run"]

_NAMES = tuple(PLACES)
# Of 40 rendered performers the mirrored places strayed by this beyond what their spread tells.
_LEAST_SIDE_SIGMA = 0.035
# Of the mean of places and cells, beside the cells' own, which err alike over areas of several; from performers 0 to
# 149 of the bench.
_LEAST_CELL_SIGMA, _CELLS_ALIKE = 0.015, 2.5
# Share of a blown area that the rims at lids and lips may add or take: the spread over rendered performers.
_RIM = 0.05
_LEAST_PLACE_PX = 200
_NEAR_CEILING = 0.97
_NO_SIDES = "cheeks, folds and jaw are too near to white, or too small in the picture, to compare their sides"


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraExposed:
    """What was seen by one camera.

    `series` is the light of neighbouring pictures, for flicker, `sparse` that of moments far apart, for slow beats;
    `noise` the noise over places of a few pictures, for the transfer curve. `colour_unseen` says that coloured footage
    was looked at as luma only.
    """

    name: str
    curve: LightCurve
    moments: tuple[ExposureMoment, ...]
    series: LightSeries | None = None
    sparse: SparseLight | None = None
    noise: tuple[NoiseLevel, ...] = ()
    frame_rate: float | None = None
    shutter_s: float | None = None
    colour_unseen: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class CameraExposure:
    """One camera's exposure beyond its numbers.

    `shown` is the moment with most blown, None when no moment was judged. `blown_places` names the places of blown
    areas with their share of all blown pixels, the largest first; `darkest` the darkest needed place of most moments.
    """

    name: str
    curve: LightCurve
    shown: ExposureMoment | None
    blown_places: tuple[tuple[str, float], ...] = ()
    darkest: str = ""
    flicker: Flicker | None = None
    colour_unseen: bool = False
    piled_up: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class ExposureRun:
    """Exposure of one camera, or two, with measurements named as in result.json."""

    cameras: tuple[CameraExposure, ...]
    measurements: Mapping[str, Estimate]

    def number(self, camera: str, quantity: str) -> Estimate:
        """A camera's measurement; one without a value when it was not made."""
        name = f"exposure.{camera}.{quantity}"
        return self.measurements.get(name) or Estimate(value=None, reason=f"{name} was not measured")

    def camera(self, name: str) -> CameraExposure:
        """One camera's; KeyError for an unknown name."""
        return {each.name: each for each in self.cameras}[name]


def exposure_run(cameras: Sequence[CameraExposed]) -> ExposureRun:
    """Sum up the exposure of a clip.

    Parameters
    ----------
    cameras : sequence of CameraExposed
        One or two.

    Returns
    -------
    ExposureRun
        ``exposure.<camera>.…``: `blown_share` is the share of skin and time that is blown, `blown_worst_share` that of
        the worst moment; `blown_count`, `catch_light_count`, `mouth_count` are areas in a usual moment; `crushed_share`
        is the share of skin at darkness. `shadow_noise_stops` is log2 (1 + noise / light) of one pixel in the darkest
        needed place: by how many stops a pixel strays; `shadow_noise_dn` the same in code values. `side_ratio_stops` is
        positive when the performer's left is brighter. `room_stops` is how much brighter the picture could be until a
        thousandth of the skin is blown. `skin_stops` is the skin's light below white (negative), `shine_stops` how
        far the brightest thousandth stands above it. `channel_share` is the
        share of the face where a colour channel is clipped, not all. `flicker_stops` swings from trough to crest at
        `flicker_hz`. `noise_slope` see `face.exposure_curve`. ``exposure.pair.ratio_stops`` is positive when the second
        camera's skin is brighter.
    """
    measurements: dict[str, Estimate] = {}
    out = []
    for camera in cameras:
        judged = tuple(moment for moment in camera.moments if not moment.reason)
        quick = flicker_of(camera.series, frame_rate=camera.frame_rate, shutter_s=camera.shutter_s)
        flicker = with_slow_beat(quick, camera.sparse, shutter_s=camera.shutter_s)
        numbers = _numbers(camera, judged) | _flicker_numbers(flicker, camera.curve)
        measurements |= {f"exposure.{camera.name}.{name}": number for name, number in numbers.items()}
        out.append(_camera(camera, judged, flicker))
    if len(cameras) == 2:
        measurements["exposure.pair.ratio_stops"] = _pair_ratio(cameras[0], cameras[1])
    return ExposureRun(cameras=tuple(out), measurements=measurements)


def _camera(
    camera: CameraExposed, judged: Sequence[ExposureMoment], flicker: Flicker | Estimate
) -> CameraExposure:
    places: Counter[str] = Counter()
    for moment in judged:
        for highlight in moment.highlights.on_skin:
            places[highlight.place] += highlight.area_px
    total = sum(places.values())
    darkest = Counter(moment.darkest for moment in judged if moment.darkest).most_common(1)
    return CameraExposure(
        name=camera.name,
        curve=camera.curve,
        shown=max(judged, key=lambda each: each.highlights.skin_px, default=None),
        blown_places=tuple((name, area / total) for name, area in places.most_common()),
        darkest=darkest[0][0] if darkest else "",
        flicker=flicker if isinstance(flicker, Flicker) else None,
        colour_unseen=camera.colour_unseen,
        piled_up=any(moment.ceiling.piled_up for moment in judged),
    )


def _numbers(camera: CameraExposed, judged: Sequence[ExposureMoment]) -> dict[str, Estimate]:
    if not judged:
        reason = camera.moments[0].reason if camera.moments else "no picture with a face was looked at"
        return {name: Estimate(value=None, reason=reason) for name in _MOMENT_QUANTITIES}
    no_curve = camera.curve.unknown or "the light of the skin is not known"
    skin = np.array([moment.skin_px for moment in judged], dtype=np.float64)
    face = np.array([moment.face_px for moment in judged], dtype=np.float64)
    blown = np.array([moment.highlights.skin_px for moment in judged]) / face
    unsure = np.array([_unsure(moment) for moment in judged])
    worst = int(np.argmax(blown))
    noise = [_noise_stops(moment, camera.curve) for moment in judged]
    sides = [_side_ratio(moment) for moment in judged]
    room = [moment.room_stops for moment in judged]
    level = [moment.level for moment in judged]
    light = [np.nan if each is None or each <= 0 else float(np.log2(each)) for each in level]
    return {
        "blown_share": _mean(blown, unsure),
        "blown_worst_share": Estimate(value=float(blown[worst]), sigma=float(unsure[worst]), n=len(judged)),
        "blown_count": _median([len(moment.highlights.on_skin) for moment in judged]),
        "catch_light_count": _median([moment.highlights.eye_count for moment in judged]),
        "mouth_count": _median([moment.highlights.mouth_count for moment in judged]),
        "crushed_share": _mean(np.array([each.crushed_px for each in judged]) / skin, np.zeros(len(judged))),
        "ceiling_code": _median([moment.ceiling.code for moment in judged]),
        "shadow_noise_stops": _combined(noise, "stops", no_curve),
        "shadow_noise_dn": _combined(
            [_noise_dn(moment) for moment in judged], "DN", "too little skin in one place"
        ),
        "side_ratio_stops": _combined(sides, "stops", camera.curve.unknown or _NO_SIDES),
        "room_stops": _combined(room, "stops", no_curve),
        "skin_stops": combined(light, [0.02] * len(light), unit="stops", reason=no_curve),
        "shine_stops": _combined([_shine(moment) for moment in judged], "stops", no_curve),
        "channel_share": _channels(camera, judged),
        "noise_slope": noise_slope(camera.noise),
    }


_MOMENT_QUANTITIES = (
    "blown_share",
    "blown_worst_share",
    "blown_count",
    "crushed_share",
    "shadow_noise_stops",
    "shadow_noise_dn",
    "side_ratio_stops",
    "room_stops",
    "skin_stops",
    "shine_stops",
    "channel_share",
    "noise_slope",
)


def _unsure(moment: ExposureMoment) -> float:
    """What one moment does not know of its blown share: the ceiling by noise, and where skin ends at lids and lips."""
    share = moment.highlights.skin_px / moment.face_px
    return float(np.hypot(moment.unsure_px / moment.face_px * (share > 0), _RIM * share))


def _mean(values: np.ndarray, own: np.ndarray) -> Estimate:
    """Mean over moments: their spread over the root of their number, and what each does not know of itself."""
    n = len(values)
    spread = float(values.std(ddof=1)) / np.sqrt(n) if n > 1 else 0.0
    return Estimate(value=float(values.mean()), sigma=float(np.hypot(spread, own.mean())), n=n)


def _median(values: Sequence[float]) -> Estimate:
    return Estimate(value=float(np.median(values)), n=len(values))


def _combined(found: Sequence[Estimate | None], unit: str, reason: str) -> Estimate:
    values = [np.nan if each is None or each.value is None else each.value for each in found]
    sigmas = [np.nan if each is None else each.sigma or 0.0 for each in found]
    return combined(values, sigmas, unit=unit, reason=reason)


def _noise_stops(moment: ExposureMoment, curve: LightCurve) -> Estimate | None:
    """Noise of one pixel in the darkest needed place, in stops."""
    if moment.noise is None or curve.light is None:
        return None
    place = moment.places[moment.darkest]
    scale = 2.0 ** max(curve.bit_depth - 12, 0)
    slope = curve.slope(place.code * scale) * scale
    light = max(place.light or 0.0, slope)  # not less than one code value above darkness
    share = moment.noise.code_sd * slope / light
    relative = moment.noise.sigma / moment.noise.code_sd
    return Estimate(
        value=float(np.log2(1.0 + share)),
        sigma=float(relative * share / (1.0 + share) / np.log(2.0)),
        unit="stops",
        n=moment.noise.n,
    )


def _noise_dn(moment: ExposureMoment) -> Estimate | None:
    if moment.noise is None:
        return None
    return Estimate(value=moment.noise.code_sd, sigma=moment.noise.sigma, unit="DN", n=moment.noise.n)


def _shine(moment: ExposureMoment) -> Estimate | None:
    """How far the brightest skin stands above the middle of all skin."""
    room, level = moment.room_stops, moment.level
    if room is None or room.value is None or level is None or level <= 0:
        return None
    top = np.log2(max(moment.top_light, level))
    return Estimate(value=float(top - room.value - np.log2(level)), sigma=room.sigma, unit="stops", n=room.n)


def _side_ratio(moment: ExposureMoment) -> Estimate | None:
    """Left over right: by mirrored places of the mesh and by cells across a straight middle line, the mean of both.

    The mesh's places slide on the skin one way as a head turns, the cells the other way. What shades unevenly, which
    the cells' spread tells, is misread the more the further a place lies off its mirror image.
    """
    places, cells = _place_ratio(moment), moment.mirrored
    if places is None or places.value is None or cells is None or cells.value is None:
        return places
    sigma = float(np.hypot(_LEAST_CELL_SIGMA, _CELLS_ALIKE * (cells.sigma or 0.0)))
    apart = abs(places.value - cells.value)
    mean = (places.value + cells.value) / 2.0
    return Estimate(value=mean, sigma=max(sigma, apart / 2.0), unit="stops", n=cells.n)


def _place_ratio(moment: ExposureMoment) -> Estimate | None:
    """Left over right of mirrored places, weighted by their pixels; where a middle is clipped the place is left out."""
    ratios, weights = [], []
    for right, left in SIDES:
        pair = [moment.places.get(_NAMES[number - 1]) for number in (right, left)]
        lights = [
            each.light for each in pair if each is not None and each.light is not None and each.light > 0
        ]
        sizes = [each.n for each in pair if each is not None]
        codes = [each.code for each in pair if each is not None]
        if (
            len(lights) < 2
            or min(sizes) < _LEAST_PLACE_PX
            or max(codes) >= _NEAR_CEILING * moment.ceiling.code
        ):
            continue
        ratios.append(np.log2(lights[1] / lights[0]))
        weights.append(float(min(sizes)))
    if len(ratios) < 2:
        return None
    share = np.array(weights) / np.sum(weights)
    mean = float(share @ np.array(ratios))
    spread = float(np.sqrt(share**2 @ (np.array(ratios) - mean) ** 2 * len(ratios) / (len(ratios) - 1)))
    return Estimate(value=mean, sigma=float(np.hypot(spread, _LEAST_SIDE_SIGMA)), unit="stops", n=len(ratios))


def _channels(camera: CameraExposed, judged: Sequence[ExposureMoment]) -> Estimate:
    seen = [(moment, moment.channel_px) for moment in judged if moment.channel_px is not None]
    if not seen:
        why = (
            "the footage is in colour, but only its luma was looked at"
            if camera.colour_unseen
            else "grey footage"
        )
        return Estimate(value=None, reason=why)
    shares = [pixels[3] / moment.face_px for moment, pixels in seen]
    return _mean(np.array(shares), np.zeros(len(shares)))


def _flicker_numbers(flicker: Flicker | Estimate, curve: LightCurve) -> dict[str, Estimate]:
    if isinstance(flicker, Estimate):
        reason = curve.unknown or flicker.reason
        return {"flicker_stops": Estimate(value=None, unit="stops", reason=reason)}
    numbers = {"flicker_stops": flicker.stops}
    if flicker.found:
        numbers["flicker_hz"] = flicker.beat
    if flicker.modulation is not None:
        numbers["lamp_modulation"] = flicker.modulation
    return numbers


def _pair_ratio(first: CameraExposed, second: CameraExposed) -> Estimate:
    """Second camera's skin over the first's, place by place."""
    unknown = first.curve.unknown or second.curve.unknown
    if unknown:
        return Estimate(value=None, unit="stops", reason=unknown)
    ratios = []
    for name in _NAMES:
        both = []
        for camera in (first, second):
            found = [moment.places[name].light for moment in camera.moments if name in moment.places]
            lights = [each for each in found if each is not None and each > 0]
            both.append(float(np.median(lights)) if lights else np.nan)
        ratios.append(np.log2(both[1] / both[0]))
    kept = np.array(ratios)[np.isfinite(ratios)]
    if len(kept) < 3:
        return Estimate(
            value=None, unit="stops", reason="too few places of the skin are seen by both cameras"
        )
    spread = 1.4826 * float(np.median(np.abs(kept - np.median(kept))))
    sigma = float(np.hypot(1.25 * spread / np.sqrt(len(kept)), _LEAST_SIDE_SIGMA))
    return Estimate(value=float(np.median(kept)), sigma=sigma, unit="stops", n=len(kept))
