"""Rendered performers, lit and exposed at random, against what exposure says of them; for tests and for the bench."""

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from rigcheck.demo.head_expression import bite
from rigcheck.demo.head_light import usual_lamps
from rigcheck.demo.head_mesh import LABEL_OF
from rigcheck.demo.head_performer import Performer, random_performer
from rigcheck.demo.head_rig import head_pose, head_rig
from rigcheck.demo.head_scene import FacePicture, FaceScene, render_face
from rigcheck.demo.head_sensor import HeadSensor
from rigcheck.face.exposure_light import light_curve
from rigcheck.face.exposure_moment import ExposureMoment, exposure_moment
from rigcheck.face.exposure_run import CameraExposed, ExposureRun, exposure_run
from rigcheck.face.exposure_skin import OTHER, PLACES
from rigcheck.landmarks import FaceFinder
from rigcheck.model import CameraDescription, FaceLandmarks, Frame, FrameRef
from rigcheck.opencv import cv2

SENSOR = HeadSensor()
_CELL_MM = 4.0
# Points of the mesh that lie about the whole face, eyes and mouth included.
_OUTLINE = (10, 109, 67, 103, 68, 46, 124, 35, 111, 117, 187, 192, 135, 169, 150, 149, 176, 148, 152)
_OTHER_SIDE = (377, 400, 378, 379, 394, 364, 416, 411, 346, 340, 265, 353, 276, 298, 332, 297, 338)


@dataclass(frozen=True, kw_only=True, eq=False)
class Exposed:
    """One rendered picture with its face, its scene and what was measured of it."""

    scene: FaceScene
    picture: FacePicture
    frame: Frame
    face: FaceLandmarks
    run: ExposureRun

    def value(self, quantity: str) -> float:
        number = self.run.number("a", quantity)
        assert number.value is not None, number.reason
        return number.value

    def sigma(self, quantity: str) -> float:
        return self.run.number("a", quantity).sigma or 0.0


@lru_cache(maxsize=1)
def finder() -> FaceFinder:
    return FaceFinder()


def described(transfer: str | None = "linear", **more) -> CameraDescription:
    black = 4.0 if transfer == "linear" else None
    return CameraDescription(**({"name": "a", "transfer": transfer, "black_level": black} | more))


def frame_of(image: np.ndarray, *, bit_depth: int = 8) -> Frame:
    return Frame(ref=FrameRef(camera="a", frame_idx=0, origin="x"), image=image, bit_depth=bit_depth)


def measured(frame: Frame, face: FaceLandmarks, camera: CameraDescription | None, **more) -> ExposureRun:
    curve = light_curve(camera, bit_depth=frame.bit_depth, full_range=frame.image.ndim == 3)
    moment = exposure_moment(frame, face, curve)
    return exposure_run([CameraExposed(name="a", curve=curve, moments=(moment,), **more)])


def exposed(
    performer: Performer | None = None,
    *,
    size_px=(540, 720),
    seed: int = 0,
    lopsided_stops: float = 0.0,
    pose: dict | None = None,
    **scene,
) -> Exposed:
    """Render one picture and measure it as the rig file's camera would have it described."""
    rig = head_rig(size_px=size_px)
    made = FaceScene(
        **(
            {
                "rig": rig,
                "performer": performer or Performer(identity=2, texture_seed=5),
                "light": usual_lamps(lopsided_stops=lopsided_stops),
                "rig_from_head": head_pose(**({"distance_mm": 205.0, "look_up_deg": 10.0} | (pose or {}))),
                "background_seed": None,
                "sensor": SENSOR,
            }
            | scene
        )
    )
    picture = render_face(made, 0, rng=np.random.default_rng([71, seed]))
    frame = frame_of(picture.image)
    face = finder().find(frame)
    assert isinstance(face, FaceLandmarks)
    run = measured(frame, face, described(made.sensor.transfer))
    return Exposed(scene=made, picture=picture, frame=frame, face=face, run=run)


@lru_cache(maxsize=8)
def at_random(case: int, *, size_px=(540, 720)) -> Exposed:
    """A performer, pose, light and exposure at random: about right for this skin, give or take a stop."""
    rng = np.random.default_rng([72, case])
    performer = random_performer(rng, stubble=0.0, oil=float(rng.uniform(0.3, 2.5)))
    return exposed(
        performer,
        size_px=size_px,
        seed=case,
        lopsided_stops=rng.normal(0, 1.0),
        exposure_stops=float(np.log2(0.26 / performer.skin_luminance)) + rng.uniform(-1.0, 1.0),
        pose={
            "distance_mm": rng.uniform(185, 225),
            "across_mm": rng.normal(0, 5),
            "look_up_deg": rng.uniform(0, 20),
            "yaw_deg": rng.normal(0, 4),
            "roll_deg": rng.normal(0, 3),
        },
    )


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is true of a picture: share and area blown within the face, ratio of the sides, noise of a place.

    `overlap` is the intersection over union of the area told with the true one, `noise_overlap` that of the true skin's
    pixels at white in another exposure of the same light: what noise leaves of it to any single picture.
    """

    blown_share: float
    overlap: float
    noise_overlap: float
    side_ratio_stops: float
    noise_dn: float
    over_stops: float = field(default=0.0)


def truth_of(case: Exposed) -> Truth:
    """Truth from the light before noise and clipping, by the renderer's own labels and surface."""
    truth, moment = case.picture.truth, case.run.camera("a").shown
    layout = moment.layout
    inside = _within(case.face, truth.labels.shape)
    skin = inside & np.isin(truth.labels, [LABEL_OF["skin"], LABEL_OF["lips"]])
    blown = truth.blown & skin
    places = np.zeros(truth.labels.shape, dtype=np.uint8)
    places[layout.crop] = layout.full()
    on_skin = (places > 0) & (places <= OTHER)
    seen = reported(moment, truth.labels.shape) & (case.frame.image >= moment.ceiling.code)
    again = case.scene.sensor.exposed(truth.light, np.random.default_rng([73])) >= 255
    place = places == list(PLACES).index(moment.darkest) + 1
    full = 255.0 - SENSOR.black_dn
    variance = truth.light[place] * full * SENSOR.dn_per_electron + SENSOR.read_noise_dn**2 + 1 / 12
    return Truth(
        blown_share=float(blown.sum() / on_skin.sum()),
        overlap=_overlap(blown, seen),
        noise_overlap=_overlap(blown, again & skin),
        side_ratio_stops=side_ratio(case),
        noise_dn=float(np.sqrt(variance.mean())),
        over_stops=float(np.log2(np.quantile(truth.light[on_skin], 0.999))),
    )


def _overlap(one: np.ndarray, other: np.ndarray) -> float:
    joint = (one | other).sum()
    return float((one & other).sum() / joint) if joint else 1.0


def reported(moment: ExposureMoment, shape) -> np.ndarray:
    """Where the measure says skin is blown: the coarse pixels that its highlights touch, at full size."""
    layout, whole = moment.layout, np.zeros(shape, dtype=bool)
    touched = np.zeros(layout.places.shape, dtype=np.uint8)
    for each in moment.highlights.on_skin:
        (x, y), (height, width) = each.corner, each.mask.shape
        touched[y : y + height, x : x + width] |= each.mask
    grown = np.kron(touched, np.ones((layout.step, layout.step), dtype=np.uint8)) > 0
    whole[layout.crop] = grown[: layout.y1 - layout.y0, : layout.x1 - layout.x0]
    return whole


def _within(face: FaceLandmarks, shape) -> np.ndarray:
    mask = np.zeros(shape, dtype=np.uint8)
    outline = np.rint(face.points_px[[*_OUTLINE, *_OTHER_SIDE]]).astype(np.int32).reshape(-1, 1, 2)
    cv2.fillPoly(mask, [outline], 1)
    return mask > 0


def side_ratio(case: Exposed) -> float:
    """Left over right, log2, of skin that mirrors across the head's own middle: medians of cells of 4 mm.

    Cells are those of the head's own height and distance from its middle that both sides show, without the nose.
    """
    truth = case.picture.truth
    rows, columns = np.nonzero((truth.labels == LABEL_OF["skin"]) & _within(case.face, truth.labels.shape))
    places = truth.surface_rig_mm(np.stack([columns, rows], axis=1))
    head = case.scene.rig_from_head.inverse().apply(places)
    light = truth.light[rows, columns]
    across, down = np.floor(np.abs(head[:, 0]) / _CELL_MM), np.floor(head[:, 1] / _CELL_MM)
    sides = {}
    for name, side in (("left", head[:, 0] > 0), ("right", head[:, 0] < 0)):
        cells: dict[tuple[float, float], list[float]] = {}
        used = side & (np.abs(head[:, 0]) > 16.0) & (np.abs(head[:, 0]) < 56.0)
        for key, value in zip(zip(across[used], down[used], strict=True), light[used], strict=True):
            cells.setdefault(key, []).append(value)
        sides[name] = {key: np.median(values) for key, values in cells.items() if len(values) > 20}
    both = sides["left"].keys() & sides["right"].keys()
    return float(np.mean([np.log2(sides["left"][key] / sides["right"][key]) for key in both]))


# Lit and exposed as said; the performer's skin has Y 0.26 (L* 58).
_CASES: dict[str, dict] = {
    "usual": {},
    "bright": {"exposure_stops": 1.2},
    "dim": {"exposure_stops": -3.6},
    "oily": {"performer": Performer(identity=2, texture_seed=5, oil=3.0), "exposure_stops": 0.4},
    "lopsided": {"lopsided_stops": 2.5, "exposure_stops": -0.5},
    "srgb": {"sensor": HeadSensor(transfer="srgb"), "exposure_stops": -1.5},
    "bt709": {"sensor": HeadSensor(transfer="bt709"), "exposure_stops": -1.5},
    "colour": {
        "performer": Performer(identity=2, texture_seed=5, oily=(("nose", 4.0), ("forehead", 3.0))),
        "sensor": HeadSensor(colour=True, channel_stops=(0.5, 0.0, -0.4)),
    },
    "colour_srgb": {
        "performer": Performer(identity=4, texture_seed=6, skin_luminance=0.1),
        "sensor": HeadSensor(colour=True, channel_stops=(0.5, 0.0, -0.4), transfer="srgb"),
        "exposure_stops": 1.6,
    },
    "teeth": {"expression": bite()},
}


@lru_cache(maxsize=len(_CASES))
def case(name: str) -> Exposed:
    """A named picture, rendered once a process."""
    return exposed(**_CASES[name])


@lru_cache(maxsize=64)
def of_skin(luminance: float, oil: float, stops: float = 0.0) -> Exposed:
    """A performer of this skin at the exposure right for it, and `stops` beside it."""
    return exposed(
        Performer(identity=2, texture_seed=5, skin_luminance=luminance, oil=oil),
        size_px=(360, 480),
        exposure_stops=float(np.log2(0.26 / luminance)) + stops,
    )
