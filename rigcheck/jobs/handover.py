"""A day's folder made into one for the next department: calibrations, numbers, picks, take table, with a manifest."""

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

import numpy as np

from rigcheck.errors import ConfigError, InputError, OutputError, RigcheckError
from rigcheck.geometry.st_map import recorded_from_straightened, straightened_from_recorded
from rigcheck.model import Calibration, CameraModel
from rigcheck.opencv import cv2
from rigcheck.records import (
    OutputFolder,
    file_sha256,
    make_provenance,
    opencv_storage_text,
    output_folder,
    read_calibration,
    read_performer,
    read_result,
)
from rigcheck.records.json_text import json_text
from rigcheck.records.manifest_file import (
    MANIFEST_NAME,
    SUMS_NAME,
    HandedOver,
    LeftOut,
    manifest_findings,
    manifest_text,
    sums_text,
)
from rigcheck.records.paths import safe_part
from rigcheck.records.walking import SkippedFile, files_under
from rigcheck.report import OnProgress, ProgressSink, SilentProgress
from rigcheck.report.handover_page import conventions_page

__all__ = ["PROTECTED", "Handover", "HandoverChoice", "check_handover", "handover"]

CONVENTIONS_NAME, FOOTAGE_NAME = "conventions.html", "board-footage.json"
PROTECTED = (MANIFEST_NAME, SUMS_NAME, CONVENTIONS_NAME, FOOTAGE_NAME)

_HEAD_BYTES = 4096
_KINDS = ("calibration", "result", "performer", "picks", "takes")
# Reports of these commands show boards and graphs, never a face.
_NO_FACES = ("calibrate", "verify", "compare", "history", "day")
_BESIDE_RESULT = ("history.csv", "takes.csv")
_STILLS = (".png", ".tif", ".tiff", ".jpg")
_WITH_PICTURES = "shows the performer: ask for it with --with-pictures"


@dataclass(frozen=True, kw_only=True)
class HandoverChoice:
    """What goes along: pictures of the performer, and the board footage itself instead of its sums alone."""

    pictures: bool = False
    board_footage: bool = False


@dataclass(frozen=True, kw_only=True)
class Handover:
    """What was written, and what was left out."""

    files: tuple[HandedOver, ...]
    left_out: tuple[LeftOut, ...]

    @property
    def bytes(self) -> int:
        """Size of all files."""
        return sum(each.bytes for each in self.files)


@dataclass(kw_only=True, eq=False)
class _Packing:
    """The folder as it fills: names are taken once, every file is known by its sum."""

    out: OutputFolder
    files: list[HandedOver] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)

    def add(self, name: str, what: str, write: Callable[[Path], object]) -> str:
        """Write a file under a safe and free name, and return that name."""
        name = self._free(name)
        with self.out.writing(name) as path:
            write(path)
        self._note(name, what, path)
        return name

    def content(self, name: str, what: str, content: bytes) -> None:
        """Write a file with this content."""
        self.add(name, what, lambda path: path.write_bytes(content))

    def text(self, name: str, what: str, text: str) -> None:
        """Write a text file."""
        self.content(name, what, text.encode("utf-8"))

    def copy(self, name: str, what: str, source: Path) -> None:
        """Copy a file byte for byte."""
        try:
            self.add(name, what, lambda path: shutil.copyfile(source, path))
        except OutputError as error:
            if not source.is_file():
                raise InputError(
                    f"{source}: cannot be read ({error.__cause__}).",
                    hint="was it moved meanwhile? run again.",
                ) from error
            raise

    def _free(self, name: str) -> str:
        safe = "/".join(safe_part(part) for part in PurePosixPath(name).parts)
        taken, free, count = {each.path.casefold() for each in self.files}, safe, 2
        while free.casefold() in taken:
            pure = PurePosixPath(safe)
            free, count = str(pure.with_name(f"{pure.stem}-{count}{pure.suffix}")), count + 1
        return free

    def _note(self, name: str, what: str, path: Path) -> None:
        self.files.append(
            HandedOver(path=name, what=what, bytes=path.stat().st_size, sha256=file_sha256(path))
        )


def handover(
    folder: str | Path,
    out: str | Path,
    *,
    choice: HandoverChoice | None = None,
    replace_earlier: bool = False,
    progress: ProgressSink | None = None,
) -> Handover:
    """Gather what a day's folder holds for the next department.

    Parameters
    ----------
    folder : str or Path
        Results, calibrations, performer records, picks and take tables lie in it at any depth.
    out : str or Path
        The new folder; it may not lie inside `folder`.
    choice : HandoverChoice, optional
    replace_earlier : bool
    progress : ProgressSink, optional

    Returns
    -------
    Handover

    Raises
    ------
    InputError
        When the folder cannot be read or holds no file of rigcheck.
    ConfigError
        When `out` lies inside `folder`: the next handover would hand this one over.
    OutputError
        When something cannot be written.
    """
    root, choice = Path(folder), choice or HandoverChoice()
    _refuse_nested(root, Path(out))
    found, skipped = _found(root)
    track = (progress or SilentProgress()).track("Gathering")
    with output_folder(out, replace=replace_earlier, protects=PROTECTED, inputs=[root]) as target:
        packing = _Packing(out=target, left_out=[LeftOut(path=s.path, reason=s.reason) for s in skipped])
        _pack(packing, root, found, choice, track)
        packing.text(CONVENTIONS_NAME, "what the numbers and maps mean", conventions_page())
        provenance = make_provenance(
            "handover",
            inputs={path.relative_to(root).as_posix(): file_sha256(path) for _, path in found},
            options={
                "folder": str(folder),
                "pictures": choice.pictures,
                "board_footage": choice.board_footage,
            },
        )
        manifest = manifest_text(packing.files, packing.left_out, provenance)
        files = tuple(packing.files)
        packing.text(MANIFEST_NAME, "this list", manifest)
        target.write_text(SUMS_NAME, sums_text(packing.files))
    return Handover(files=files, left_out=tuple(packing.left_out))


def check_handover(folder: str | Path) -> tuple[int, tuple[str, ...]]:
    """Compare a received folder with its manifest; see :func:`rigcheck.records.manifest_file.manifest_findings`."""
    return manifest_findings(folder)


def _refuse_nested(root: Path, out: Path) -> None:
    if out.resolve().is_relative_to(root.resolve()):
        raise ConfigError(
            f"{out}: lies inside {root}, a place beside it needed.",
            hint="give --out a folder outside the day's: else the next handover would hand this one over.",
        )


def _found(root: Path) -> tuple[list[tuple[str, Path]], list[SkippedFile]]:
    """Our files by kind, earlier handovers left out."""
    if not root.is_dir():
        what = "a file" if root.is_file() else "no such folder"
        raise InputError(f"{root}: {what} found, a day's folder needed.", hint="check the path for a slip.")
    skipped: list[SkippedFile] = []
    paths = list(files_under(root, (".json", ".yaml", ".yml", SUMS_NAME.lower()), skipped))
    handed = {
        path.parent for path in paths if path.name == SUMS_NAME and (path.parent / MANIFEST_NAME).is_file()
    }
    found = []
    for path in paths:
        kind = None if handed.intersection(path.parents) else _kind(path)
        if kind is not None:
            found.append((kind, path))
    if not found:
        raise InputError(
            f"{root}: no calibration, result, performer record, picks or take table of rigcheck found.",
            hint="give the folder that holds the day's outputs.",
        )
    return found, skipped


def _kind(path: Path) -> str | None:
    try:
        if not path.is_file():  # a pipe would keep this waiting for ever
            return None
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError:
        return None
    return next((kind for kind in _KINDS if f"rigcheck-{kind}".encode() in head), None)


def _pack(
    packing: _Packing,
    root: Path,
    found: Sequence[tuple[str, Path]],
    choice: HandoverChoice,
    track: OnProgress,
) -> None:
    footage: list[dict[str, str]] = []
    for done, (kind, path) in enumerate(found, start=1):
        name = path.relative_to(root).as_posix()
        try:
            if kind == "calibration":
                footage += _calibration(packing, root, path, choice)
            elif kind == "result":
                _result(packing, path, name, choice)
            elif kind == "performer":
                read_performer(path)
                packing.copy(f"day/{name}", "a performer's record, by code name", path)
            elif kind == "takes":
                packing.copy(f"day/{name}", "which calibration each take should use", path)
            else:
                _picks(packing, root, path, choice)
        except OutputError:
            raise
        except RigcheckError as error:
            if not path.is_file():
                raise
            packing.left_out.append(LeftOut(path=name, reason=error.message))
        track(done, len(found))
    packing.text(
        FOOTAGE_NAME, "the files each calibration was made from, by their sums", json_text({"files": footage})
    )


def _calibration(packing: _Packing, root: Path, path: Path, choice: HandoverChoice) -> list[dict[str, str]]:
    calibration = read_calibration(path)
    place = path.relative_to(root).parent.as_posix()
    here = f"calibrations/{'calibration' if place == '.' else place}"
    packing.copy(f"{here}/{path.name}", "a calibration, with covariance", path)
    packing.text(
        f"{here}/{path.stem}-opencv.yaml",
        "the same as OpenCV's own storage",
        opencv_storage_text(calibration),
    )
    for entry in calibration.cameras:
        _maps(packing, here, entry.camera)
    return _footage(packing, root, path, calibration, choice)


def _maps(packing: _Packing, here: str, camera: CameraModel) -> None:
    kinds = (
        ("straighten", "takes distortion out", recorded_from_straightened),
        ("distort", "puts distortion back", straightened_from_recorded),
    )
    for name, does, made in kinds:
        # OpenCV writes the last channel first: red is the place across, green down, blue whether there is one.
        done, encoded = cv2.imencode(".tif", np.ascontiguousarray(made(camera)[:, :, ::-1]))
        if not done:
            raise InputError(f"{camera.name}: its map cannot be written as TIFF.", hint="report this.")
        packing.content(
            f"{here}/{camera.name}-{name}.tif",
            f"map of {camera.name} that {does} (32-bit float)",
            np.asarray(encoded).tobytes(),
        )


def _footage(
    packing: _Packing, root: Path, path: Path, calibration: Calibration, choice: HandoverChoice
) -> list[dict[str, str]]:
    """What a calibration was made from, and the files themselves where they are wanted and still there."""
    out = []
    here = path.relative_to(root).as_posix()
    for given, sha256 in sorted(calibration.provenance.inputs_sha256.items()):
        entry = {"calibration": here, "path": given, "sha256": sha256}
        if choice.board_footage:
            source = _source(root, Path(given), sha256)
            if source is None:
                packing.left_out.append(
                    LeftOut(path=given, reason=f"made {here}, but was not found with the same content")
                )
            else:
                name = f"board-footage/{sha256[:12]}-{source.name}"
                if all(each.sha256 != sha256 for each in packing.files):
                    packing.copy(name, f"made {here}", source)
                entry["copied_to"] = next(each.path for each in packing.files if each.sha256 == sha256)
        out.append(entry)
    return out


def _source(root: Path, given: Path, sha256: str) -> Path | None:
    """The file with this content: where it was, or under the day's folder by the end of its path."""
    tails = [
        root.joinpath(*given.parts[k:]) for k in range(1 if given.is_absolute() else 0, len(given.parts))
    ]
    for candidate in (given, *tails):
        if candidate.is_file() and file_sha256(candidate) == sha256:
            return candidate
    return None


def _result(packing: _Packing, path: Path, name: str, choice: HandoverChoice) -> None:
    command = read_result(path).command
    packing.copy(f"day/{name}", f"numbers and verdicts of {command}", path)
    page = path.with_name("report.html")
    where = PurePosixPath(name).parent
    if page.is_file() and (choice.pictures or command in _NO_FACES):
        packing.copy(f"day/{where / page.name}", f"report of {command}", page)
    elif page.is_file():
        packing.left_out.append(LeftOut(path=str(where / page.name), reason=_WITH_PICTURES))
    for beside in _BESIDE_RESULT:
        if path.with_name(beside).is_file():
            packing.copy(f"day/{where / beside}", f"table of {command}", path.with_name(beside))


def _picks(packing: _Packing, root: Path, path: Path, choice: HandoverChoice) -> None:
    where = path.relative_to(root).parent
    packing.copy(f"day/{(where / path.name).as_posix()}", "frames chosen for the digital face", path)
    skipped: list[SkippedFile] = []
    for still in files_under(path.parent, _STILLS, skipped):
        name = still.relative_to(root).as_posix()
        if not still.is_file():
            packing.left_out.append(LeftOut(path=name, reason="no plain file"))
        elif choice.pictures:
            packing.copy(f"day/{name}", "a chosen frame", still)
        else:
            packing.left_out.append(LeftOut(path=name, reason=_WITH_PICTURES))
