"""What two calibrations have in common, so that their errors are not independent.

Their difference has the covariance C1 + C2 only when nothing is shared. The print's scale, when both used the
same board, cancels in it; a workshop prior that both used, or that is one of the two, cancels in part; when both
saw the same footage nothing of the noise is left to test with.

References
----------
Hausman, "Specification tests in econometrics", Econometrica 46(6), 1978: the covariance of the difference
between an estimate and one that contains it is the difference of their covariances.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import NamedTuple

import numpy as np

from rigcheck.model import Calibration, Report
from rigcheck.model._arrays import FloatArray

# Our own files among a calibration's inputs; everything else is footage.
_OUR_FILES = (".yaml", ".yml", ".json")
# Both points of a part, in seconds or timecode, as FOOTAGE writes them.
_POINT = r"(\d+:\d+:\d+[:;.]\d+|\d+(?:\.\d*)?|\.\d+)"
_RANGE = re.compile(rf"@{_POINT}-{_POINT}(?:#|$)")

__all__ = ["CommonPart", "SourcedCalibration", "common_part", "prior_sha256"]


@dataclass(frozen=True, kw_only=True, eq=False)
class SourcedCalibration:
    """A calibration, the SHA-256 of its file where it came from one, and its report where that is at hand."""

    calibration: Calibration
    sha256: str = ""
    report: Report | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class CommonPart:
    """How two calibrations depend on each other.

    `cross` (P1, P2) is the covariance between the two sets of stored parameters. `same_footage`: their noise is
    the same to an unknown part, so that no test is possible. `bounded`: a common part is known to exist, but not
    how large it is; every sigma of the difference is then an upper bound. `notes` say all that for people.
    """

    cross: FloatArray
    same_footage: bool
    bounded: bool
    notes: tuple[str, ...]


def prior_sha256(calibration: Calibration) -> str | None:
    """Hash of the prior's file that this calibration was made with; None without a prior, "" when not known."""
    prior = calibration.provenance.options.get("prior")
    if prior is None:
        return None
    return calibration.provenance.inputs_sha256.get(str(prior), "")


def common_part(
    first: SourcedCalibration, second: SourcedCalibration, *, prior: SourcedCalibration | None = None
) -> CommonPart:
    """Find what two calibrations share.

    Parameters
    ----------
    first, second : SourcedCalibration
    prior : SourcedCalibration, optional
        The workshop calibration that both used, where its file is at hand; checked by its hash.

    Returns
    -------
    CommonPart
    """
    a, b = first.calibration, second.calibration
    cross = np.zeros((len(a.parameters), len(b.parameters)))
    notes: list[str] = []
    cross += _print_scale(a, b, notes)
    shared = _shared_prior(first, second, prior)
    if shared is not None:
        cross += _through_prior(a, b, shared.calibration)
        notes.append(_prior_note(first, second, shared))
    unknown = shared is None and prior_sha256(a) is not None and _one_prior(a, b)
    if unknown:
        notes.append(
            "Both were made with the same workshop prior, whose file is not at hand: what it lent to both cannot "
            "be taken out, so the sigmas of the difference are too large and a small change may stay unseen."
        )
    same = _same_footage(a, b)
    if same and _other_parts(a, b):
        same = False
        notes.append(
            "They were made from other parts of the same clips: their noise is taken as independent; how warm the "
            "cameras were and how the board was held may be common."
        )
    if same:
        notes.append(
            "Both were made from the same footage: their noise is the same, so that no sigma of the difference "
            "can be given; what differs comes from the options, the board file or the version."
        )
    if not notes:
        notes.append("Nothing common to both was found; they are taken as independent.")
    return CommonPart(cross=cross, same_footage=same, bounded=unknown, notes=tuple(notes))


def _print_scale(a: Calibration, b: Calibration, notes: list[str]) -> FloatArray:
    """Covariance through the scale of a print that both used; appends what to say of it."""
    cross = np.zeros((len(a.parameters), len(b.parameters)))
    if a.stereo is None or b.stereo is None:
        return cross
    if a.board == b.board:
        scale = a.board.scale_sigma
        if scale is not None:
            cross += scale**2 * np.outer(_by_scale(a), _by_scale(b))
        notes.append("Both used the same board: the scale of its print is common and cancels.")
        return cross
    if a.board.scale_sigma is None or b.board.scale_sigma is None:
        notes.append(
            f"They used different boards ({a.board.name}, {b.board.name}) and not both prints were measured: "
            "a difference of the baseline may be one of the prints."
        )
    else:
        notes.append(
            f"They used different boards or measurements of them ({a.board.name}, {b.board.name}); "
            "the scale of each print is within its sigma."
        )
    return cross


def _by_scale(calibration: Calibration) -> FloatArray:
    out = np.zeros(len(calibration.parameters))
    if calibration.stereo is None:
        return out
    translation = calibration.stereo.camera2_from_camera1.translation_mm
    for axis, value in zip("xyz", translation, strict=True):
        name = f"stereo.translation_{axis}_mm"
        if name in calibration.parameters:
            out[calibration.parameters.index(name)] = value
    return out


def _one_prior(a: Calibration, b: Calibration) -> bool:
    """Whether both used one prior: by its hash, else by the words it was given as."""
    hashes = prior_sha256(a), prior_sha256(b)
    if hashes[0] or hashes[1]:
        return hashes[0] == hashes[1]
    return a.provenance.options.get("prior") == b.provenance.options.get("prior")


def _shared_prior(
    first: SourcedCalibration, second: SourcedCalibration, prior: SourcedCalibration | None
) -> SourcedCalibration | None:
    """The prior through which both hang together, where its covariance is at hand."""
    for one, other in ((first, second), (second, first)):
        wanted = prior_sha256(other.calibration)
        if wanted is None:
            continue
        by_hash = bool(wanted) and wanted == one.sha256
        if by_hash or other.calibration.provenance.options["prior"] == one.calibration.created:
            return one
    if prior is None or not prior.sha256:
        return None
    both = {prior_sha256(first.calibration), prior_sha256(second.calibration)}
    return prior if both == {prior.sha256} else None


def _prior_note(first: SourcedCalibration, second: SourcedCalibration, shared: SourcedCalibration) -> str:
    if shared is first:
        return (
            "The second was made with the first as its prior: what it took over is not counted as agreement."
        )
    if shared is second:
        return (
            "The first was made with the second as its prior: what it took over is not counted as agreement."
        )
    return "Both were made with the same workshop prior: what it lent to both is common and is taken out."


def _through_prior(a: Calibration, b: Calibration, prior: Calibration) -> FloatArray:
    """Covariance that a prior on the intrinsics gives two calibrations: C1[:, k] P C2[k, :].

    P is the prior's information about its intrinsics k. A calibration made with the prior moves by C P e when
    the prior is off by e; the prior itself moves by e, which is the same formula with its own C.
    """
    cameras = {entry.camera.name for entry in prior.cameras}
    names = [name for name in prior.parameters if name.split(".")[0] in cameras]
    rows = [prior.parameters.index(name) for name in names]
    covariance = prior.covariance[np.ix_(rows, rows)]
    unit = 1.0 / np.sqrt(np.diag(covariance))
    scaled = np.linalg.pinv(covariance * np.outer(unit, unit), rcond=1e-12, hermitian=True)
    information = scaled * np.outer(unit, unit)
    parts = []
    for calibration in (a, b):
        part = np.zeros((len(calibration.parameters), len(names)))
        for column, name in enumerate(names):
            if name in calibration.parameters:
                part[:, column] = calibration.covariance[:, calibration.parameters.index(name)]
        parts.append(part)
    return np.asarray(parts[0] @ information @ parts[1].T)


def _same_footage(a: Calibration, b: Calibration) -> bool:
    """Whether any file of footage has the same content in both."""
    seen = []
    for calibration in (a, b):
        inputs = calibration.provenance.inputs_sha256
        seen.append({h for path, h in inputs.items() if PurePath(path).suffix.lower() not in _OUR_FILES})
    return bool(seen[0] & seen[1])


def _other_parts(a: Calibration, b: Calibration) -> bool:
    """Whether in and out points, given for both in the same way, leave one picture at most that both used."""
    first, second = (_ranges(calibration.provenance.options) for calibration in (a, b))
    return bool(first and second) and all(
        one.timecode == other.timecode and (one.stop <= other.start or other.stop <= one.start)
        for one in first
        for other in second
    )


class _Range(NamedTuple):
    """In and out points, seconds; `timecode` where they were typed as one (its start is the file's own)."""

    start: float
    stop: float
    timecode: bool


def _ranges(options: Mapping[str, object]) -> list[_Range]:
    """In and out points of every part of both cameras' footage; nothing where a part has none."""
    out = []
    for name in ("footage1", "footage2"):
        text = options.get(name)
        for part in [] if text is None else str(text).split(","):
            found = _RANGE.search(part)
            if found is None:
                return []
            out.append(_Range(_seconds(found[1]), _seconds(found[2]), ":" in found[1]))
    return out


def _seconds(point: str) -> float:
    """Order of a point in time: a timecode's frames count as thousandths, which keeps the order."""
    if ":" not in point:
        return float(point)
    *larger, frames = re.split("[:;.]", point)
    total = 0.0
    for number in larger:
        total = 60.0 * total + float(number)
    return total + float(frames) / 1000.0
