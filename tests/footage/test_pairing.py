"""Pairs of pictures, told by the numbers that the pictures carry."""

import shutil
import threading
from fractions import Fraction

import av
import numpy as np
import pytest
from PIL import Image

from rigcheck.errors import InputError
from rigcheck.footage import open_cameras, open_footage, pair_clips


@pytest.fixture
def cameras(clip_file):
    """Open two clips, each from its own spec."""

    def make(first, second, points=("", ""), file="mov"):
        paths = (clip_file(f"a.{file}", **first), clip_file(f"b.{file}", **second))
        return tuple(
            open_footage(f"{path}{at}", camera=f"camera{k}")
            for k, (path, at) in enumerate(zip(paths, points, strict=True), start=1)
        )

    return make


@pytest.fixture
def told(read_number):
    """Numbers of each pair."""

    def read(pairs):
        return [
            tuple(read_number(frame.image, bit_depth=frame.bit_depth) for frame in pair) for pair in pairs
        ]

    return read


# The two clips never have one content: camera 2's pictures carry the number of camera 1's plus this.
APART = 100


def _without(*dropped, n=30, apart=0):
    kept = [k for k in range(n) if k not in dropped]
    return {
        "numbers": [k + apart for k in kept],
        "ticks": kept,
        "gop": 8,
        "options": {"x264-params": "scenecut=0"},
    }


def _codes(pairing):
    return [finding.code for finding in pairing.findings]


def _same_moments(numbers):
    return all(two - one == APART for one, two in numbers)


def test_equal_clips_pair_by_index(cameras, told):
    clips = cameras(_without(), _without(apart=APART))
    pairing = pair_clips(*clips)
    assert (pairing.basis, pairing.n_pairs, pairing.findings) == ("index", 30, ())
    numbers = told(pairing.pairs())
    assert numbers == [(k, k + APART) for k in range(30)]
    assert told(pairing.pairs(step=7)) == numbers[::7]
    assert told(pairing.pairs_at([28, 3, 3, 11])) == [numbers[k] for k in (3, 11, 28)]
    one, two = next(pairing.pairs())
    assert (one.ref.camera, two.ref.camera) == ("camera1", "camera2")


def test_key_pairs(cameras, told):
    pairing = pair_clips(*cameras(_without(), _without(apart=APART)))
    keys = told(pairing.pairs(keyframes_only=True))
    assert len(keys) == len(pairing.key_pairs) == 4  # 30 pictures in groups of 8
    assert _same_moments(keys)


@pytest.mark.parametrize("by", ["auto", "index"])
def test_unequal_lengths_are_refused_with_both_counts_and_the_remedies(by, cameras):
    clips = cameras(_without(n=30), _without(n=29, apart=APART))
    with pytest.raises(InputError, match="camera1 has 30 pictures, camera2 has 29") as caught:
        pair_clips(*clips, by=by)
    for remedy in ("in and out points", "--pair timecode", "--offset-frames"):
        assert remedy in caught.value.hint


@pytest.mark.parametrize(
    ("dropped1", "dropped2"),
    [((), (10,)), ((10,), ()), ((5,), (20,)), ((5, 6, 7), (5, 6, 7)), ((0 + 1,), (28,))],
)
def test_drops_are_paired_by_time_and_what_is_left_out_is_said(dropped1, dropped2, cameras, told):
    """Also where both cameras dropped as many, so that the counts are equal and the index would lie."""
    pairing = pair_clips(*cameras(_without(*dropped1), _without(*dropped2, apart=APART)))
    numbers = told(pairing.pairs())
    assert pairing.basis == "time"
    assert [one for one, _ in numbers] == [k for k in range(30) if k not in {*dropped1, *dropped2}]
    assert _same_moments(numbers)
    assert _codes(pairing)[0] == "paired_by_time"
    left = set(dropped1) ^ set(dropped2)
    assert ("left_out" in _codes(pairing)) == bool(left)


@pytest.mark.parametrize("dropped", [(15,), (6,), (6, 7, 15)])
def test_time_counts_from_the_in_points_even_where_their_picture_was_dropped(dropped, cameras, told):
    """Camera 2 started three pictures later, and its in point says so; picture 6 is its in point."""
    numbers = [k for k in range(30) if k not in dropped]
    second = {"numbers": [k - 3 + APART for k in numbers], "ticks": numbers}
    pairing = pair_clips(*cameras(_without(), second, points=("@0.1-0.6", "@0.2-0.7")))
    pairs = told(pairing.pairs())
    assert pairing.basis == "time"
    assert _same_moments(pairs)
    assert [one for one, _ in pairs] == [k for k in range(3, 19) if k + 3 not in dropped]


def test_index_asked_for_despite_drops_pairs_by_index_and_says_so(cameras, told):
    pairing = pair_clips(*cameras(_without(5), _without(20, apart=APART)), by="index")
    assert not _same_moments(told(pairing.pairs()))
    assert _codes(pairing) == ["times_disagree"]


def test_a_drop_and_another_length_are_refused(cameras):
    with pytest.raises(InputError, match="goes on for 1 more") as caught:
        pair_clips(*cameras(_without(10), _without(n=29, apart=APART)))
    assert "--offset-frames" in caught.value.hint


@pytest.mark.parametrize("file", ["mp4", "mkv"])
@pytest.mark.parametrize("n", [12, 60])
def test_59_94_against_60_is_refused_however_short(file, n, cameras):
    clips = cameras(
        {"numbers": range(n), "rate": Fraction(60000, 1001)},
        {"numbers": range(APART, APART + n), "rate": Fraction(60)},
        file=file,
    )
    with pytest.raises(InputError, match=r"camera1 runs at 59\.9401 frames a second, camera2 at 60"):
        pair_clips(*clips)


def test_varying_rates_pair_by_time(cameras, told):
    rng = np.random.default_rng([4, 1])
    ticks = np.cumsum(rng.integers(80, 200, 30))
    fewer = np.delete(np.arange(30), [7, 19])
    pairing = pair_clips(
        *cameras(
            {"numbers": range(30), "ticks": ticks.tolist(), "per_frame": 100},
            {"numbers": (fewer + APART).tolist(), "ticks": ticks[fewer].tolist(), "per_frame": 100},
        )
    )
    numbers = told(pairing.pairs())
    assert _same_moments(numbers)
    assert len(numbers) == 28
    assert {"paired_by_time", "left_out"} <= set(_codes(pairing))


# --- timecode -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start1", "start2", "shift", "rate"),
    [
        ("10:00:00:00", "10:00:00:05", 5, Fraction(30)),
        ("10:00:00:05", "10:00:00:00", -5, Fraction(30)),
        ("10:00:59;28", "10:01:00;02", 2, Fraction(30000, 1001)),  # SMPTE ST 12-1: ;00 and ;01 do not exist
        ("23:59:59:20", "00:00:00:05", 10, Fraction(25)),
        ("10:00:00:00", "10:00:00:00", 0, Fraction(50)),
    ],
)
@pytest.mark.parametrize("by", ["auto", "timecode"])
def test_timecode_pairs_equal_moments_and_uses_the_overlap(start1, start2, shift, rate, by, cameras, told):
    first = {"numbers": range(30, 60), "timecode": start1, "rate": rate}
    second = {"numbers": range(30 + shift + APART, 60 + shift + APART - 2), "timecode": start2, "rate": rate}
    pairing = pair_clips(*cameras(first, second), by=by)
    numbers = told(pairing.pairs())
    assert _same_moments(numbers)
    assert pairing.basis == "timecode"
    assert pairing.n_pairs == min(30, 28 + shift) - max(0, shift)
    assert _codes(pairing)[0] == "paired_by_timecode"
    assert "left_out" in _codes(pairing)


def test_timecode_with_drops_and_points(cameras, told):
    first = _without(12) | {"timecode": "10:00:00:00"}
    second = {"numbers": [k + 3 + APART for k in range(30)], "timecode": "10:00:00:03"}
    pairing = pair_clips(*cameras(first, second, points=("@0.2-", "@10:00:00:08-10:00:00:20")))
    numbers = told(pairing.pairs())
    assert _same_moments(numbers)
    assert [one for one, _ in numbers] == [8, 9, 10, 11, 13, 14, 15, 16, 17, 18, 19, 20]


def test_timecode_asked_for_but_missing_is_an_error(cameras):
    clips = cameras(_without() | {"timecode": "10:00:00:00"}, _without(apart=APART))
    with pytest.raises(InputError, match="camera2 has no timecode"):
        pair_clips(*clips, by="timecode")
    assert "timecode_missing" in _codes(pair_clips(*clips))


def test_timecodes_that_do_not_overlap(cameras, told):
    clips = cameras(
        _without() | {"timecode": "10:00:00:00"}, _without(apart=APART) | {"timecode": "11:00:00:00"}
    )
    with pytest.raises(InputError, match="no two belong to the same moment"):
        pair_clips(*clips, by="timecode")
    pairing = pair_clips(*clips)
    assert (pairing.basis, _codes(pairing)) == ("index", ["timecode_apart"])
    assert _same_moments(told(pairing.pairs()))


def test_timecodes_that_both_start_at_zero_prove_nothing(cameras):
    clips = cameras(
        _without() | {"timecode": "00:00:00:00"}, _without(n=29, apart=APART) | {"timecode": "00:00:00:00"}
    )
    with pytest.raises(InputError, match="camera1 has 30 pictures, camera2 has 29"):
        pair_clips(*clips)
    assert pair_clips(*clips, by="timecode").n_pairs == 29


def test_drop_frame_against_plain_timecode_is_refused(cameras):
    rate = Fraction(30000, 1001)
    clips = cameras(
        _without() | {"timecode": "10:00:00;00", "rate": rate},
        _without(apart=APART) | {"timecode": "10:00:00:00", "rate": rate},
    )
    with pytest.raises(InputError, match="drop-frame timecode and the other"):
        pair_clips(*clips, by="timecode")
    assert pair_clips(*clips).basis == "index"


# --- offset -------------------------------------------------------------------------------------


@pytest.mark.parametrize("offset", [-4, 0, 3])
def test_a_given_offset_pairs_i_with_i_plus_offset(offset, cameras, told):
    first = {"numbers": range(30, 60)}
    second = {"numbers": range(30 - offset + APART, 55 - offset + APART)}
    pairing = pair_clips(*cameras(first, second), offset_frames=offset)
    numbers = told(pairing.pairs())
    assert _same_moments(numbers)
    assert pairing.indices[0].tolist() == [max(0, -offset), max(0, offset)]
    assert np.unique(np.diff(pairing.indices, axis=1)).tolist() == [offset]
    assert _codes(pairing)[0] == "paired_by_offset"


def test_an_offset_holds_across_a_drop(cameras, told):
    second = {
        "numbers": [k - 2 + APART for k in range(30) if k != 9],
        "ticks": [k for k in range(30) if k != 9],
    }
    pairing = pair_clips(*cameras(_without(), second), offset_frames=2)
    assert _same_moments(told(pairing.pairs()))
    assert pairing.n_pairs == 27


def test_an_offset_beyond_the_clips_or_beside_timecode_is_refused(cameras):
    clips = cameras(_without(), _without(apart=APART))
    with pytest.raises(InputError, match="no two belong"):
        pair_clips(*clips, offset_frames=40)
    with pytest.raises(InputError, match="both asked for"):
        pair_clips(*clips, by="timecode", offset_frames=1)


# --- parts, halves, pictures --------------------------------------------------------------------


def test_joined_clips_pair_part_by_part(clip_file, told):
    def path(name, numbers):
        return str(clip_file(name, numbers=numbers))

    one = f"{path('a1.mp4', range(10))},{path('a2.mp4', range(20, 32))}"
    two = f"{path('b1.mp4', range(APART, APART + 10))},{path('b2.mp4', range(APART + 20, APART + 32))}"
    short = f"{path('c1.mp4', range(APART, APART + 9))},{path('c2.mp4', range(APART + 20, APART + 33))}"
    first = open_footage(one, camera="camera1")
    numbers = told(pair_clips(first, open_footage(two, camera="camera2")).pairs())
    assert len(numbers) == 22
    assert _same_moments(numbers)
    with pytest.raises(InputError, match="camera1 has 10 pictures, camera2 has 9"):
        pair_clips(first, open_footage(short, camera="camera2"))  # though the totals are equal
    with pytest.raises(InputError, match="2 clips joined for camera1, 1 for camera2"):
        pair_clips(first, open_footage(two.split(",")[0], camera="camera2"))


@pytest.mark.parametrize("layout", ["side-by-side", "stacked"])
def test_both_halves_of_one_file(layout, clip_file, picture):
    path = clip_file("a.mkv", codec="ffv1", pixel_format="gray", numbers=range(8))
    pairing = pair_clips(*open_cameras([f"{path}#{layout}@0.1-0.2"], cameras=["camera1", "camera2"]))
    assert pairing.n_pairs == 4
    for k, (one, two) in enumerate(pairing.pairs(), start=3):
        halves = np.split(picture(k), 2, axis=1 if layout == "side-by-side" else 0)
        np.testing.assert_array_equal(one.image, halves[0])
        np.testing.assert_array_equal(two.image, halves[1])
        assert (one.ref.frame_idx, one.ref.camera, two.ref.camera) == (k, "camera1", "camera2")


def _folder(path, numbers, picture, apart=0):
    path.mkdir()
    for number in numbers:
        Image.fromarray(picture(number + apart)).save(path / f"view_{number:04d}.png")
    return str(path)


def test_folders_pair_by_index(tmp_path, picture, told):
    one = open_footage(_folder(tmp_path / "one", range(5), picture), camera="camera1")
    two = open_footage(_folder(tmp_path / "two", range(5), picture, APART), camera="camera2")
    pairing = pair_clips(one, two)
    assert (pairing.basis, pairing.findings) == ("index", ())
    assert _same_moments(told(pairing.pairs()))


def test_folders_whose_numbers_disagree(tmp_path, picture):
    one = open_footage(_folder(tmp_path / "one", [1, 2, 3, 4, 5, 6], picture), camera="camera1")
    two = open_footage(_folder(tmp_path / "two", [1, 2, 4, 5, 6], picture, APART), camera="camera2")
    with pytest.raises(InputError, match=r"camera1 has 6 pictures, camera2 has 5 \(camera2 lacks number 3"):
        pair_clips(one, two)
    other = open_footage(_folder(tmp_path / "three", [1, 2, 4, 5, 6, 7], picture, APART), camera="camera2")
    (finding,) = pair_clips(one, other).findings
    assert finding.code == "numbers_disagree"
    assert "camera2 lacks number 3" in finding.sentence
    shifted = open_footage(_folder(tmp_path / "four", range(11, 17), picture, APART), camera="camera2")
    assert pair_clips(one, shifted).findings == ()


# --- the same footage twice ---------------------------------------------------------------------


@pytest.mark.parametrize("points", ["", "@0-0.5"])
def test_the_same_file_twice_is_refused_by_content(points, clip_file, tmp_path):
    path = clip_file("a.mp4")
    copy = tmp_path / "another name.mp4"
    shutil.copy(path, copy)
    first = open_footage(str(path), camera="camera1")
    for again in (path, copy):
        with pytest.raises(InputError, match="the same footage is given for camera1 and for camera2"):
            pair_clips(first, open_footage(f"{again}{points}", camera="camera2"))
    joined = open_footage(f"{clip_file('b.mp4', numbers=range(5))},{copy}", camera="camera2")
    with pytest.raises(InputError, match="the same footage"):
        pair_clips(first, joined)


def test_the_same_half_or_stream_twice_is_refused(clip_file):
    path = clip_file("a.mp4")
    halves = [open_footage(f"{path}#stacked", camera=name, half="first") for name in ("camera1", "camera2")]
    with pytest.raises(InputError, match="the same footage"):
        pair_clips(*halves)


def test_the_same_folder_twice_is_refused(tmp_path, picture):
    one = open_footage(_folder(tmp_path / "one", range(5), picture), camera="camera1")
    shutil.copytree(tmp_path / "one", tmp_path / "two")
    for folder in ("one", "two"):
        with pytest.raises(InputError, match="the same footage"):
            pair_clips(one, open_footage(str(tmp_path / folder), camera="camera2"))


# --- reading in step ----------------------------------------------------------------------------


def test_an_error_in_one_camera_reaches_the_caller(clip_file):
    one, two = (
        clip_file("a.avi", codec="mjpeg", pixel_format="yuvj420p"),
        clip_file("b.avi", codec="mjpeg", pixel_format="yuvj420p", numbers=range(APART, APART + 24)),
    )
    with av.open(str(two)) as container:
        start, size = [(packet.pos, packet.size) for packet in container.demux(video=0) if packet.size][13]
    data = bytearray(two.read_bytes())
    data[start : start + size] = bytes(size)
    two.write_bytes(data)
    pairing = pair_clips(open_footage(str(one), camera="camera1"), open_footage(str(two), camera="camera2"))
    with pytest.raises(InputError, match=r"b\.avi: picture \d+ of 24 cannot be decoded"):
        list(pairing.pairs())


def test_a_caller_may_stop_early_and_start_again(cameras, told):
    pairing = pair_clips(*cameras(_without(), _without(apart=APART)))
    before = threading.active_count()
    for _ in range(3):
        pairs = pairing.pairs()
        assert told([next(pairs)]) == [(0, APART)]
        pairs.close()
    assert threading.active_count() == before
    assert len(told(pairing.pairs())) == 30
