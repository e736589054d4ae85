"""Names of files within a folder."""

import re
from pathlib import PurePosixPath

# The shortest that a usual file system takes is 255 bytes; endings and numbers are added.
_LONGEST_BYTES = 200

__all__ = ["inside", "is_inside", "safe_part"]


def is_inside(path: str) -> bool:
    """Whether a path with ``/`` between its parts stays in its folder on every system."""
    pure = PurePosixPath(path)
    leads_out = pure.is_absolute() or ".." in pure.parts or not pure.parts
    return not leads_out and not any(sign in path for sign in ("\\", ":", "\0"))


def inside(path: str) -> str:
    """Refuse a path that leads out of its folder, ValueError; else give it back."""
    if not is_inside(path):
        raise ValueError("a path inside the folder")
    return path


def safe_part(part: str) -> str:
    """A name of one file or folder that every file system and every format of ours takes, made of any text."""
    cleaned = re.sub(r"[^\w .+-]", "_", part)[:100].encode("utf-8", "replace")[:_LONGEST_BYTES]
    return cleaned.decode("utf-8", "ignore").strip(" .") or "_"
