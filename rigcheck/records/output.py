"""A command's files put in place whole or not at all.

Everything is written and flushed to disk in a staging folder beside its destination. Only when the command
has ended well do the files move into place, each by one rename; when one move fails, the earlier are undone.
"""

import errno
import os
import secrets
import shutil
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path, PurePosixPath

from rigcheck.errors import OutputError
from rigcheck.records.paths import is_inside
from rigcheck.records.staging import staging

__all__ = ["OutputFolder", "check_writable", "output_folder"]

_ADVICE = {
    errno.ENOSPC: "the disk is full: free some space and run again.",
    errno.EDQUOT: "your share of the disk is full: free some space and run again.",
    errno.EROFS: "the disk is read-only: choose another place with --out.",
    errno.EACCES: "you may not write there: choose another place with --out.",
    errno.EPERM: "you may not write there: choose another place with --out.",
}


def check_writable(
    path: str | Path,
    *,
    replace: bool = False,
    protects: Iterable[str] = (),
    inputs: Iterable[str | Path] = (),
) -> None:
    """Refuse an output folder that could not be written at the end; call this before any long work.

    Parameters
    ----------
    path : str or Path
        The output folder. It may not exist yet, its parent must.
    replace : bool
        Whether files of an earlier run may be replaced.
    protects : iterable of str
        Names of files in the folder that are refused without `replace`.
    inputs : iterable of str or Path
        Input files and folders, which must never be written to.

    Raises
    ------
    OutputError
        When the folder cannot be written, an earlier file stands in the way, or an input would be touched.
    """
    path = Path(path)
    given = [Path(entry) for entry in inputs]
    with _translated(path):
        if path.is_dir():
            _refuse_input_folder(path, given)
            for name in protects:
                _refuse_target(path / name, replace, given)
            _probe(path)
            return
        if path.exists() or path.is_symlink():
            raise OutputError(
                f"{path}: a file found, a folder needed.", hint="choose another folder with --out."
            )
        if not path.parent.is_dir():
            raise OutputError(
                f"{path}: its parent folder does not exist.",
                hint=f"make the folder {path.parent} first, or check the path.",
            )
        _probe(path.parent)


@contextmanager
def output_folder(
    path: str | Path,
    *,
    replace: bool = False,
    protects: Iterable[str] = (),
    inputs: Iterable[str | Path] = (),
) -> Iterator["OutputFolder"]:
    """Stage a command's files and put them in place when the block ends well.

    Parameters
    ----------
    path, replace, protects, inputs
        As for `check_writable`, which runs first.

    Yields
    ------
    OutputFolder

    Raises
    ------
    OutputError
        When something cannot be written, or appeared in the way meanwhile; then nothing has changed.

    Notes
    -----
    On any exception, an interrupt included, the staged files are removed and the folder is as before. A new
    folder appears by one rename. In a folder that exists the files move one by one, the first-written last: a
    machine that loses power between two moves keeps whole files, some of them the earlier ones. What a killed run
    left staged is removed by the next run beside it.
    """
    path = Path(path)
    check_writable(path, replace=replace, protects=protects, inputs=inputs)
    with ExitStack() as stack:
        with _translated(path):
            place = stack.enter_context(staging(path if path.is_dir() else path.parent))
            folder = OutputFolder(path, place, replace=replace, inputs=[Path(entry) for entry in inputs])
        yield folder
        with _translated(path):
            folder.put_in_place()


class OutputFolder:
    """The files of one command, staged; made by `output_folder`."""

    def __init__(self, path: Path, staging: Path, *, replace: bool, inputs: list[Path]) -> None:
        self.path = path
        self._staging = staging
        self._files = staging / "files"
        self._files.mkdir()
        self._replace = replace
        self._inputs = inputs
        self._names: list[str] = []

    def write_text(self, name: str, text: str) -> None:
        """Stage a UTF-8 text file; bytes of a file name that are no text appear as escapes. See `write_bytes`."""
        self.write_bytes(name, text.encode("utf-8", "backslashreplace"))

    def write_bytes(self, name: str, content: bytes) -> None:
        """Stage a file.

        Parameters
        ----------
        name : str
            Where it belongs in the folder, with ``/`` between folders.
        content : bytes

        Raises
        ------
        OutputError
            When it cannot be written, would replace an earlier file without leave, or an input at all.
        ValueError
            When the name leaves the folder or was staged before.
        """
        with self.writing(name) as target:
            target.write_bytes(content)

    @contextmanager
    def writing(self, name: str) -> Iterator[Path]:
        """Give where to write a file within the block; what the system refuses there is an OutputError."""
        target = self.reserve(name)
        with _translated(self.path / name):
            yield target

    def reserve(self, name: str) -> Path:
        """Return where to write a file that a library writes itself; it moves into place with the others."""
        pure = PurePosixPath(name)
        if not is_inside(name):
            raise ValueError(f"{name!r} is not a name inside the output folder")
        if str(pure) in self._names:
            raise ValueError(f"{name!r} is written twice")
        staged = self._files / pure
        with _translated(self.path / name):
            _refuse_target(self.path / pure, self._replace, self._inputs)
            staged.parent.mkdir(parents=True, exist_ok=True)
        self._names.append(str(pure))
        return staged

    def put_in_place(self) -> None:
        """Flush everything to disk and move it into place; undo when that fails half-way."""
        for name in self._names:
            _flush(self._files / name)
        if not self.path.is_dir():
            _flush_folder(self._files)
            self._files.rename(self.path)
            _flush_folder(self.path.parent)
            return
        done: list[tuple[Path, Path | None]] = []
        made: list[Path] = []
        try:
            for name in reversed(self._names):
                target = self.path / name
                _make_parents(target.parent, made)
                _refuse_target(target, self._replace, self._inputs)
                done.append((target, self._keep_earlier(target)))
                self._move(self._files / name, target)
        except BaseException:
            self._undo(done, made)
            raise
        for folder in {self.path, *((self.path / name).parent for name in self._names)}:
            _flush_folder(folder)

    def _move(self, staged: Path, target: Path) -> None:
        """Move a staged file into place; without leave to replace, never over a file of another run."""
        if not self._replace:
            try:
                os.link(staged, target)
            except FileExistsError:
                _refuse_target(target, self._replace, self._inputs)
            except OSError:  # a file system without hard links: the check just made must do
                pass
            else:
                staged.unlink()
                return
        os.replace(staged, target)

    def _keep_earlier(self, target: Path) -> Path | None:
        """Keep a second name for the file about to be replaced; None when there is none."""
        if not target.exists():
            return None
        kept = self._staging / f"earlier-{secrets.token_hex(8)}"
        try:
            os.link(target, kept)
        except OSError:  # a file system without hard links
            shutil.copy2(target, kept)
        return kept

    def _undo(self, done: list[tuple[Path, Path | None]], made: list[Path]) -> None:
        for target, earlier in reversed(done):
            with suppress(OSError):
                if earlier is not None:
                    os.replace(earlier, target)
                elif _is_ours(self._files / target.relative_to(self.path), target):
                    target.unlink()
        for folder in reversed(made):
            with suppress(OSError):
                folder.rmdir()


def _refuse_target(target: Path, replace: bool, inputs: list[Path]) -> None:
    if not (target.exists() or target.is_symlink()):
        return
    if target.is_dir():
        raise OutputError(
            f"{target}: a folder stands where a file must go.", hint="choose another folder with --out."
        )
    for entry in inputs:
        if target.exists() and entry.exists() and target.samefile(entry):
            raise OutputError(
                f"{target}: this is an input and would be overwritten.",
                hint="choose another folder with --out.",
            )
    if not replace:
        raise OutputError(
            f"{target}: exists already, and is not overwritten without leave.",
            hint="choose another folder with --out, or add --replace.",
        )


def _refuse_input_folder(path: Path, inputs: list[Path]) -> None:
    for entry in inputs:
        if entry.is_dir() and path.samefile(entry):
            raise OutputError(
                f"{path}: this is an input folder; results in it would be taken for pictures later.",
                hint="choose another folder with --out.",
            )


def _is_ours(staged: Path, target: Path) -> bool:
    """Whether the file at the target is the staged one: already moved, or linked and not yet unlinked."""
    return not staged.exists() or staged.samefile(target)


def _probe(folder: Path) -> None:
    """Make and remove a folder: permission bits alone do not tell of read-only and network disks."""
    with staging(folder):
        pass


def _make_parents(folder: Path, made: list[Path]) -> None:
    """Make missing folders, outermost first, noting each for the undoing."""
    if not folder.is_dir():
        _make_parents(folder.parent, made)
        folder.mkdir()
        made.append(folder)


def _flush(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _flush_folder(path: Path) -> None:
    """Flush a folder's entries, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno != errno.EINVAL:  # some network file systems cannot
            raise
    finally:
        os.close(handle)


@contextmanager
def _translated(path: Path) -> Iterator[None]:
    """Turn what the system says about a path into an OutputError."""
    try:
        yield
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be written ({error.strerror or error}).",
            hint=_ADVICE.get(
                error.errno or 0, "check the folder and the disk, or choose another with --out."
            ),
        ) from error
