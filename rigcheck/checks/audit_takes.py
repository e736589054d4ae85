"""Judging one take of a day by itself and against the others: a function a question."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

from rigcheck.checks.limits import Limits
from rigcheck.checks.verdict import SEVERITY, Band, judge
from rigcheck.model import Estimate, Status
from rigcheck.model.take import AuditRun, TakeRecord

__all__ = [
    "JudgeTake",
    "TakeFinding",
    "TakeQuestion",
    "board_verified",
    "exchanged",
    "face_seen",
    "geometry_measured",
    "harm_of_take",
    "lens_spot",
    "lens_veil",
    "light",
    "lost_pictures",
    "offset",
    "offset_change",
    "other_face",
    "other_settings",
    "readable",
    "sharpness",
    "skin_blown",
    "slip",
    "slip_turn",
]


@dataclass(frozen=True, kw_only=True)
class TakeFinding:
    """What a question finds in one take: number, status, limit and words."""

    estimate: Estimate
    status: Status
    band: Band | None
    words: str


JudgeTake = Callable[[AuditRun, TakeRecord, Limits], TakeFinding | None]


@dataclass(frozen=True, kw_only=True)
class TakeQuestion:
    """A question to each take, by the code of its check."""

    code: str
    judge: JudgeTake


def _worst(found: list[TakeFinding]) -> TakeFinding | None:
    return max(found, key=lambda one: SEVERITY.index(one.status), default=None)


def _by_camera(
    run: AuditRun,
    record: TakeRecord,
    name: str,
    band: Band,
    words: Callable[[str, Estimate], str],
    *,
    size: bool = False,
) -> TakeFinding | None:
    """Judge ``<before>.<camera>.<after>`` of every camera; the worst speaks; None for an unread take."""
    if record.fault:
        return None
    found = []
    for camera in record.cameras:
        full = name.format(camera=camera)
        number = record.measurements.get(full) or run.change(record.name, full)
        judged = number
        if size and number.value is not None:
            judged = Estimate(value=abs(number.value), sigma=number.sigma, unit=number.unit, n=number.n)
        text = words(camera, number) if number.value is not None else f"{camera}: {number.reason}"
        found.append(TakeFinding(estimate=judged, status=judge(judged, band), band=band, words=text))
    measured = [one for one in found if one.status != "skipped"]
    return _worst(measured or found)


def readable(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding:
    """Whether the take could be read."""
    band = limits.band("audit.unreadable_takes")
    value = Estimate(value=float(bool(record.fault)), unit="takes", n=1)
    words = f"{record.fault} {record.hint[:1].upper()}{record.hint[1:]}" if record.fault else "read"
    return TakeFinding(estimate=value, status=judge(value, band), band=band, words=words)


def face_seen(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Share of the pictures looked at that show the face."""
    if record.board is not None:
        return None
    return _by_camera(
        run,
        record,
        "framing.{camera}.seen_share",
        limits.band("audit.seen_share"),
        lambda camera, number: (
            f"{camera} shows the face in {100 * (number.value or 0):.0f} % of the moments looked at"
        ),
    )


def geometry_measured(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Whether the pair's pose could be measured."""
    if record.fault or not run.calibrated or record.board is not None:
        return None
    band = limits.band("audit.unmeasured_takes")
    value = Estimate(value=float(record.geometry is None), unit="takes", n=1)
    return TakeFinding(
        estimate=value, status=judge(value, band), band=band, words=record.geometry_reason or "measured"
    )


def harm_of_take(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Depth error on the face when the take is read with the calibration at the start.

    Only where the day told that something changed, or began apart from the calibration: elsewhere the number is noise.
    """
    place = run.day_index(record.name)
    if run.day is None or place is None:
        return None
    band = limits.band("harm.depth_mm")
    number = run.day.harm_mm[place]
    told = (run.day.level is not None and run.day.level.apart) or any(
        event.first <= place for event in run.day.events
    )
    value = "not known" if number.value is None else f"{number.value:.2f} mm"
    if not told:
        return TakeFinding(estimate=number, status="pass", band=band, words="no change told up to here")
    return TakeFinding(
        estimate=number,
        status=judge(number, band),
        band=band,
        words=f"{value} in depth on the face with the start calibration",
    )


def exchanged(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Whether both cameras' points agree much better with the cameras exchanged."""
    share, other = record.number("pair.epipolar_share"), record.number("pair.exchanged_share")
    if share.value is None:
        return None
    band = limits.band("audit.exchanged_ratio")
    if not other.value or not share.value:
        right = Estimate(value=1.0, n=share.n)
        return TakeFinding(estimate=right, status="pass", band=band, words="the cameras agree as they are")
    ratio = Estimate(value=other.value / share.value, n=share.n)
    return TakeFinding(
        estimate=ratio,
        status=judge(ratio, band),
        band=band,
        words=f"the face's points are {share.value:.3f} eye distances off their epipolar lines as named, "
        f"{other.value:.3f} with the cameras exchanged",
    )


def offset(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Time between the cameras."""
    number = record.number("pair.time_offset_ms")
    if record.fault or "pair.time_offset_ms" not in record.measurements:
        return None
    return _signed(number, limits.band("sync.offset_ms"), "ms between the cameras")


def offset_change(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Time between the cameras against the first take in which it was measured."""
    number = run.change(record.name, "pair.time_offset_change_ms")
    if record.fault or "pair.time_offset_ms" not in record.measurements:
        return None
    return _signed(number, limits.band("sync.offset_ms"), "ms since the first take measured")


def _signed(number: Estimate, band: Band, what: str) -> TakeFinding:
    if number.value is None:
        return TakeFinding(estimate=number, status="skipped", band=band, words=number.reason)
    size = Estimate(value=abs(number.value), sigma=number.sigma, unit=number.unit, n=number.n)
    sigma = "" if number.sigma is None else f" ± {number.sigma:.2f}"
    return TakeFinding(
        estimate=size, status=judge(size, band), band=band, words=f"{number.value:+.2f}{sigma} {what}"
    )


def slip(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """How far the face sits from where it did."""
    return _by_camera(
        run,
        record,
        "slip.{camera}.moved_mm",
        limits.band("refit.shift_mm"),
        lambda camera, number: (
            f"{number.value:.1f} mm in {camera}'s picture against {run.reference}{_own(run, record, camera)}"
        ),
    )


def _own(run: AuditRun, record: TakeRecord, camera: str) -> str:
    """What of the picture's shift was a camera's own move."""
    own, open_ = (run.change(record.name, f"slip.{camera}.{kind}_mm").value for kind in ("own", "open"))
    out = "" if own is None else f"; {own:.1f} mm by this camera's own move taken off"
    if open_ is not None:
        out += f"; open: {open_:.1f} mm are this camera's own move, or the other camera moved"
    return out


def slip_turn(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """How far the face is turned from how it was."""
    return _by_camera(
        run,
        record,
        "slip.{camera}.roll_deg",
        limits.band("refit.turn_deg"),
        lambda camera, number: f"{number.value:+.1f}° in {camera}'s picture against {run.reference}",
        size=True,
    )


def sharpness(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Sharpness against the reference take."""
    return _by_camera(
        run,
        record,
        "focus.{camera}.ratio",
        limits.band("audit.sharpness_ratio"),
        lambda camera, number: f"{camera} {100 * (number.value or 0):.0f} % as sharp as at first",
    )


def light(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Light on the skin against the reference take."""
    return _by_camera(
        run,
        record,
        "light.{camera}.stops",
        limits.band("audit.light_stops"),
        lambda camera, number: f"{camera} {number.value:+.2f} stops against the first take",
        size=True,
    )


def skin_blown(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Share of the skin that is blown."""
    return _by_camera(
        run,
        record,
        "exposure.{camera}.blown_share",
        limits.band("exposure.blown_share"),
        lambda camera, number: f"{camera} {100 * (number.value or 0):.2f} % of the skin blown",
    )


def lens_spot(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """A spot of the picture that lost contrast."""
    band = limits.band("audit.spot_share")
    return _either(
        _by_camera(
            run,
            record,
            "lens.{camera}.spot_share",
            band,
            lambda camera, number: _spot(
                camera, number, "a spot of {share:.0f} % of the picture lost contrast"
            ),
        ),
        _by_camera(
            run,
            record,
            "lens.{camera}.spot_apart",
            band,
            lambda camera, number: _spot(
                camera,
                number,
                "in a spot of {share:.0f} % of the face contrast is lost that the other camera has",
            ),
        ),
    )


def _spot(camera: str, number: Estimate, words: str) -> str:
    """Words for a spot on a camera's lens, or for none."""
    if not number.value:
        return f"{camera}: no spot of the picture lost contrast"
    return f"{camera}: {words.format(share=100 * number.value)}"


def lens_veil(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Contrast lost all over the picture."""
    band = limits.band("audit.veil")
    return _either(
        _by_camera(
            run,
            record,
            "lens.{camera}.veil",
            band,
            lambda camera, number: (
                f"{camera}: {100 * (number.value or 0):.0f} % less contrast all over the picture than in other takes"
            ),
        ),
        _by_camera(
            run,
            record,
            "lens.{camera}.veil_apart",
            band,
            lambda camera, number: (
                f"{camera}: {100 * (number.value or 0):.0f} % less contrast all over the face than the other camera has"
            ),
        ),
    )


def _either(first: TakeFinding | None, second: TakeFinding | None) -> TakeFinding | None:
    """The worse of two ways to find the same; one that could not be measured says nothing beside one that was."""
    found = [one for one in (first, second) if one is not None]
    return _worst([one for one in found if one.status != "skipped"] or found)


def lost_pictures(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Pictures dropped, or repeated to fill in."""
    if record.fault:
        return None
    band = limits.band("audit.lost_pictures")
    found = []
    for camera in record.cameras:
        dropped, repeated = (record.number(f"frames.{camera}.{kind}") for kind in ("dropped", "repeated"))
        count = (dropped.value or 0.0) + (repeated.value or 0.0)
        share = Estimate(value=count / max(dropped.n, 1), n=dropped.n)
        words = (
            f"{camera}: {dropped.value or 0:.0f} dropped, {repeated.value or 0:.0f} repeated of {dropped.n}"
        )
        found.append(TakeFinding(estimate=share, status=judge(share, band), band=band, words=words))
    return _worst(found)


def other_settings(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Size, rate or depth other than most takes of the day have."""
    if record.fault:
        return None
    band = limits.band("audit.other_settings")
    odd = []
    for camera in record.cameras:
        counts = Counter(one.settings.get(camera, "") for one in run.read)
        usual = counts.most_common(1)[0][0]
        if record.settings.get(camera, "") != usual:
            odd.append(f"{camera} {record.settings.get(camera, '')}, most takes {usual}")
    value = Estimate(value=float(len(odd)), unit="cameras", n=len(record.cameras))
    return TakeFinding(
        estimate=value, status=judge(value, band), band=band, words="; ".join(odd) or "as most takes"
    )


def other_face(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """Distance between the pupils against the performer's other takes."""
    number = run.change(record.name, "face.interpupillary_mm")
    if record.fault or len(record.cameras) < 2 or not run.calibrated:
        return None
    return _signed(
        number, limits.band("audit.eyes_apart_mm"), "mm between the pupils against the other takes"
    )


def board_verified(run: AuditRun, record: TakeRecord, limits: Limits) -> TakeFinding | None:
    """What a board held up in the take says."""
    if record.board is None:
        return None
    board = record.board
    value = Estimate(value=float(board.seen), unit="pictures", n=board.seen)
    if board.status is None:
        words = f"a board was seen; nothing was made of it: {board.reason.rstrip('.')}"
        return TakeFinding(estimate=value, status="caution", band=None, words=words)
    return TakeFinding(estimate=value, status=board.status, band=None, words=board.message)
