"""Names of files within a folder."""

from pathlib import PurePosixPath

__all__ = ["inside", "is_inside"]


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
