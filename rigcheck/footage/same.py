"""The same footage given for both cameras: found by content, whatever the files are called."""

from itertools import product

from rigcheck.errors import InputError
from rigcheck.footage.clip import Clip, ClipPart
from rigcheck.footage.hashing import sha256_of
from rigcheck.footage.video import VideoSource

__all__ = ["refuse_same_footage"]


def refuse_same_footage(clip1: Clip, clip2: Clip) -> None:
    """Refuse two cameras that show the same stream and half of the same recording.

    Raises
    ------
    InputError
        Also when in and out points differ: one camera's pictures cannot stand for two cameras.

    Notes
    -----
    Files are read for their hash only when their sizes are equal. Of folders, the first, middle and
    last picture are compared; all three must be the same.
    """
    for part1, part2 in product(clip1.parts, clip2.parts):
        if _same(part1, part2):
            raise InputError(
                f"{part1.source.origin_of(part1.first)} and {part2.source.origin_of(part2.first)}: the same "
                f"footage is given for {clip1.info.camera} and for {clip2.info.camera}; two recordings are "
                "needed.",
                hint="give each camera its own file; where one file holds both cameras, give it once with "
                "#side-by-side or #stacked, or twice with #stream=0 and #stream=1",
            )


def _same(part1: ClipPart, part2: ClipPart) -> bool:
    if part1.half != part2.half:
        return False
    source1, source2 = part1.source, part2.source
    if (
        isinstance(source1, VideoSource)
        and isinstance(source2, VideoSource)
        and source1.stream != source2.stream
    ):
        return False
    files1, files2 = part1.files, part2.files
    if len(files1) != len(files2):
        return False
    looked_at = sorted({0, len(files1) // 2, len(files1) - 1})
    pairs = [(files1[k], files2[k]) for k in looked_at]
    if any(one.stat().st_size != other.stat().st_size for one, other in pairs):
        return False
    return all(one.samefile(other) or sha256_of(one) == sha256_of(other) for one, other in pairs)
