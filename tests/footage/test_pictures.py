"""Folders of pictures and stills: values as stored, whatever reader looks at them."""

import hashlib

import numpy as np
import pytest
import tifffile
from PIL import Image

from rigcheck.errors import InputError
from rigcheck.footage import open_footage


def _codes(clip):
    return {finding.code for finding in clip.info.findings}


@pytest.fixture
def noise(rng):
    """Random picture, seeded."""
    return lambda k, dtype=np.uint8, channels=(): rng(11, k).integers(
        0, np.iinfo(dtype).max, (30, 40, *channels), dtype=dtype, endpoint=True
    )


@pytest.mark.parametrize("suffix", ["png", "tif"])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_grey_values_are_those_of_an_independent_reader(suffix, dtype, noise, tmp_path):
    """Written by tifffile and Pillow, which share nothing with OpenCV but the file formats."""
    for k in range(3):
        image = noise(k, dtype)
        if suffix == "tif":
            tifffile.imwrite(tmp_path / f"{k}.tif", image)
        else:
            Image.fromarray(image).save(tmp_path / f"{k}.png")
    clip = open_footage(str(tmp_path), camera="camera1")
    assert (clip.info.kind, clip.info.size_px, clip.info.n_frames) == ("pictures", (40, 30), 3)
    assert (clip.info.bit_depth, clip.info.colour) == (8 if dtype is np.uint8 else 16, False)
    for k, frame in enumerate(clip.frames()):
        assert frame.ref.frame_idx == k
        assert frame.ref.time_s is None
        np.testing.assert_array_equal(frame.image, noise(k, dtype))


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_colour_keeps_its_order_and_grey_is_the_bt709_sum(dtype, noise, tmp_path):
    image = noise(5, dtype, (3,))
    tifffile.imwrite(tmp_path / "a.tif", image, photometric="rgb")
    clip = open_footage(str(tmp_path / "a.tif"), camera="camera1")
    (colour,) = clip.frames(colour=True)
    np.testing.assert_array_equal(colour.image, image)
    (grey,) = clip.frames()
    weights = np.array([0.2126, 0.7152, 0.0722])  # Recommendation ITU-R BT.709-6, item 3.2
    assert grey.image.shape == (30, 40)
    assert grey.image.dtype == dtype
    np.testing.assert_allclose(grey.image, image @ weights, atol=0.51)  # code values: rounding to the nearest
    np.testing.assert_allclose(grey.grey8(), colour.grey8(), atol=1)  # code values: rounding before the shift


def test_jpeg_is_decoded_as_by_an_independent_reader(noise, tmp_path):
    smooth = np.kron(noise(1)[::10, ::10], np.ones((10, 10), dtype=np.uint8))
    Image.fromarray(smooth).save(tmp_path / "a.jpg", quality=90)
    (frame,) = open_footage(str(tmp_path / "a.jpg"), camera="camera1").frames()
    with Image.open(tmp_path / "a.jpg") as theirs:
        np.testing.assert_allclose(
            frame.image, np.asarray(theirs), atol=2
        )  # code values: IDCT rounding differs


def test_grey_with_transparency_and_palette(noise, tmp_path):
    image = noise(2)
    Image.fromarray(np.stack([image, np.full_like(image, 255)], axis=2)).save(tmp_path / "alpha.png")
    (frame,) = open_footage(str(tmp_path / "alpha.png"), camera="camera1").frames()
    np.testing.assert_array_equal(frame.image, image)
    Image.fromarray(noise(3, channels=(3,)) // 128 * 255).quantize(8).save(tmp_path / "palette.png")
    clip = open_footage(str(tmp_path / "palette.png"), camera="camera1")
    (frame,) = clip.frames(colour=True)
    with Image.open(tmp_path / "palette.png") as theirs:
        np.testing.assert_array_equal(frame.image, np.asarray(theirs.convert("RGB")))


@pytest.mark.parametrize("orientation", [2, 3, 5, 6, 8])
def test_exif_orientation_is_reported_and_not_applied(orientation, noise, tmp_path):
    exif = Image.Exif()
    exif[274] = orientation
    image = np.kron(noise(4)[::10, ::10], np.ones((10, 10), dtype=np.uint8))
    Image.fromarray(image).save(tmp_path / "a.jpg", exif=exif, quality=95)
    clip = open_footage(str(tmp_path / "a.jpg"), camera="camera1")
    (frame,) = clip.frames()
    assert frame.image.shape == (30, 40)
    np.testing.assert_allclose(frame.image.astype(int), image, atol=12)  # code values: JPEG at quality 95
    assert "display_rotation" in _codes(clip)
    # CIPA DC-008, tag 274: 3 is turned by half, 6 needs a quarter turn clockwise, 8 anticlockwise.
    assert clip.info.display_rotation_deg == {2: 0, 3: 180, 5: 90, 6: 90, 8: 270}[orientation]


def test_names_sort_by_the_value_of_their_numbers_and_may_be_in_any_script(picture, read_number, tmp_path):
    folder = tmp_path / "Gesichtsprüfung 撮影"
    folder.mkdir()
    for number in (2, 10, 1, 33):
        Image.fromarray(picture(number)).save(folder / f"Bild_{number}.PNG")
    (folder / "._Bild_1.PNG").write_bytes(b"resource fork")
    (folder / "notes.txt").write_text("x")
    clip = open_footage(str(folder), camera="camera1")
    assert [read_number(frame.image) for frame in clip.frames()] == [1, 2, 10, 33]
    assert "other_files" in _codes(clip)


def test_stills_joined_by_commas_are_one_clip_in_the_order_given(picture, read_number, tmp_path):
    names = []
    for number in (7, 3, 5):
        names.append(str(tmp_path / f"{number}.png"))
        Image.fromarray(picture(number)).save(names[-1])
    clip = open_footage(",".join(names), camera="camera1")
    frames = list(clip.frames())
    assert [read_number(frame.image) for frame in frames] == [7, 3, 5]
    assert [frame.ref.frame_idx for frame in frames] == [0, 1, 2]
    assert [frame.ref.origin for frame in frames] == names
    assert [f.ref.frame_idx for f in clip.frames(keyframes_only=True)] == [0, 1, 2]


@pytest.mark.parametrize("bits", [10, 12, 14])
def test_16_bit_files_that_use_only_low_bits_are_taken_at_that_depth(bits, rng, tmp_path):
    image = rng(12, bits).integers(0, 1 << bits, (30, 40), dtype=np.uint16)
    image[0, 0] = (1 << bits) - 1
    tifffile.imwrite(tmp_path / "a.tif", image)
    clip = open_footage(str(tmp_path / "a.tif"), camera="camera1")
    assert clip.info.bit_depth == bits
    assert "low_bits" in _codes(clip)
    (frame,) = clip.frames()
    np.testing.assert_array_equal(frame.image, image)
    np.testing.assert_array_equal(frame.grey8(), image >> (bits - 8))


def test_inputs_are_left_untouched(noise, tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", noise(0))
    before = (tmp_path / "a.tif").read_bytes()
    clip = open_footage(str(tmp_path), camera="camera1")
    list(clip.frames())
    assert (tmp_path / "a.tif").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["a.tif"]
    assert clip.hashes() == {str(tmp_path / "a.tif"): hashlib.sha256(before).hexdigest()}


def test_one_pixel(tmp_path):
    Image.fromarray(np.array([[7]], dtype=np.uint8)).save(tmp_path / "a.png")
    clip = open_footage(str(tmp_path / "a.png"), camera="camera1")
    (frame,) = clip.frames()
    assert (clip.info.size_px, frame.image.tolist()) == ((1, 1), [[7]])


def test_twenty_thousand_pixels_wide(tmp_path):
    Image.fromarray(np.full((3, 20000), 9, dtype=np.uint8)).save(tmp_path / "a.png")
    clip = open_footage(str(tmp_path / "a.png"), camera="camera1")
    assert next(clip.frames()).size_px == (20000, 3)


def _save(path, shape=(30, 40), dtype=np.uint8):
    tifffile.imwrite(path, np.full(shape, 100, dtype=dtype))


@pytest.mark.parametrize(
    ("second", "found"),
    [
        ({"shape": (30, 41)}, r"b\.tif: 41 x 30 px found, 40 x 30 px needed"),
        ({"dtype": np.uint16}, r"b\.tif: 16 bit found, 8 bit needed"),
    ],
)
@pytest.mark.parametrize("joined", [False, True])
def test_pictures_of_unlike_kind_are_refused(second, found, joined, tmp_path):
    _save(tmp_path / "a.tif")
    _save(tmp_path / "b.tif", **second)
    text = f"{tmp_path}/a.tif,{tmp_path}/b.tif" if joined else str(tmp_path)
    with pytest.raises(InputError, match=found):
        open_footage(text, camera="camera1")


def test_empty_and_pictureless_folders_are_refused(tmp_path):
    with pytest.raises(InputError, match="the folder holds nothing"):
        open_footage(str(tmp_path), camera="camera1")
    (tmp_path / "clip.mov").write_bytes(b"x")
    with pytest.raises(InputError, match="the folder holds 1 other files"):
        open_footage(str(tmp_path), camera="camera1")


@pytest.mark.parametrize("suffix", ["png", "jpg", "tif"])
@pytest.mark.parametrize("kept", [0.3, 0.7, 0.97])
def test_a_picture_cut_short_is_an_error_and_never_half_a_picture(suffix, kept, noise, tmp_path):
    whole, cut = tmp_path / f"a.{suffix}", tmp_path / f"b.{suffix}"
    image = np.kron(noise(6), np.ones((4, 4), dtype=np.uint8))
    Image.fromarray(image).save(whole)
    cut.write_bytes(whole.read_bytes()[: int(kept * whole.stat().st_size)])
    with pytest.raises(InputError, match=rf"b\.{suffix}"):
        list(open_footage(f"{whole},{cut}", camera="camera1").frames())
    with pytest.raises(InputError, match=rf"b\.{suffix}"):
        open_footage(str(cut), camera="camera1")


def test_text_and_zero_bytes_with_a_pictures_name_are_refused(tmp_path):
    _save(tmp_path / "a.tif")
    (tmp_path / "b.tif").write_text("shopping list")
    with pytest.raises(InputError, match=r"b\.tif: this is no picture"):
        open_footage(str(tmp_path), camera="camera1")
    (tmp_path / "b.tif").write_bytes(b"")
    with pytest.raises(InputError, match=r"b\.tif: the file is empty"):
        open_footage(str(tmp_path), camera="camera1")


def test_in_points_and_streams_make_no_sense_for_pictures(tmp_path):
    _save(tmp_path / "a.tif")
    with pytest.raises(InputError, match="no times"):
        open_footage(f"{tmp_path}@0-1", camera="camera1")
    with pytest.raises(InputError, match="no streams"):
        open_footage(f"{tmp_path}/a.tif#stream=1", camera="camera1")


def test_several_pages_are_reported(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.full((2, 30, 40), 100, dtype=np.uint8), photometric="minisblack")
    assert "several_pages" in _codes(open_footage(str(tmp_path / "a.tif"), camera="camera1"))
