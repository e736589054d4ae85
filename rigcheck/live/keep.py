"""Keeping a moment or a calibration: numbered folders in the out folder, whole or not at all, never over another."""

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from rigcheck.errors import OutputError, RigcheckError
from rigcheck.jobs.calibrate import calibrate, write_calibration
from rigcheck.jobs.fitting import FittingInputs, PairingChoice, fitting, write_fitting
from rigcheck.live.state import Kept
from rigcheck.live.stills import Still
from rigcheck.model import BoardSpec, PerformerRecord, RigDescription
from rigcheck.records import check_writable, output_folder

__all__ = ["Keeper"]

_REPORT = "report.html"


class Keeper:
    """Writes what is kept.

    Parameters
    ----------
    out : path
        Made when something is first kept; its parent must exist.
    names : sequence of str
        The cameras', which name the folders of their pictures.
    inputs : sequence of str
        Files that must never be written to.
    """

    def __init__(self, out: str | Path, names: Sequence[str], *, inputs: Sequence[str]) -> None:
        self._out = Path(out)
        self._names = tuple(names)
        self._inputs = tuple(inputs)

    @property
    def out(self) -> Path:
        """The out folder."""
        return self._out

    def check(self) -> None:
        """Refuse, before any work, an out folder that cannot be written; OutputError."""
        check_writable(self._out, inputs=self._inputs)

    def next_name(self, kind: str) -> str:
        """The next free numbered name, such as "moment-003": one above the highest there is."""
        found = [0]
        if self._out.is_dir():
            matches = (re.fullmatch(rf"{kind}-(\d+)", path.name) for path in self._out.iterdir())
            found += [int(match[1]) for match in matches if match is not None]
        return f"{kind}-{max(found) + 1:03d}"

    def write_stills(self, name: str, moments: Sequence[Sequence[Still]]) -> list[Path]:
        """Write the pictures of each camera into a folder of its own, all or none.

        Parameters
        ----------
        name : str
            As `next_name` gave it.
        moments : sequence of sequences of Still
            One still a camera each.

        Returns
        -------
        list of Path
            The cameras' folders.

        Raises
        ------
        OutputError
        """
        self.check()
        new = not self._out.exists()
        try:
            self._out.mkdir(exist_ok=True)
        except OSError as error:
            raise OutputError(
                f"{self._out}: cannot be made ({error.strerror or error}).", hint="choose another folder."
            ) from error
        folder = self._out / name
        if folder.exists():
            raise OutputError(f"{folder}: exists already.", hint="keep again: the next number is taken.")
        try:
            with output_folder(folder, inputs=self._inputs) as staged:
                for number, moment in enumerate(moments, start=1):
                    for camera, still in zip(self._names, moment, strict=True):
                        staged.write_bytes(f"{camera}/{number:04d}{still.suffix}", still.data)
        except BaseException:
            if new:
                with suppress(OSError):
                    self._out.rmdir()
            raise
        return [folder / camera for camera in self._names]

    def keep_moment(
        self, name: str, moments: Sequence[Sequence[Still]], given: FittingInputs, record: PerformerRecord
    ) -> tuple[Kept, PerformerRecord]:
        """Write stills, then the report of a `fitting` of them beside; the stills stay when there can be none.

        Returns
        -------
        Kept, PerformerRecord
            What to say, and the record with what this fitting adds.

        Raises
        ------
        OutputError
            When the stills cannot be written: then nothing is.
        """
        folders = self.write_stills(name, moments)
        count = f"{len(moments)} picture{'s' if len(moments) > 1 else ''} of each camera kept in {name}"
        asked = replace(given, performer=record, worn=None, code_name=None, looks=None)
        asked = replace(asked, pairing=PairingChoice(by="index") if len(folders) > 1 else None)
        try:
            result = fitting(*map(str, folders), given=asked)
            write_fitting(result, self._out / name)
        except RigcheckError as error:
            return Kept(name=name, sentence=f"{count}, without a report: {error}"), record
        sentence = f"{count}, with its report: {result.report.verdict}."
        return Kept(name=name, sentence=sentence, link=f"{name}/{_REPORT}"), result.record

    def keep_calibration(
        self,
        name: str,
        moments: Sequence[Sequence[Still]],
        *,
        board: BoardSpec | str | Path,
        rig: RigDescription | str | Path | None,
    ) -> Kept:
        """Write the kept views, then run `calibrate` on them; the views stay when it fails.

        Raises
        ------
        OutputError
            When the pictures cannot be written: then nothing is.
        """
        folders = self.write_stills(name, moments)
        pairing = PairingChoice(by="index") if len(folders) > 1 else None
        try:
            result = calibrate(*map(str, folders), board=board, rig=rig, pairing=pairing)
            write_calibration(result, self._out / name)
        except RigcheckError as error:
            return Kept(name=name, sentence=f"{len(moments)} views kept in {name}, not calibrated: {error}")
        sentence = f"Calibrated from {len(moments)} views, in {name}: {result.report.verdict}."
        return Kept(name=name, sentence=sentence, link=f"{name}/{_REPORT}")
