"""Pictures handed to a process beside this one."""

import os
import sys

import numpy as np
import pytest
from picture_process import give_back

from rigcheck.jobs.shared_pictures import Placed, SharedPictures
from rigcheck.jobs.side_process import SideContext
from rigcheck.model import Frame, FrameRef


def picture(number, shape=(48, 36), dtype=np.uint8):
    image = np.random.default_rng([31, number]).integers(0, 256, shape).astype(dtype)
    return Frame(ref=FrameRef(camera="c", frame_idx=number, origin="o"), image=image, bit_depth=8)


def test_the_other_process_sees_each_picture_and_still_has_the_one_before():
    """Of several shapes and depths, more and less than before."""
    pictures, context = SharedPictures(), SideContext()
    line, theirs = context.Pipe()
    other = context.Process(target=give_back, args=(theirs, pictures), daemon=True)
    other.start()
    theirs.close()
    before = None
    for number, more in enumerate(
        [{}, {}, {}, {"shape": (90, 36)}, {"dtype": np.uint16}, {"shape": (20, 20, 3)}]
    ):
        frame = picture(number, **more)
        line.send(pictures.put(frame))
        ref, bit_depth, image, had = line.recv()
        assert (ref, bit_depth, image.dtype) == (frame.ref, 8, frame.image.dtype)
        assert (image == frame.image).all()
        if before is not None and before.image.nbytes == frame.image.nbytes:
            assert (had == before.image).all()
        before = frame
    line.send(None)
    other.join(20)
    assert other.exitcode == 0
    pictures.close()
    pictures.close()


@pytest.mark.skipif(sys.platform != "linux", reason="memory of this kind is Linux's")
def test_no_pixel_is_sent_and_nothing_lies_in_a_folder():
    pictures = SharedPictures()
    sent = pictures.put(picture(0))
    assert isinstance(sent, Placed)
    assert os.readlink(f"/proc/self/fd/{pictures._file}").startswith("/memfd:")  # never had a name on a disk
    assert (pictures.get(sent).image == picture(0).image).all()
    pictures.close()
    with pytest.raises(ValueError, match="no more"):
        pictures.get(sent)


def test_where_there_is_no_such_memory_pictures_are_sent_whole(monkeypatch):
    monkeypatch.setattr(sys, "platform", "other")
    pictures, frame = SharedPictures(), picture(1)
    assert pictures.put(frame) is frame
    assert pictures.get(frame) is frame
    assert pictures.__reduce__() == (SharedPictures, ())
    pictures.close()
