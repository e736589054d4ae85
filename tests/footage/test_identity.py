"""The right picture under the right index, whichever way it is reached, for every codec."""

import hashlib
from fractions import Fraction

import av
import numpy as np
import pytest

from rigcheck.footage import open_footage

_X265 = {"x265-params": "log-level=none"}
# Each differs from the others in container, codec, depth, reordering or times.
CLIPS = {
    "h264": ("a.mp4", {"gop": 6}),
    "h264 high, B-pictures": ("a.mov", {"gop": 12, "b_frames": 3}),
    "h264 open groups": ("a.mkv", {"gop": 6, "b_frames": 2, "options": {"x264-params": "open-gop=1"}}),
    "h264 10 bit": ("a.mp4", {"pixel_format": "yuv420p10le", "gop": 5}),
    "h264 full range": ("a.mp4", {"full_range": True}),
    "h264 grey": ("a.mp4", {"pixel_format": "gray", "gop": 6}),
    "h264 grey 10 bit": ("a.mp4", {"pixel_format": "gray10le", "gop": 6}),
    "h264 all key": ("a.mp4", {"gop": 1}),
    "h264 bare stream": ("a.h264", {"b_frames": 2}),
    "h264 transport stream": ("a.ts", {"gop": 6, "b_frames": 2}),
    "h265": ("a.mp4", {"codec": "libx265", "gop": 6, "options": _X265}),
    "h265 10 bit": ("a.mkv", {"codec": "libx265", "pixel_format": "yuv420p10le", "options": _X265}),
    "h265 open groups": (
        "a.mp4",
        {"codec": "libx265", "options": {"x265-params": "log-level=none:open-gop=1:keyint=8:min-keyint=8"}},
    ),
    "prores": ("a.mov", {"codec": "prores_ks", "pixel_format": "yuv422p10le"}),
    "prores 4444": ("a.mov", {"codec": "prores_ks", "pixel_format": "yuv444p10le"}),
    "mjpeg": ("a.avi", {"codec": "mjpeg", "pixel_format": "yuvj422p"}),
    "mjpeg mov": ("a.mov", {"codec": "mjpeg", "pixel_format": "yuvj420p"}),
    "dnxhr": (
        "a.mov",
        {"codec": "dnxhd", "pixel_format": "yuv422p", "size": (320, 240), "options": {"profile": "dnxhr_sq"}},
    ),
    "dnxhr 10 bit mxf": (
        "a.mxf",
        {
            "codec": "dnxhd",
            "pixel_format": "yuv422p10le",
            "size": (320, 240),
            "options": {"profile": "dnxhr_hqx"},
        },
    ),
    "ffv1 grey 16 bit": ("a.mkv", {"codec": "ffv1", "pixel_format": "gray16le"}),
    "mpeg4 avi B-pictures": ("a.avi", {"codec": "mpeg4", "b_frames": 2, "gop": 6}),
    "h264 59.94": ("a.mp4", {"rate": Fraction(60000, 1001), "gop": 8}),
}


@pytest.mark.parametrize("name", CLIPS)
def test_every_way_of_reading_gives_the_same_picture(name, clip_file, read_number):
    file, spec = CLIPS[name]
    numbers = [(37 * k + 11) % 256 for k in range(30)]  # no two alike, neighbours far apart
    path = clip_file(file, numbers=numbers, **spec)
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    clip = open_footage(str(path), camera="camera1")
    depth = clip.info.bit_depth

    def told(frames):
        return {frame.ref.frame_idx: read_number(frame.image, bit_depth=depth) for frame in frames}

    truth = dict(enumerate(numbers))
    assert told(clip.frames()) == truth
    assert told(clip.frames(step=4)) == {k: truth[k] for k in range(0, 30, 4)}
    keys = told(clip.frames(keyframes_only=True))
    assert keys
    assert keys == {k: truth[k] for k in keys}
    for wanted in ([29], [0, 29], [7], [13, 14, 28], [19, 3, 3]):
        assert told(clip.frames_at(wanted)) == {k: truth[k] for k in set(wanted)}
    assert told(clip.frames(colour=True, step=9)) == {k: truth[k] for k in range(0, 30, 9)}
    assert clip.info.n_frames == len(clip) == 30
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before


@pytest.mark.parametrize("name", [name for name in CLIPS if "10 bit" not in name and "prores" not in name])
def test_luma_is_what_ffmpegs_own_conversion_gives(name, clip_file):
    """Outside check: PyAV's documented ``to_ndarray`` of the decoded picture."""
    file, spec = CLIPS[name]
    path = clip_file(file, **spec)
    width, height = spec.get("size", (160, 120))
    clip = open_footage(str(path), camera="camera1")
    with av.open(str(path)) as container:
        for frame, theirs in zip(clip.frames(), container.decode(video=0), strict=True):
            if theirs.format.name in ("yuv422p", "yuvj422p"):
                theirs = theirs.reformat(format=theirs.format.name.replace("422", "444"))
            array = theirs.to_ndarray()
            whole = array[0] if array.ndim == 3 and array.shape[0] == 3 else array[:height]
            np.testing.assert_array_equal(frame.image, whole.reshape(-1, width)[:height])


@pytest.mark.parametrize(
    "name", ["h264 open groups", "h265 open groups", "h264 high, B-pictures", "h264 transport stream"]
)
def test_any_choice_of_pictures_of_a_longer_clip(name, clip_file, read_number, rng):
    """Long enough that seeks pay; groups of pictures that lean on their neighbours are the hard case."""
    file, spec = CLIPS[name]
    numbers = [(37 * k + 11) % 256 for k in range(150)]
    options = (
        {"x264-params": "open-gop=1:keyint=20:min-keyint=20"} if "h264" in name else dict(spec["options"])
    )
    path = clip_file(file, numbers=numbers, **{**spec, "gop": 20, "options": options})
    clip = open_footage(str(path), camera="camera1")
    for k in range(12):
        wanted = rng(21, k).choice(150, size=1 + k, replace=False)
        told = [read_number(frame.image) for frame in clip.frames_at(wanted)]
        assert told == [numbers[index] for index in sorted(wanted)]
    keys = [(frame.ref.frame_idx, read_number(frame.image)) for frame in clip.frames(keyframes_only=True)]
    assert len(keys) >= 7
    assert all(number == numbers[index] for index, number in keys)
