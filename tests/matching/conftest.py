"""A rendered head before a pair of cameras, and where every place of picture 1 truly lies in picture 2."""

from dataclasses import dataclass

import numpy as np
import pytest

from rigcheck.demo.head_performer import Performer
from rigcheck.demo.head_rig import HeadRig, head_pose, head_rig
from rigcheck.demo.head_scene import FacePicture, FaceScene, render_face
from rigcheck.geometry.projection import intrinsics_vector, project


@dataclass(frozen=True, kw_only=True)
class HeadPair:
    rig: HeadRig
    pictures: tuple[FacePicture, FacePicture]

    @property
    def masks(self):
        """Skin and lips."""
        return tuple(np.isin(picture.truth.labels, (1, 2)) for picture in self.pictures)

    def true_px(self, points1_px):
        """Where whole pixels of picture 1 lie in picture 2, (N, 2); NaN where camera 2 does not see the place."""
        pixels = points1_px.astype(int)
        on_skin = self.pictures[0].truth.surface_rig_mm(pixels)
        camera = self.rig.cameras[1]
        seen = self.rig.camera_from_rig[1].apply(on_skin)
        found = project(seen, intrinsics_vector(camera), camera.model)
        depth = self.pictures[1].truth.depth_mm
        at = np.clip(np.rint(np.nan_to_num(found)).astype(int), 0, np.array(depth.shape[::-1]) - 1)
        hidden = ~(np.abs(depth[at[:, 1], at[:, 0]] - seen[:, 2]) < 1.5)
        found[hidden] = np.nan
        return found

    def epipolar_axes(self, points1_px):
        """Unit vectors along and across the epipolar lines of picture 2 at the true places, (N, 2) each."""
        pixels = points1_px.astype(int)
        camera1_from_rig, camera2_from_rig = self.rig.camera_from_rig
        on_skin = camera1_from_rig.apply(self.pictures[0].truth.surface_rig_mm(pixels))
        camera = self.rig.cameras[1]
        here, farther = (
            project(
                camera2_from_rig.apply(camera1_from_rig.inverse().apply(on_skin * scale)),
                intrinsics_vector(camera),
                camera.model,
            )
            for scale in (1.0, 1.01)
        )
        along = (farther - here) / np.linalg.norm(farther - here, axis=1, keepdims=True)
        return along, np.stack([-along[:, 1], along[:, 0]], axis=1)


@pytest.fixture(scope="session")
def head_pair():
    """Stacked cameras, an average head."""
    return _rendered(FaceScene(rig=head_rig(size_px=(810, 1080)), performer=Performer(texture_seed=3)))


@pytest.fixture(scope="session")
def turned_pair():
    """Side by side, each mounted on its side, the other way up from each other; an oily, darker skin."""
    return _rendered(
        FaceScene(
            rig=head_rig(size_px=(810, 1080), side_by_side=True, mount_rotation_deg=(90, 270)),
            performer=Performer(identity=4, texture_seed=8, skin_luminance=0.1, oil=2.5),
            rig_from_head=head_pose(yaw_deg=6.0, distance_mm=185.0),
            exposure_stops=1.3,
        )
    )


def _rendered(scene):
    pictures = tuple(render_face(scene, k, rng=np.random.default_rng([61, k])) for k in (0, 1))
    return HeadPair(rig=scene.rig, pictures=pictures)
