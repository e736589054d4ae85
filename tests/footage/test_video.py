"""What a video file says of itself, and files that are not what they seem."""

import hashlib
import struct
from fractions import Fraction

import av
import numpy as np
import pytest

from rigcheck.errors import InputError
from rigcheck.footage import open_cameras, open_footage

X265 = {"x265-params": "log-level=none"}


def _codes(clip):
    return {finding.code for finding in clip.info.findings}


def _numbers(clip, read_number, **how):
    return [read_number(frame.image, bit_depth=frame.bit_depth) for frame in clip.frames(**how)]


# --- what is reported ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("file", "spec", "depth", "colour", "value_range"),
    [
        ("a.mp4", {"pixel_format": "yuv420p"}, 8, True, None),
        ("a.mp4", {"pixel_format": "yuv420p", "full_range": True}, 8, True, "full"),
        ("a.mp4", {"codec": "libx265", "pixel_format": "gray", "options": X265}, 8, False, None),
        ("a.mp4", {"pixel_format": "yuv420p10le"}, 10, True, None),
        ("a.mov", {"codec": "prores_ks", "pixel_format": "yuv422p10le"}, 10, True, "video"),
        ("a.avi", {"codec": "mjpeg", "pixel_format": "yuvj420p"}, 8, True, "full"),
        ("a.mkv", {"codec": "ffv1", "pixel_format": "gray12le"}, 12, False, None),
    ],
)
def test_depth_colour_and_range(file, spec, depth, colour, value_range, clip_file):
    info = open_footage(str(clip_file(file, **spec)), camera="camera1").info
    assert (info.bit_depth, info.colour) == (depth, colour)
    assert info.value_range == value_range or (value_range is None and info.value_range == "video")
    assert info.findings == ()


@pytest.mark.parametrize(
    "rate", [Fraction(24000, 1001), Fraction(25), Fraction(60000, 1001), Fraction(60), Fraction(120)]
)
@pytest.mark.parametrize("file", ["a.mp4", "a.mkv", "a.ts", "a.avi"])
def test_frame_rate_and_times(rate, file, clip_file):
    b_frames = 0 if file == "a.avi" else 2
    clip = open_footage(
        str(clip_file(file, rate=rate, numbers=range(12), b_frames=b_frames)), camera="camera1"
    )
    assert clip.info.frame_rate == rate
    times = [frame.ref.time_s for frame in clip.frames()]
    np.testing.assert_allclose(times, np.arange(12) / float(rate), atol=0.0006)  # s: MKV counts whole ms
    assert clip.info.findings == ()


@pytest.mark.parametrize(("anticlockwise", "clockwise"), [(90, 270), (180, 180), (270, 90)])
def test_display_rotation_is_reported_and_not_applied(anticlockwise, clockwise, clip_file, read_number):
    path = clip_file("a.mov", rotation=anticlockwise)
    clip = open_footage(str(path), camera="camera1")
    assert clip.info.display_rotation_deg == clockwise
    assert "display_rotation" in _codes(clip)
    assert clip.info.size_px == (160, 120)
    assert _numbers(clip, read_number) == list(range(24))


def test_rotation_is_read_from_the_matrix_in_the_track_header(clip_file):
    """ISO/IEC 14496-12, 8.3.2: the matrix {a b u, c d v, x y w} in a tkhd box, written here by hand."""
    path = clip_file("a.mp4")
    data = bytearray(path.read_bytes())
    matrix = data.index(b"tkhd") + 4 + 40  # version 0: 40 bytes from the version to the matrix
    quarter = (
        0,
        1 << 16,
        0,
        -(1 << 16),
        0,
        0,
        160 << 16,
        0,
        1 << 30,
    )  # x' = -y, y' = x: clockwise, y being down
    data[matrix : matrix + 36] = struct.pack(">9i", *quarter)
    path.write_bytes(data)
    assert open_footage(str(path), camera="camera1").info.display_rotation_deg == 90


def test_mirroring_is_reported(clip_file):
    clip = open_footage(str(clip_file("a.mov", mirrored=True)), camera="camera1")
    assert any("mirrored" in finding.sentence for finding in clip.info.findings)


def test_interlaced_video_is_reported(clip_file):
    options = {"x264-params": "tff=1"}
    clip = open_footage(str(clip_file("a.mp4", options=options, size=(160, 128))), camera="camera1")
    assert "interlaced" in _codes(clip)


def test_pixels_that_are_not_square_are_reported(clip_file):
    clip = open_footage(str(clip_file("a.mp4", aspect=Fraction(4, 3))), camera="camera1")
    assert "pixels_not_square" in _codes(clip)


def test_timecode_of_the_first_picture_and_of_each(clip_file):
    path = clip_file("a.mov", rate=Fraction(30000, 1001), timecode="00:00:59;20", numbers=range(12))
    clip = open_footage(str(path), camera="camera1")
    assert clip.info.start_timecode == "00:00:59;20"
    told = [frame.ref.timecode for frame in clip.frames()]
    assert told[9:11] == ["00:00:59;29", "00:01:00;02"]  # SMPTE ST 12-1: ;00 and ;01 are skipped


@pytest.mark.parametrize("file", ["a.mov", "a.mp4", "a.mxf", "a.mkv"])
def test_timecode_is_found_wherever_the_container_keeps_it(file, clip_file):
    spec = {"codec": "mpeg2video", "b_frames": 0} if file == "a.mxf" else {}
    path = clip_file(file, timecode="10:20:30:04", rate=Fraction(25), **spec)
    assert open_footage(str(path), camera="camera1").info.start_timecode == "10:20:30:04"


def test_a_timecode_track_that_counts_half_the_pictures(clip_file):
    """The tmcd sample description says how many numbers a second there are (byte 24 of its content)."""
    path = clip_file("a.mov", timecode="10:00:00:15", rate=Fraction(60))
    data = bytearray(path.read_bytes())
    place = data.index(struct.pack(">II4s", 0, 1, b"\0\0\0\x24") + b"tmcd") + 16
    assert data[place + 24] == 60
    data[place + 24] = 30
    ticks_per_s, ticks_per_number = struct.unpack(">II", data[place + 16 : place + 24])
    data[place + 20 : place + 24] = struct.pack(">I", 2 * ticks_per_number)
    number = data.index(struct.pack(">I", 36000 * 60 + 15))
    data[number : number + 4] = struct.pack(">I", 36000 * 30 + 15)
    path.write_bytes(data)
    assert ticks_per_s == 60 * ticks_per_number
    clip = open_footage(str(path), camera="camera1")
    told = [frame.ref.timecode for frame in clip.frames_at([0, 1, 2, 3])]
    assert told == ["10:00:00:15", "10:00:00:15", "10:00:00:16", "10:00:00:16"]


@pytest.mark.parametrize(
    ("file", "spec"),
    [
        ("a.avi", {"codec": "mjpeg", "pixel_format": "yuvj420p"}),
        ("a.mov", {"codec": "prores_ks", "pixel_format": "yuv422p10le"}),
    ],
)
def test_pictures_written_twice_are_reported(file, spec, clip_file):
    clip_of = lambda numbers: str(clip_file(file, numbers=numbers, **spec))  # noqa: E731 - one line, used twice
    assert "repeated_pictures" not in _codes(open_footage(clip_of(range(24)), camera="camera1"))
    path = clip_of([*range(10), 9, 9, *range(12, 24)])
    (finding,) = open_footage(path, camera="camera1").info.findings
    assert finding.code == "repeated_pictures"
    assert finding.sentence.startswith("2 pictures are exact copies of the one before (frame 10 to 11)")
    assert open_footage(f"{path}@0.5-", camera="camera1").info.findings == ()


# --- times that do not start at zero, or are cut -----------------------------------------------


@pytest.mark.parametrize("file", ["a.mp4", "a.mkv", "a.ts"])
def test_a_start_later_than_zero_changes_nothing(file, clip_file, read_number):
    path = clip_file(file, ticks=[k + 90 for k in range(24)], gop=6)
    clip = open_footage(str(path), camera="camera1")
    assert _numbers(clip, read_number) == list(range(24))
    assert next(clip.frames()).ref.time_s == 0
    assert [read_number(frame.image) for frame in clip.frames_at([17])] == [17]


def test_an_edit_list_that_cuts_the_start_is_kept_to(clip_file, read_number):
    """ISO/IEC 14496-12, 8.6.6: presentation starts at media_time."""
    path = clip_file("a.mp4", b_frames=0, gop=6)
    data = bytearray(path.read_bytes())
    place = data.index(b"elst") + 4 + 8  # version and flags, entry count
    duration_ms, media_time = struct.unpack(">Ii", data[place : place + 8])
    assert (duration_ms, media_time) == (800, 0)
    data[place : place + 8] = struct.pack(">Ii", 700, 3 * 512)  # 512 ticks of 1/15360 s to a picture
    path.write_bytes(data)
    clip = open_footage(str(path), camera="camera1")
    assert _numbers(clip, read_number) == list(range(3, 24))
    assert [f.ref.frame_idx for f in clip.frames()] == list(range(21))
    assert clip.info.findings == ()
    for index in (0, 2, 3, 9, 20):
        (frame,) = clip.frames_at([index])
        assert read_number(frame.image) == index + 3
    keys = {frame.ref.frame_idx: read_number(frame.image) for frame in clip.frames(keyframes_only=True)}
    assert keys == {k: k + 3 for k in keys}
    assert len(keys) >= 3


def test_a_recording_that_starts_between_key_pictures(clip_file, read_number, tmp_path):
    whole = clip_file("a.ts", gop=8, b_frames=0, options={"x264-params": "scenecut=0"})
    cut = tmp_path / "b.mkv"
    with av.open(str(whole)) as source, av.open(str(cut), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for k, packet in enumerate(source.demux(video=0)):
            if k >= 3 and packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    clip = open_footage(str(cut), camera="camera1")
    assert "undecodable_start" in _codes(clip)
    assert _numbers(clip, read_number) == list(range(8, 24))


def test_made_up_times_of_a_container_without_any_are_not_trusted(clip_file, read_number):
    """AVI stores no presentation times; for H.264 with B-pictures FFmpeg makes up wrong ones."""
    numbers = [(37 * k + 11) % 256 for k in range(24)]
    clip = open_footage(str(clip_file("a.avi", b_frames=2, numbers=numbers)), camera="camera1")
    assert "no_times" in _codes(clip)
    assert _numbers(clip, read_number) == numbers
    assert [read_number(frame.image) for frame in clip.frames_at([5, 20])] == [numbers[5], numbers[20]]


def test_a_timecode_that_cannot_be_is_reported(clip_file):
    path = clip_file("a.mkv", timecode="10:00:00:77")
    clip = open_footage(str(path), camera="camera1")
    assert "timecode_unreadable" in _codes(clip)
    assert clip.info.start_timecode is None


# --- in and out points --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("points", "used"),
    [
        ("@0.1-0.2", range(3, 7)),
        ("@0.5-", range(15, 24)),
        ("@-0.1", range(4)),
        ("@0.033-0.034", [1]),
        ("@0-99", None),
        ("@5-6", None),
        ("@0.01-0.02", None),
    ],
)
def test_points_in_seconds_include_both_ends(points, used, clip_file, read_number):
    path = clip_file("a.mp4", gop=6)
    if used is None:
        with pytest.raises(InputError, match=r"outside the clip|no picture lies"):
            open_footage(f"{path}{points}", camera="camera1")
        return
    clip = open_footage(f"{path}{points}", camera="camera1")
    assert _numbers(clip, read_number) == list(used)
    assert [frame.ref.frame_idx for frame in clip.frames()] == list(used)
    assert clip.info.n_frames == len(used)


@pytest.mark.parametrize(
    ("points", "used", "code"),
    [
        ("@01:00:00:05-01:00:00:09", range(5, 10), "points_by_timecode"),
        ("@00:00:00:05-00:00:00:09", range(5, 10), "points_by_time"),
        ("@01:00:00:20-", range(20, 24), "points_by_timecode"),
    ],
)
def test_points_by_timecode_of_the_file_or_from_its_start(points, used, code, clip_file, read_number):
    path = clip_file("a.mov", timecode="01:00:00:00")
    clip = open_footage(f"{path}{points}", camera="camera1")
    assert _numbers(clip, read_number) == list(used)
    assert code in _codes(clip)
    assert clip.info.start_timecode == f"01:00:00:{used[0]:02d}"


@pytest.mark.parametrize("points", ["@02:00:00:00-02:00:00:05", "@00:00:00:99-00:00:01:00", "@00:61:00:00-"])
def test_timecode_points_outside_are_refused_with_the_range(points, clip_file):
    path = clip_file("a.mov", timecode="01:00:00:00")
    with pytest.raises(InputError, match=r"outside the clip|out of range|no picture") as caught:
        open_footage(f"{path}{points}", camera="camera1")
    assert caught.value.hint


def test_clips_joined_by_commas_are_one_longer_clip(clip_file, read_number):
    first = clip_file("a.mp4", numbers=range(10))
    second = clip_file("b.mp4", numbers=range(100, 110))
    clip = open_footage(f"{first}@0.1-0.2,{second}", camera="camera1")
    frames = list(clip.frames())
    assert [read_number(frame.image) for frame in frames] == [*range(3, 7), *range(100, 110)]
    assert [frame.ref.frame_idx for frame in frames] == [*range(3, 7), *range(10, 20)]
    assert {frame.ref.origin for frame in frames} == {str(first), str(second)}
    assert [read_number(frame.image) for frame in clip.frames_at([12, 4])] == [4, 102]
    assert len(clip) == clip.info.n_frames == 14
    with pytest.raises(ValueError, match="outside the clip"):
        next(clip.frames_at([8]))


@pytest.mark.parametrize(
    ("other", "found"),
    [
        ({"size": (160, 128)}, "size 160 x 128 px found, 160 x 120 px needed"),
        ({"pixel_format": "yuv420p10le"}, "bit depth 10 found, 8 needed"),
        ({"rate": Fraction(25)}, "frame rate 25 found, 30 needed"),
    ],
)
def test_clips_of_other_settings_do_not_join(other, found, clip_file):
    first, second = clip_file("a.mp4"), clip_file("b.mp4", **other)
    with pytest.raises(InputError, match=found):
        open_footage(f"{first},{second}", camera="camera1")


# --- both cameras in one file -------------------------------------------------------------------


@pytest.mark.parametrize("layout", ["side-by-side", "stacked"])
def test_halves_of_one_picture(layout, clip_file, picture):
    path = clip_file("a.mkv", codec="ffv1", pixel_format="gray", numbers=range(5))
    first, second = open_cameras([f"{path}#{layout}"], cameras=["camera1", "camera2"])
    for k, (one, two) in enumerate(zip(first.frames(), second.frames(), strict=True)):
        whole = picture(k)
        halves = np.split(whole, 2, axis=1 if layout == "side-by-side" else 0)
        np.testing.assert_array_equal(one.image, halves[0])
        np.testing.assert_array_equal(two.image, halves[1])
        assert one.size_px == first.info.size_px == ((80, 120) if layout == "side-by-side" else (160, 60))


def test_an_odd_size_cannot_be_halved(clip_file):
    path = clip_file("a.mkv", codec="ffv1", pixel_format="gray", size=(161, 121))
    for layout in ("side-by-side", "stacked"):
        with pytest.raises(InputError, match="161 x 121 px cannot be cut in two equal halves"):
            open_footage(f"{path}#{layout}", camera="camera1", half="first")


def test_halves_must_be_asked_for_where_there_are_any(clip_file):
    path = clip_file("a.mp4")
    with pytest.raises(InputError, match="nothing says that"):
        open_footage(str(path), camera="camera1", half="first")
    with pytest.raises(InputError, match="holds both cameras"):
        open_footage(f"{path}#stacked", camera="camera1")
    with pytest.raises(InputError, match="footage of 2 cameras is given, the rig has 1"):
        open_cameras([str(path), str(path)], cameras=["camera1"])
    assert len(open_cameras([str(path)], cameras=["camera1", "camera2"])) == 1


def test_two_streams_in_one_file(tmp_path, picture, read_number):
    path = tmp_path / "two.mkv"
    with av.open(str(path), "w") as container:
        streams = [container.add_stream("ffv1", rate=30) for _ in range(2)]
        for stream in streams:
            stream.width, stream.height, stream.pix_fmt = 160, 120, "gray"
        for k in range(6):
            for number, stream in zip((k, 100 + k), streams, strict=True):
                frame = av.VideoFrame.from_ndarray(picture(number), format="gray")
                frame.pts = k
                container.mux(stream.encode(frame))
        for stream in streams:
            container.mux(stream.encode(None))
    plain = open_footage(str(path), camera="camera1")
    assert "several_streams" in _codes(plain)
    assert _numbers(plain, read_number) == list(range(6))
    second = open_footage(f"{path}#stream=1", camera="camera2")
    assert "several_streams" not in _codes(second)
    assert _numbers(second, read_number) == list(range(100, 106))
    with pytest.raises(InputError, match="picture stream 2 asked for, the file holds 2"):
        open_footage(f"{path}#stream=2", camera="camera1")


# --- files that are not what they seem ----------------------------------------------------------


def _read_until_error(clip, read_number):
    """Numbers that came out, and the error that ended them."""
    told = []
    try:
        for frame in clip.frames():
            told.append(read_number(frame.image, bit_depth=frame.bit_depth))
    except InputError as error:
        return told, error
    raise AssertionError("read to the end without an error")


def _refused(path, found):
    with pytest.raises(InputError, match=found) as caught:
        open_footage(str(path), camera="camera1")
    assert str(path) in str(caught.value)
    assert caught.value.hint


@pytest.mark.parametrize("name", ["nothing.mov", "n" * 300 + ".mov", "null\0.mov"])
def test_missing_file(name, tmp_path):
    _refused(tmp_path / name, "no such file or folder")


@pytest.mark.parametrize("name", ["a.mp4", "a.mov", "a.mxf", "a.mkv", "a.unknown"])
def test_zero_bytes_and_text_with_a_videos_name(name, tmp_path):
    path = tmp_path / name
    path.write_bytes(b"")
    _refused(path, "0 bytes")
    path.write_text("frame,x,y\n" * 200)
    _refused(path, "no video that can be read")


@pytest.mark.parametrize("script", ["ffconcat version 1.0\nfile '{}'\n", "#EXTM3U\n#EXTINF:1,\n{}\n"])
def test_lists_that_point_to_other_files_are_not_followed(script, clip_file, tmp_path):
    """Also keeps a file from making the program reach for the network."""
    video = clip_file("real.ts")
    path = tmp_path / "list.mp4"
    path.write_text(script.format(video.name))
    _refused(path, "no video that can be read")


@pytest.mark.parametrize("kept", [0.1, 0.5, 0.9])
def test_a_file_cut_before_its_index(kept, clip_file, tmp_path):
    data = clip_file("whole.mp4").read_bytes()  # the index stands at the end
    path = tmp_path / "cut.mp4"
    path.write_bytes(data[: int(kept * len(data))])
    _refused(path, "ends before its index")


def test_a_file_cut_after_its_index_is_reported_and_its_missing_pictures_are_an_error(
    clip_file, tmp_path, read_number
):
    options = {"qp": "1", "x264-params": "keyint=6:bframes=0"}
    whole = clip_file("whole.mp4", options=options, numbers=[(k * 37) % 256 for k in range(24)])
    fast = tmp_path / "fast.mp4"
    with av.open(str(whole)) as source, av.open(str(fast), "w", options={"movflags": "faststart"}) as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    path = tmp_path / "cut.mp4"
    path.write_bytes(fast.read_bytes()[: int(0.6 * fast.stat().st_size)])
    clip = open_footage(str(path), camera="camera1")
    assert "cut_short" in _codes(clip)
    told, error = _read_until_error(clip, read_number)
    assert f"picture {len(told)} of" in str(error)
    assert told == [(k * 37) % 256 for k in range(len(told))]
    assert len(told) >= 6
    assert "copy the file again" in error.hint
    # The remedy works as given.
    remedy = error.hint.rsplit(": ", 1)[1]
    assert _numbers(open_footage(remedy, camera="camera1"), read_number) == told


def test_sound_only(tmp_path):
    path = tmp_path / "sound.mov"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=8000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), dtype=np.int16), format="s16", layout="mono")
        frame.sample_rate = 8000
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    _refused(path, "no picture stream")


@pytest.mark.parametrize(
    ("file", "spec"),
    [
        ("a.mp4", {"gop": 8, "b_frames": 0, "options": {"qp": "1"}}),
        ("a.avi", {"codec": "mjpeg", "pixel_format": "yuvj420p"}),
        ("a.mov", {"codec": "prores_ks", "pixel_format": "yuv422p10le"}),
        ("a.mp4", {"codec": "libx265", "options": {"x265-params": "log-level=none:bframes=0:qp=2"}}),
    ],
)
def test_damage_within_a_file_is_an_error_and_never_a_wrong_picture(file, spec, clip_file, read_number):
    numbers = [(37 * k + 11) % 256 for k in range(24)]
    path = clip_file(file, numbers=numbers, **spec)
    with av.open(str(path)) as container:
        places = [(packet.pos, packet.size) for packet in container.demux(video=0) if packet.size]
    data = bytearray(path.read_bytes())
    start, size = places[13]
    data[start : start + size] = bytes(size)
    path.write_bytes(data)
    clip = open_footage(str(path), camera="camera1")
    told, error = _read_until_error(clip, read_number)
    assert "cannot be decoded" in str(error)
    assert told == numbers[: len(told)]
    assert 8 <= len(told) <= 13  # H.264: the decoder may hold on to pictures before the damaged one


def test_damage_that_the_decoder_papers_over_is_an_error_too(clip_file, read_number):
    """FFmpeg conceals a missing H.264 slice from the picture before, and only flags the picture."""
    numbers = [(37 * k + 11) % 256 for k in range(24)]
    options = {"qp": "10", "x264-params": "slices=2"}
    path = clip_file("a.mp4", numbers=numbers, gop=8, b_frames=0, options=options)
    with av.open(str(path)) as container:
        start, size = [(packet.pos, packet.size) for packet in container.demux(video=0) if packet.size][13]
    data = bytearray(path.read_bytes())
    (first_slice,) = struct.unpack(">I", data[start : start + 4])
    second = start + 4 + first_slice + 4
    assert second < start + size
    data[second] = (
        data[second] & 0xE0 | 12
    )  # ITU-T H.264, table 7-1: filler data, which a decoder passes over
    path.write_bytes(data)
    with av.open(str(path)) as container:
        assert len(list(container.decode(video=0))) == 24  # nothing raised, nothing lost
    told, error = _read_until_error(open_footage(str(path), camera="camera1"), read_number)
    assert "picture 13 of 24 cannot be decoded (its data are damaged)" in str(error)
    assert told == numbers[:13]


def test_one_pixel_video(clip_file):
    path = clip_file("a.mkv", codec="ffv1", pixel_format="gray", size=(1, 1), numbers=range(3))
    clip = open_footage(str(path), camera="camera1")
    assert clip.info.size_px == (1, 1)
    assert [frame.size_px for frame in clip.frames()] == [(1, 1)] * 3


def test_a_change_of_size_within_the_file_is_an_error(clip_file, tmp_path):
    small, large = (
        clip_file("s.h264", numbers=range(4)),
        clip_file("l.h264", size=(320, 240), numbers=range(4)),
    )
    path = tmp_path / "both.h264"
    path.write_bytes(small.read_bytes() + large.read_bytes())
    clip = open_footage(str(path), camera="camera1")
    with pytest.raises(InputError, match="changes on the way to 320 x 240 px"):
        list(clip.frames())


def test_times_that_start_anew_within_the_file_are_not_trusted(clip_file, read_number, tmp_path):
    one, two = clip_file("1.ts", numbers=range(8)), clip_file("2.ts", numbers=range(100, 108))
    path = tmp_path / "both.ts"
    path.write_bytes(one.read_bytes() + two.read_bytes())
    clip = open_footage(str(path), camera="camera1")
    told = _numbers(clip, read_number)
    assert told == [*range(8), *range(100, 108)]
    assert "no_times" in _codes(clip) or clip.info.findings


@pytest.mark.parametrize("name", ["a:b.mp4", "take 100%d.mp4", "Größe ü 撮影.mp4", "-i.mp4", "http:x.mp4"])
def test_names_that_mean_something_to_ffmpeg(name, clip_file, read_number, tmp_path, monkeypatch):
    clip_file(name, numbers=range(4)) if "http" not in name else (tmp_path / name).write_bytes(
        clip_file("plain.mp4", numbers=range(4)).read_bytes()
    )
    monkeypatch.chdir(tmp_path)
    assert _numbers(open_footage(name, camera="camera1"), read_number) == list(range(4))


def test_inputs_are_left_untouched_and_hashed(clip_file):
    path = clip_file("a.mp4")
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    clip = open_footage(str(path), camera="camera1")
    list(clip.frames(step=5))
    assert clip.hashes() == {str(path): before}
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert [each.name for each in path.parent.iterdir()] == ["a.mp4"]


def test_a_changed_file_gets_a_new_hash(tmp_path):
    from rigcheck.footage import sha256_of

    path = tmp_path / "a"
    path.write_bytes(b"abc")
    # FIPS 180-4, example of SHA-256 for the message "abc".
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    path.write_bytes(b"abcd")
    assert sha256_of(path) == hashlib.sha256(b"abcd").hexdigest()
    with pytest.raises(InputError, match="cannot be read"):
        sha256_of(tmp_path / "missing")
