"""How well a day of takes tells what happened to the pair; run by hand.

python tests/bench/bench_audit.py statistics [DAYS]      simulated matches: alarms, steps found, honest sigmas
python tests/bench/bench_audit.py pooled [DAYS] [TAKES]  the same, days drawn from a pool of simulated takes (quicker)
python tests/bench/bench_audit.py needs [DAYS]           the same steps against the smooth error of the matches
python tests/bench/bench_audit.py rendered [DAYS] [CACHE]  rendered performers through the real matcher
python tests/bench/bench_audit.py lens [HEADS] [CACHE]   the same performers: clean lenses, and dirt on one of them
"""

import platform
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from audit_days import DRIFT, STEPS, Errors, Shape, audited, drifting, exact, stepped
from audit_rendered import RenderedDay, face_of

from rigcheck.drift.audit_day import day_geometry
from rigcheck.drift.audit_take import take_geometry
from rigcheck.face.audit_lens import CELL_APART, largest_spot
from rigcheck.face.audit_look import face_mask, skin_mask
from rigcheck.face.audit_skin import skin_seen
from rigcheck.jobs.audit_take import WANTED
from rigcheck.matching import PairMatcher
from rigcheck.model.auditing import DayGeometry, TakeGeometry
from rigcheck.opencv import cv2


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def honest(errors: list[np.ndarray], covariances: list[np.ndarray]) -> str:
    """sd of error over sigma for each degree of freedom, and the mean chi-square over five."""
    error, covariance = np.concatenate(errors), np.concatenate(covariances)
    sigma = np.sqrt(np.einsum("nii->ni", covariance))
    square = np.einsum("ni,nij,nj->n", error, np.linalg.inv(covariance), error).mean() / 5.0
    return " ".join(f"{value:.2f}" for value in (error / sigma).std(axis=0)) + f"   chi-square/5 {square:.2f}"


def statistics(days: int) -> None:
    shape = Shape()
    alarms, level, steps, levels, between, smooth = 0, [], [], [], [], []
    for k in range(days):
        takes, found = audited([101, k], np.zeros((shape.n_takes, 5)), shape)
        alarms += not found.steady
        level.append(([takes[0].change], [takes[0].covariance]))
        steps.append((np.diff(found.taken, axis=0), found.taken_covariance[1:] + found.taken_covariance[:-1]))
        levels.append(([found.curve[0]], [found.curve_covariance[0]]))
        between.append(found.between)
        smooth.append(np.sqrt(np.mean([take.smooth_px**2 for take in takes])))
        if (k + 1) % 100 == 0:
            say(f"untouched days {k + 1}: {alarms} with an alarm")
    say(
        f"smooth error found {np.mean(smooth):.3f} px; share that differs between takes {np.mean(between):.2f}"
    )
    say("sd of error over sigma (convergence, across, twist, along view, square to both):")
    for name, part in (("a take", level), ("from take to take", steps), ("the day's level", levels)):
        say(f"  {name:20}" + honest([np.asarray(e) for e, _ in part], [np.asarray(c) for _, c in part]))
    power(max(days // 10, 10), shape)


def pooled(days: int, n_pool: int, totals: tuple[float, ...] = (0.04, 0.08, 0.0)) -> None:
    """Days drawn from a pool of untouched takes whose smooth error is all their own; a change is added to estimates."""
    for total in totals:
        shape = Shape(n_takes=1, errors=Errors(day_px=0.0, take_px=total))
        size = n_pool if total == 0.04 else n_pool // 2
        pool = [audited([104, k], np.zeros((1, 5)), shape)[0][0] for k in range(size)]
        error = np.stack([take.change for take in pool])
        covariance = np.stack([take.covariance for take in pool])
        say(f"\nsmooth error {total:.2f} px, pool of {size} takes; {days} days of twenty takes each line")
        found_px = np.sqrt(np.mean([take.smooth_px**2 for take in pool]))
        say(
            f"  smooth error found {found_px:.3f} px; take's error over sigma: {honest([error], [covariance])}"
        )
        drawn(days, pool)


def drawn(days: int, pool: list[TakeGeometry]) -> None:
    n = 20

    def one(k: int, changes: np.ndarray) -> DayGeometry:
        takes = [pool[p] for p in np.random.default_rng([105, k]).choice(len(pool), n, replace=False)]
        return day_geometry(
            [replace(take, change=take.change + change) for take, change in zip(takes, changes, strict=True)]
        )

    still = [one(k, np.zeros((n, 5))) for k in range(days)]
    say(f"  untouched: {sum(not day.steady for day in still)} with an alarm")
    steps = [np.diff(day.taken, axis=0) for day in still]
    sizes = [day.taken_covariance[1:] + day.taken_covariance[:-1] for day in still]
    say(f"  from take to take, error over sigma: {honest(steps, sizes)}")
    levels, covariances = (
        np.stack([getattr(day, name)[0] for day in still]) for name in ("curve", "curve_covariance")
    )
    say(f"  day's level, error over sigma: {honest([levels], [covariances])}")
    for name, size in STEPS.items():
        firsts = [1 + k % (n - 2) for k in range(days)]
        found = [one(k, stepped(n, first, size)) for k, first in enumerate(firsts)]
        right = [day.events[0] for day, first in zip(found, firsts, strict=True) if exact(day, first)]
        error = np.stack([event.change - np.array(size) for event in right])
        covariance = np.stack([event.covariance for event in right])
        say(f"  step {name}: take exact on {len(right)} of {days}")
        say(f"    size's error over sigma: {honest([error], [covariance])}")
    slow = [[event.kind for event in one(k, drifting(n, DRIFT)).events] for k in range(days // 4)]
    say(f"  slow drift: called one drift on {sum(kinds == ['drift'] for kinds in slow)} of {len(slow)} days")


def power(days: int, shape: Shape) -> None:
    n = shape.n_takes
    for number, (name, size) in enumerate(STEPS.items()):
        right, errors, covariances, sure = 0, [], [], []
        for k in range(days):
            first = 1 + k % (n - 2) + (k % (n - 2) == 0)
            _, found = audited([102, number, k], stepped(n, first, size), shape)
            right += exact(found, first)
            if exact(found, first):
                errors.append(found.events[0].change - np.array(size))
                covariances.append(found.events[0].covariance)
                sure.append(found.events[0].confidence)
        say(f"step {name}: take exact on {right} of {days} days, confidence {np.mean(sure or [0]):.3f}")
        if errors:
            say(f"  size's error over sigma: {honest([np.array(errors)], [np.array(covariances)])}")
    kinds = [audited([103, k], drifting(n, DRIFT), shape)[1].events for k in range(days)]
    slow = sum([event.kind for event in events] == ["drift"] for events in kinds)
    say(f"slow drift of {DRIFT}: called one drift on {slow} of {days} days")


def needs(days: int) -> None:
    """What the steps need of the matches: the same days for smooth errors of several sizes."""
    pooled(days, 160, (0.0, 0.02, 0.04, 0.06, 0.08, 0.12))


def rendered(days: int, cache: Path | None) -> None:
    say(f"{'day':5}{'what':13}{'first':>6}  found")
    for case in range(days):
        what, first = what_of(case)
        one = RenderedDay(case=case, what=what, first=first)
        rig = one.rig.stereo
        takes = [
            take_geometry(
                f"take {k:02d}", one.matches(k, cache, by_mesh=True), rig, working_distance_mm=195.0
            )
            for k in range(one.n_takes)
        ]
        day = day_geometry(takes)
        true = np.stack([one.change(k) for k in range(one.n_takes)])
        error = np.stack([take.change for take in takes]) - true
        sigma = np.stack([np.sqrt(np.diag(take.covariance)) for take in takes])
        found = "; ".join(
            f"{e.kind} at {e.first} [{e.earliest}-{e.latest}] {100 * e.confidence:.0f} % gain {e.gain:.0f}"
            for e in day.events
        )
        say(f"{case:<5}{what:13}{first:6}  {found or 'nothing'} (needed {day.threshold:.1f})")
        smooth = np.mean([take.smooth_px for take in takes])
        noise = np.mean([take.measurements["geometry.noise_ratio"].value for take in takes])
        n = np.mean([take.n_matches for take in takes])
        say(
            f"     {n:.0f} matches, noise ratio {noise:.2f}, smooth {smooth:.3f} px, between {day.between:.2f}"
        )
        for name, row in (
            ("mean error", error.mean(axis=0)),
            ("sd of error", error.std(axis=0, ddof=1)),
            ("mean sigma", sigma.mean(axis=0)),
        ):
            say(f"     {name:12}" + "".join(f"{value:10.5f}" for value in row))


def lens(heads: int, cache: Path | None) -> None:
    """What two takes of each head say of clean lenses, and the first of a film over picture 1 or a print on it."""
    say(
        f"{'head':5}{'take':5}{'planted':12}{'apart':>8}{'sigma':>7}{'cells':>7}{'largest spot, pictures 1 and 2':>32}"
    )
    for case in range(heads):
        what, first = what_of(case)
        day = RenderedDay(case=case, what=what, first=first)
        for take, name in ((0, "clean"), (9, "clean"), *((0, name) for name in DIRT)):
            seen = skin_of(day, take, DIRT.get(name), cache)
            apart = seen.numbers["lens.1.apart"]
            spots = [largest_spot(seen.cells[camera] < -CELL_APART) for camera in "12"]
            cells = int(np.isfinite(seen.cells["1"]).sum())
            say(
                f"{case:<5}{take:<5}{name:12}{apart.value:8.3f}{apart.sigma:7.3f}{cells:7}{spots[0]:16}{spots[1]:16}"
            )


DIRT = {
    "print 40 %": (0.4, 0.06),
    "print 60 %": (0.6, 0.06),
    "print 90 %": (0.9, 0.06),
    "film 25 %": (0.25, 0.25),
    "film 45 %": (0.45, 0.25),
}


def dirty(picture: np.ndarray, share: float, wide: float) -> np.ndarray:
    """This share of the light is spread over `wide` of the picture's height: by a print on a cheek, or all over."""
    height, width = picture.shape
    mask = np.full(picture.shape, share, np.float32)
    if wide < 0.2:
        mask[:] = 0.0
        reach = (int(0.11 * height), int(0.132 * height))
        cv2.ellipse(mask, (int(0.35 * width), int(0.55 * height)), reach, 0, 0, 360, share, -1)
        mask = cv2.GaussianBlur(mask, (0, 0), 0.02 * height)
    light = picture.astype(np.float32)
    spread = cv2.GaussianBlur(light, (0, 0), wide * height)
    return np.rint(light * (1 - mask) + spread * mask).astype(np.uint8)


def skin_of(day: RenderedDay, take: int, dirt: tuple[float, float] | None, cache: Path | None):
    """The skin of a take's moments, picture 1 with dirt before it."""
    pairs, masks, matches = [], [], []
    matcher = PairMatcher(day.rig.stereo, wanted=WANTED)
    for moment in range(day.n_moments):
        first, second = day.pictures(take, moment, cache)[0]
        pair = (first if dirt is None else dirty(first, *dirt), second)
        faces = [face_of(picture) for picture in pair]
        if None in faces:
            continue
        masks.append(skin_mask(faces[0]))
        matches.append(matcher.match(*pair, mask1=masks[-1], mask2=face_mask(faces[1])))
        pairs.append(pair)
    return skin_seen(("1", "2"), pairs, masks, matches)


def what_of(case: int) -> tuple[str, int]:
    """What happens on a rendered day, and when."""
    kinds = ("still", *STEPS, "drift")
    return kinds[case % len(kinds)], int(np.random.default_rng([75, case]).integers(3, 18))


def main() -> None:
    say(f"{platform.platform()} {platform.processor()}")
    start = time.process_time()
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    if sys.argv[1] == "statistics":
        statistics(count or 1000)
    if sys.argv[1] == "pooled":
        pooled(count or 1000, int(sys.argv[3]) if len(sys.argv) > 3 else 1000)
    if sys.argv[1] == "needs":
        needs(count or 200)
    if sys.argv[1] == "rendered":
        rendered(count or 3, Path(sys.argv[3]) if len(sys.argv) > 3 else None)
    if sys.argv[1] == "lens":
        lens(count or 6, Path(sys.argv[3]) if len(sys.argv) > 3 else None)
    say(f"\n{time.process_time() - start:.0f} s of CPU")


if __name__ == "__main__":
    main()
