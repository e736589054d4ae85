"""One picture of a performer's face, as one camera of a helmet sees it, with everything true about it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from rigcheck.demo.background import dim_room
from rigcheck.demo.head_colour import LUMA, hues
from rigcheck.demo.head_expression import Expression
from rigcheck.demo.head_focus import disc_over_layer, laid_over
from rigcheck.demo.head_light import FaceLight, usual_lamps
from rigcheck.demo.head_mesh import LABEL_OF, head_surface
from rigcheck.demo.head_performer import Performer, posed_shape
from rigcheck.demo.head_raster import Seen
from rigcheck.demo.head_rig import HeadRig, head_pose, head_rig
from rigcheck.demo.head_sensor import HeadSensor
from rigcheck.demo.head_shade import (
    Layer,
    PlacedHead,
    View,
    finer_camera,
    finer_lens,
    meet_head,
    placed_head,
    shade_head,
    shade_things,
    whole_pixels,
)
from rigcheck.demo.head_things import Capsule, capsules
from rigcheck.demo.head_truth import FaceTruth, named_points
from rigcheck.demo.optics import Lens, fall_off
from rigcheck.model import CameraModel, RigidTransform

__all__ = ["FacePicture", "FaceScene", "FaceTruth", "render_exposure", "render_face"]

Float32 = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceScene:
    """Everything a picture is made from.

    Parameters
    ----------
    performer, expression, rig : what is filmed, and with what
    rig_from_head : RigidTransform
        See :func:`head_pose`. The head frame's origin is the nostril base of the neutral.
    light : FaceLight
    sensor : HeadSensor
    occluders : tuple of Capsule
        Fixed to the rig.
    exposure_stops : float
        Log2 of the light let in, over that at which a lamp's `strength` is full scale on white.
    defocus : bool
        False leaves only the lens's Gaussian softness at best focus.
    vignetting_power : float
        Exponent of the cosine off the axis; 4 natural, 0 none.
    background_seed : int or None
        Of a dim room, out of focus; None for an even dark grey.
    rays_across : int
        Odd. Rays a pixel along each side: 1 reads the surface's detail once, smoothed by a Gaussian of 0.5 px, then
        blurs pixels; 3 blurs the rays' own light and then integrates it over the pixel's square, as lens and sensor
        do, and costs ten times as much.
    """

    performer: Performer = field(default_factory=Performer)
    expression: Expression = field(default_factory=Expression)
    rig: HeadRig = field(default_factory=head_rig)
    rig_from_head: RigidTransform = field(default_factory=head_pose)
    light: FaceLight = field(default_factory=usual_lamps)
    sensor: HeadSensor = field(default_factory=HeadSensor)
    occluders: tuple[Capsule, ...] = ()
    exposure_stops: float = 0.0
    defocus: bool = True
    vignetting_power: float = 2.0
    background_seed: int | None = 0
    rays_across: int = 1

    def __post_init__(self) -> None:
        """Refuse a number of rays without one through the pixel's centre."""
        if self.rays_across < 1 or self.rays_across % 2 == 0:
            raise ValueError(f"rays_across: {self.rays_across} found, an odd number needed")


@dataclass(frozen=True, kw_only=True, eq=False)
class FacePicture:
    """A picture as recorded, (H, W) uint8, or (H, W, 3) red, green, blue of a sensor of colours; and its truth."""

    image: NDArray[np.uint8]
    truth: FaceTruth
    sensor: HeadSensor

    @property
    def clipped(self) -> NDArray[np.bool_]:
        """Where this sensor's full scale is passed, noise apart: (H, W), or (H, W, 3) of each channel."""
        rgb = self.truth.light_rgb
        return self.sensor.clips(self.truth.light if rgb is None else rgb)


def render_face(scene: FaceScene, camera_idx: int, *, rng: np.random.Generator) -> FacePicture:
    """Render one camera's picture of a face.

    Parameters
    ----------
    scene : FaceScene
    camera_idx : int
        0 for camera 1, 1 for camera 2.
    rng : numpy.random.Generator
        Source of the sensor's noise; everything else follows from the scene.

    Returns
    -------
    FacePicture

    Notes
    -----
    One ray a pixel, through its centre, unless the scene asks for more; the surface's detail is smoothed to a
    pixel's width where it is read. The last two truths are kept, so that a scene that differs in its sensor alone,
    or in nothing, costs its noise only; their arrays are shared and cannot be written into.
    Cast shadows of nose and chin are not drawn; hollows are darker by how much open sky they see.
    """
    return render_exposure([scene], camera_idx, rng=rng)


def render_exposure(
    moments: Sequence[FaceScene], camera_idx: int, *, rng: np.random.Generator
) -> FacePicture:
    """Render a picture whose light is the mean of several moments: motion during the exposure.

    Parameters
    ----------
    moments : sequence of FaceScene
        Of one rig, evenly spread over the exposure.
    camera_idx : int
    rng : numpy.random.Generator

    Returns
    -------
    FacePicture
        Its truth is that of the middle moment, except for `light`, which is that of the whole exposure.
    """
    truths = [_truth(scene, camera_idx) for scene in moments]
    truth = truths[len(truths) // 2]
    if len(truths) > 1:
        truth = replace(truth, light=np.mean([one.light for one in truths], axis=0, dtype=np.float32))
        colours = [one.light_rgb for one in truths if one.light_rgb is not None]
        if colours:
            truth = replace(truth, light_rgb=np.mean(colours, axis=0, dtype=np.float32))
    sensor = moments[0].sensor
    image = sensor.exposed(truth.light if truth.light_rgb is None else truth.light_rgb, rng)
    return FacePicture(image=image, truth=truth, sensor=sensor)


@dataclass(frozen=True, kw_only=True)
class _Shape:
    """What decides which triangle each pixel of each camera sees; hashable."""

    rig: HeadRig
    weights: tuple[float, ...]
    sizes_mm: tuple[float, float]
    glasses: bool
    expression: Expression
    pose: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class _Moment:
    """What decides the light on the sensor: everything of a scene but the sensor; hashable."""

    shape: _Shape
    performer: Performer
    light: FaceLight
    occluders: tuple[Capsule, ...]
    exposure_stops: float
    defocus: bool
    vignetting_power: float
    background_seed: int | None
    colour: bool
    rays_across: int


def _truth(scene: FaceScene, camera_idx: int) -> FaceTruth:
    performer, pose = scene.performer, scene.rig_from_head
    shape = _Shape(
        rig=scene.rig,
        weights=performer.weights,
        sizes_mm=performer.sizes_mm,
        glasses=performer.glasses,
        expression=scene.expression,
        pose=(*pose.rotation.ravel().tolist(), *pose.translation_mm.tolist()),
    )
    moment = _Moment(
        shape=shape,
        performer=performer,
        light=scene.light,
        occluders=scene.occluders,
        exposure_stops=scene.exposure_stops,
        defocus=scene.defocus,
        vignetting_power=scene.vignetting_power,
        background_seed=scene.background_seed,
        colour=scene.sensor.colour,
        rays_across=scene.rays_across,
    )
    return _truth_of(moment, camera_idx)


@lru_cache(maxsize=2)
def _placed(shape: _Shape) -> PlacedHead:
    pose = np.array(shape.pose)
    rig_from_head = RigidTransform(rotation=pose[:9].reshape(3, 3), translation_mm=pose[9:])
    return placed_head(posed_shape(shape.weights, shape.sizes_mm, shape.expression), rig_from_head)


@lru_cache(maxsize=2)
def _seen(shape: _Shape, camera_idx: int) -> Seen:
    return meet_head(_view(shape, camera_idx, FaceLight(lamps=())), _placed(shape), glasses=shape.glasses)


def _view(shape: _Shape, camera_idx: int, light: FaceLight) -> View:
    rig = shape.rig
    return View(camera=rig.cameras[camera_idx], camera_from_rig=rig.camera_from_rig[camera_idx], light=light)


@lru_cache(maxsize=2)
def _truth_of(moment: _Moment, camera_idx: int) -> FaceTruth:
    """Both cameras of the last moment are kept: pictures of a still face differ by noise alone."""
    shape = moment.shape
    view, lens = _view(shape, camera_idx, moment.light), shape.rig.lenses[camera_idx]
    placed, layers = _placed(shape), _layers(moment, view, camera_idx)
    background = _background(view.camera, moment.background_seed, camera_idx)
    picture, rgb = _through_lens(moment, layers, background, lens)
    layers = [layer.averaged(moment.rays_across) for layer in layers]
    head = layers[0]
    sharp, depth, labels = _composed(layers, background)
    gain: Float32 = np.full((1, 1), 2.0**moment.exposure_stops, dtype=np.float32)
    if moment.vignetting_power > 0:
        gain = gain * fall_off(view.camera, moment.vignetting_power)
    triangle = np.where(labels == LABEL_OF["occluder"], np.int32(-1), head.triangle)
    points, turn = named_points(placed, view, depth, triangle), placed.rig_from_head
    eyes = dict(zip(("left", "right"), placed.posed.eyes, strict=True))
    return FaceTruth(
        points_px=points.at_px,
        points_rig_mm=points.rig_mm,
        visible=points.visible,
        gaze_rig={side: turn.rotation @ eye.gaze for side, eye in eyes.items()},
        eye_pivots_rig_mm={side: turn.apply(eye.pivot_mm) for side, eye in eyes.items()},
        lip_gaps_mm=placed.posed.lip_gaps_mm,
        teeth_gap_mm=placed.posed.teeth_gap_mm,
        triangle=triangle,
        depth_mm=depth,
        labels=labels,
        light=picture * gain,
        sharp=sharp * gain,
        highlight=head.highlight * gain,
        fallen=head.fallen * gain,
        light_rgb=None if rgb is None else rgb * gain[..., None],
        lens=lens,
        triangles=head_surface().triangles,
        vertices_rig_mm=placed.vertices_mm,
        camera=view.camera,
        camera_from_rig=view.camera_from_rig,
    )


def _layers(moment: _Moment, view: View, camera_idx: int) -> list[Layer]:
    """Render the head, and what is before it, sharp, at all rays."""
    shape, several = moment.shape, moment.rays_across
    placed = _placed(shape)
    fine, seen = view, None
    if several > 1:  # large, and seldom wanted twice
        fine = replace(view, camera=finer_camera(view.camera, several))
        seen = meet_head(fine, placed, glasses=shape.glasses)
    seen = seen or _seen(shape, camera_idx)
    layers = [shade_head(fine, moment.performer, placed, seen)]
    if moment.occluders:
        layers.append(shade_things(fine, capsules(moment.occluders)))
    return layers


def _through_lens(
    moment: _Moment, layers: list[Layer], background: Float32, lens: Lens
) -> tuple[Float32, Float32 | None]:
    """Light behind the lens before exposure, (H, W); and (H, W, 3) of a sensor of colours.

    Layers are given, and blurred, at all rays; the light is then that of whole pixels.
    """
    several = moment.rays_across
    background = np.repeat(np.repeat(background, several, axis=0), several, axis=1)
    focus = (finer_lens(lens, several), moment.defocus, several)
    if not moment.colour:
        light = _blurred(layers, [layer.light for layer in layers], background, focus)
        return whole_pixels(light, several), None
    channels = [
        whole_pixels(
            _blurred(layers, [layer.in_channel(hue) for layer in layers], background, focus), several
        )
        for hue in hues(moment.performer.skin_luminance).T
    ]
    rgb = np.stack(channels, axis=-1)
    return rgb @ LUMA.astype(np.float32), rgb


def _composed(layers: list[Layer], background: Float32) -> tuple[Float32, Float32, NDArray[np.uint8]]:
    """Lay layers over each other without blur, the nearest last: light, depth, labels."""
    sharp = background.copy()
    depth = np.full(background.shape, np.inf, dtype=np.float32)
    labels = np.zeros(background.shape, dtype=np.uint8)
    for layer in layers:
        nearer = layer.depth_mm < depth
        if layer.partly:
            sharp = sharp * (1 - layer.cover) + layer.light
        else:
            np.copyto(sharp, layer.light, where=nearer)
        np.copyto(labels, layer.labels, where=nearer)
        np.copyto(depth, layer.depth_mm, where=nearer)
    return sharp, depth, labels


def _blurred(
    layers: list[Layer], lights: list[Float32], background: Float32, focus: tuple[Lens, bool, int]
) -> Float32:
    """Lay layers' light over each other, each blurred by the lens; focus: the lens, whether it defocuses, rays."""
    lens, defocus, several = focus
    picture = background
    for layer, light in zip(layers, lights, strict=True):
        disc = (
            disc_over_layer(lens, layer.depth_mm, several) if defocus else np.zeros((1, 1), dtype=np.float32)
        )
        picture = laid_over(picture, light, layer.cover, disc_px=disc, gaussian_px=lens.sharpest_px)
    return picture


def _background(camera: CameraModel, seed: int | None, camera_idx: int) -> Float32:
    if seed is None:
        return np.full(camera.image_size_px[::-1], 0.03, dtype=np.float32)
    return _room(camera.image_size_px, seed, camera_idx)


@lru_cache(maxsize=4)
def _room(size_px: tuple[int, int], seed: int, camera_idx: int) -> Float32:
    rng = np.random.default_rng([84, seed, camera_idx])
    room = np.asarray(dim_room(rng, size_px) / np.float32(255), dtype=np.float32)
    room.setflags(write=False)
    return room
