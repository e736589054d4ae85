"""Pictures of both cameras paired by time; the range and the transfer curve that measuring is given; a proxy."""

import numpy as np
import pytest
from face_clips import talking_clip

from rigcheck.landmarks import Looks
from rigcheck.live.beginning import begin
from rigcheck.live.face_session import FaceSession
from rigcheck.live.measuring import FaceMeasurer, Known, described_as_read, form_of, newest_together
from rigcheck.live.options import LiveOptions
from rigcheck.live.shots import Shot, View
from rigcheck.model import CameraDescription, PerformerLooks, Proxy, RigDescription

pytestmark = pytest.mark.xdist_group("rendered-face")
VIEWS = (View(source_idx=0), View(source_idx=1))


def shot(at_s, number=0, picture=None, **more):
    image = np.zeros((4, 4), np.uint8) if picture is None else picture
    return Shot(
        number=number, captured_at_s=at_s, bit_depth=8, colour=image.ndim == 3, make=lambda: image, **more
    )


def known(rig=None, tables=None):
    return Known(
        names=("upper", "lower"),
        rig=rig,
        calibration=None,
        looks=PerformerLooks(),
        landmark_looks=Looks(),
        tables=tables or {},
    )


def rig(**more):
    cameras = tuple(CameraDescription(name=name, transfer="table:curve.yaml") for name in ("upper", "lower"))
    return RigDescription(name="kestrel", cameras=cameras, **more)


def test_the_newest_that_belong_together():
    """Camera 2 is a period behind: its newest goes with camera 1's picture before the last."""
    first = [shot(k / 30, k) for k in range(4)]
    second = [shot(k / 30 + 0.004, k) for k in range(3)]
    shots, apart = newest_together([first, second])
    assert [each.number for each in shots] == [2, 2]
    assert apart == pytest.approx(0.004)
    assert newest_together([first, []]) is None
    assert newest_together([first])[0][0].number == 3


def test_the_range_that_a_source_states_counts_where_the_rig_file_is_silent():
    shots = [shot(0.0, value_range="video"), shot(0.0)]
    found = described_as_read(known(rig()), shots, VIEWS)
    assert [camera.value_range for camera in found.cameras] == ["video", None]
    assert described_as_read(known(), shots, VIEWS) is None


def test_another_form_asks_for_another_measurer():
    grey, colour = np.zeros((4, 6), np.uint8), np.zeros((4, 6, 3), np.uint8)
    forms = {form_of([shot(0.0, picture=each)], VIEWS[:1]) for each in (grey, colour, grey[:3])}
    assert len(forms) == 3


@pytest.fixture(scope="module")
def pictures():
    return [shot(0.0, picture=pictures[0]) for pictures in talking_clip().pictures]


def frames(shots):
    return [view.frame(shots[view.source_idx], camera="c", origin="o") for view in VIEWS]


def test_a_measured_transfer_curve_tells_light(pictures, tmp_path):
    """A table of code values that are light, as of a linear camera: the skin's light is its code value over white."""
    path = tmp_path / "curve.yaml"
    path.write_text("points:\n  - [0, 0]\n  - [255, 1]\n")
    measurer = FaceMeasurer(known(rig(), {"upper": path}), pictures, VIEWS)
    moment = measurer.measure(frames(pictures), matched=False)
    measurer.close()
    with_table, without = (part.exposure for part in moment.cameras)
    assert without.level is None
    codes = [place.code for place in with_table.places.values()]
    assert min(codes) / 255 < with_table.level < max(codes) / 255


def test_of_a_proxy_neither_focus_nor_light_is_measured(pictures):
    measurer = FaceMeasurer(known(rig(proxy=Proxy(scale=0.5))), pictures, VIEWS)
    moment = measurer.measure(frames(pictures), matched=True)
    measurer.close()
    assert all(part.framing is not None for part in moment.cameras)
    assert all(part.focus is None and part.exposure is None for part in moment.cameras)


def test_two_cameras_of_one_source_that_holds_both(tmp_path):
    begun = begin(LiveOptions(sources=("0#stacked",), out=tmp_path, mass_g=300.0))
    assert begun.names == ("camera1", "camera2")
    assert [view.second for view in begun.views] == [False, True]
    assert begun.record.head_borne_kg == 0.3


def test_a_moment_is_noted_once_when_the_next_is_begun_or_asked_for(pictures, tmp_path):
    """Answers are from the moments noted, and never from one twice."""
    begun = begin(LiveOptions(sources=("0#stacked",), out=tmp_path))
    both = np.concatenate([each.image for each in pictures])
    session = FaceSession(begun, height_px=480)
    session.take([shot(1.0, 0, both)], 0.0)
    assert session.measured_at_s is None
    assert not session.judge()
    session.take([shot(1.1, 1, both)], 0.0)  # notes the first
    assert session.measured_at_s == 1.0
    assert session.judge()
    assert session.answers[1] == 1.0
    session.note()
    session.note()
    assert session.measured_at_s == 1.1
    assert [session.judge(), session.judge()] == [True, False]
    assert session.answers[1] == 1.1
    session.take([shot(1.2, 2, both)], 0.0)
    session.say_trouble("planted")
    session.note()
    assert not session.judge()
    session.close()
