"""Verify: false alarms, honesty of the sigmas, power, names of causes, and time against a bare decode.

Run by hand::

    PYTHONPATH=tests python tests/bench/bench_verify.py statistics [REPEATS]
    PYTHONPATH=tests python tests/bench/bench_verify.py rendered
    PYTHONPATH=tests python tests/bench/bench_verify.py timing CACHE_FOLDER

Corners are projected by OpenCV and noised with 0.1 px per axis; each repeat draws another calibration of the true rig
from the stored covariance, or (last table) calibrates anew from 24 pairs. `timing` takes the first ten seconds of the
clips of `bench_clips.py` and renders these when the folder lacks them (about 12 minutes of CPU time).
"""

import argparse
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import av
import numpy as np
from rendered import render_pairs
from scipy.stats import kstest
from synthetic import board_poses
from verifying import DISTANCE_MM, TRUE_RIG, Changed, calibrated, drawn, pairs_of, stored

from rigcheck.checks import Limits, effective_limits
from rigcheck.checks.verification import harm_status
from rigcheck.drift.against_stored import compare_with_stored
from rigcheck.drift.face_harm import depth_by_change, exact_harm_mm, harm_estimate
from rigcheck.drift.stored import stored_rig
from rigcheck.drift.verify_numbers import verify_measurements
from rigcheck.geometry.rig_change import face_shift
from rigcheck.jobs.verify import verify

BAND = Limits(effective_limits()).band("harm.depth_mm")
# Smallest changes to be reported 95 times in 100 from six pairs.
WANTED = {
    "convergence 0.02 deg": Changed(convergence_deg=0.02),
    "across 0.01 deg": Changed(across_deg=0.01),
    "twist 0.03 deg": Changed(twist_deg=0.03),
    "baseline 0.03 mm": Changed(baseline_mm=0.03),
    "focal 0.05 %": Changed(focal=0.0005),
    "principal point x 0.15 px": Changed(centre_px=(0.15, 0.0)),
    "principal point y 0.15 px": Changed(centre_px=(0.0, 0.15)),
}
LARGER = {
    "convergence 0.05 deg": Changed(convergence_deg=0.05),
    "convergence 0.5 deg": Changed(convergence_deg=0.5),
    "focal 0.3 %": Changed(focal=0.003),
    "focal 0.3 %, camera 2": Changed(focal=0.003, camera=1),
    "focal 1.5 %": Changed(focal=0.015),
    "principal point x 3 px": Changed(centre_px=(3.0, 0.0), camera=1),
}


@dataclass(kw_only=True)
class Tally:
    """What many repeats said."""

    verdicts: Counter = field(default_factory=Counter)
    best: Counter = field(default_factory=Counter)
    changed: int = 0
    p_all: list = field(default_factory=list)
    p_pose: list = field(default_factory=list)
    errors: list = field(default_factory=list)
    harm: list = field(default_factory=list)
    names: tuple = ()


def say(line=""):
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def machine():
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        name = next(line.split(":")[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        name = platform.processor()
    return f"{name}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}"


def cause_name(explanation):
    cause = explanation.cause
    number = "" if cause.camera is None else str(cause.camera + 1)
    beside = " and pose" if cause.with_pose and cause.kind != "pose" else ""
    return f"{cause.kind} {number}".strip() + beside


def once(tally, rig, rig_stored, rng, n_views):
    compared = compare_with_stored(pairs_of(rig, rng, n_views=n_views), rig_stored)
    depth = depth_by_change(rig_stored, working_distance_mm=DISTANCE_MM)
    exact = exact_harm_mm(rig_stored, compared.change, working_distance_mm=DISTANCE_MM)
    harm = harm_estimate(compared.change, depth, exact_mm=exact)
    numbers = verify_measurements(compared, harm)
    tally.names = tuple(
        name
        for name, one in numbers.items()
        if one.sigma and (name.startswith("change.") or "_change" in name)
    )
    tally.errors.append([(numbers[name].value, numbers[name].sigma) for name in tally.names])
    tally.verdicts[harm_status(harm, BAND)] += 1
    tally.best[cause_name(compared.explained[0])] += 1
    tally.changed += compared.changed
    tally.p_all.append(compared.scales.total_p)
    tally.p_pose.append(compared.basic.gain_p)
    tally.harm.append((harm.value, harm.sigma))


def many(change, repeats, n_views, *, case, base=None):
    base, tally = base or stored(), Tally()
    for k in range(repeats):
        rng = np.random.default_rng([case, k])
        once(tally, change.rig, drawn(base, rng), rng, n_views)
    return tally


def said(counter, total):
    return ", ".join(f"{name} {100 * n / total:.1f} %" for name, n in counter.most_common(4))


def untouched(repeats):
    say(f"Untouched rigs, {repeats} repeats (KS: p of a Kolmogorov-Smirnov test of uniformity)")
    say(
        "pairs | fail | verdicts | called changed | KS all | KS pose | sd of error/sigma, smallest and largest"
    )
    for n_views in (1, 2, 6, 12):
        count = repeats if n_views == 6 else max(repeats // 5, 20)
        tally = many(Changed(), count, n_views, case=81)
        values = np.array(tally.errors)
        spread = (values[..., 0] / values[..., 1]).std(0)
        say(
            f"{n_views:5d} | {100 * tally.verdicts['fail'] / count:.1f} % | {said(tally.verdicts, count)} | "
            f"{100 * tally.changed / count:.1f} % | {kstest(tally.p_all, 'uniform').pvalue:.2f} | "
            f"{kstest(tally.p_pose, 'uniform').pvalue:.2f} | {spread.min():.2f} {spread.max():.2f}"
        )
        if n_views == 6:
            for name, one in zip(tally.names, spread, strict=True):
                say(f"      {name}: {one:.3f}")


def power(repeats):
    say(f"\nPower from six pairs, {repeats} repeats; harm: median found, median sigma, truth")
    for name, change in (WANTED | LARGER).items():
        tally = many(change, repeats, 6, case=82)
        true = face_shift(change.rig, TRUE_RIG, working_distance_mm=DISTANCE_MM).depth_mm
        harm, sigma = np.median(tally.harm, axis=0)
        say(
            f"{name}: changed {100 * tally.changed / repeats:.0f} % | harm {harm:.3f} +- {sigma:.3f}, {true:.3f} mm | "
            f"{said(tally.verdicts, repeats)} | best: {said(tally.best, repeats)}"
        )


def wholly(repeats):
    say(f"\nCalibrated anew each time (24 pairs) and verified from six, {repeats} repeats, untouched")
    tally = Tally()
    for k in range(repeats):
        rng = np.random.default_rng([83, k])
        once(tally, TRUE_RIG, stored_rig(calibrated(seed=1000 + k)), rng, 6)
    values = np.array(tally.errors)
    spread = (values[..., 0] / values[..., 1]).std(0)
    say(
        f"fail {tally.verdicts['fail']} | {said(tally.verdicts, repeats)} | changed {tally.changed} | KS all "
        f"{kstest(tally.p_all, 'uniform').pvalue:.2f}, pose {kstest(tally.p_pose, 'uniform').pvalue:.2f} | sd "
        f"{spread.min():.2f} {spread.max():.2f}"
    )


def rendered():
    """Six pairs of stills rendered, detected and verified; the stored calibration is that of projected corners."""
    say("\nRendered stills, six pairs each")
    board = "name: reference\nkind: charuco\nsquares: [9, 12]\nsquare_mm: 9.0\nmarker_mm: 6.75\n"
    for number, (name, change) in enumerate({"untouched": Changed(), **WANTED, **LARGER}.items()):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            (folder / "board.yaml").write_text(board + "dictionary: DICT_4X4_100\n")
            poses = board_poses(np.random.default_rng([84, number]), 6)
            footage = render_pairs(folder, poses, seed=100 + number, rig=change.rig)
            found = verify(*footage, calibration=calibrated(), board=folder / "board.yaml").run
        true = face_shift(change.rig, TRUE_RIG, working_distance_mm=DISTANCE_MM).depth_mm
        told = ", ".join(cause_name(one) for one in (found.best, *found.alternatives))
        say(
            f"{name}: changed {found.changed} | harm {found.harm.value:.3f} +- {found.harm.sigma:.3f}, {true:.3f} mm | "
            f"{harm_status(found.harm, BAND)} | {told}"
        )


def cut(source, target, seconds):
    """Copy the first seconds of a clip without encoding it again."""
    with av.open(str(source)) as old, av.open(str(target), "w", format="mp4") as new:
        stream = new.add_stream_from_template(old.streams.video[0])
        for packet in old.demux(old.streams.video[0]):
            if packet.dts is None or float(packet.pts * packet.time_base) >= seconds:
                continue
            packet.stream = stream
            new.mux(packet)


def decode(path):
    with av.open(str(path)) as container:
        container.streams.video[0].thread_type = "AUTO"
        return sum(1 for _ in container.decode(video=0))


def decode_each(clips):
    for clip in clips:
        decode(clip)


def timed(work):
    start, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_SELF)
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    work()
    after, later = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    cpu += later.ru_utime + later.ru_stime - children.ru_utime - children.ru_stime
    return time.perf_counter() - start, cpu


def timing(cache):
    sys.path.insert(0, str(Path(__file__).parent))
    from bench_clips import VARIANTS, clip_path, prepare

    prepare(cache)
    command = [sys.executable, "-m", "rigcheck"]
    paper = ["--board", str(cache / "board.yaml"), "--rig", str(cache / "rig.yaml")]
    whole = [str(clip_path(cache, "often", number)) + "@10.0-60.0" for number in (1, 2)]
    made = cache / "calibrated"
    if not (made / "calibration.yaml").exists():
        subprocess.run(
            [*command, "calibrate", *whole, *paper, "--out", str(made)],
            check=False,
            stdout=subprocess.DEVNULL,
        )
    for variant in VARIANTS:
        clips = [cache / f"short-{variant}-{number}.mp4" for number in (1, 2)]
        for number, clip in enumerate(clips, start=1):
            cut(clip_path(cache, variant, number), clip, 10.0)
        bare, bare_cpu = min(timed(partial(decode_each, clips)) for _ in range(3))
        run = [*command, "verify", *map(str, clips), *paper, "--calibration", str(made / "calibration.yaml")]
        run += ["--out", str(cache / "verified"), "--replace"]
        quiet = partial(subprocess.run, run, check=False, stdout=subprocess.DEVNULL)
        runs = [timed(quiet) for _ in range(3)]
        wall, cpu = min(runs)
        say(
            f"keyframes {variant}: decode both {bare:.2f} s ({bare_cpu:.2f} s of CPU); verify {wall:.2f} s "
            f"({cpu:.2f} s of CPU); allowed {0.5 * bare + 1.0:.2f} s ({0.5 * bare_cpu + 1.0:.2f} s of CPU)"
        )


def main():
    parser = argparse.ArgumentParser()
    commands = parser.add_subparsers(dest="what", required=True)
    numbers = commands.add_parser("statistics")
    numbers.add_argument("repeats", type=int, nargs="?", default=1000)
    commands.add_parser("rendered")
    commands.add_parser("timing").add_argument("cache", type=Path)
    asked = parser.parse_args()
    say(machine())
    if asked.what == "timing":
        timing(asked.cache)
        return
    if asked.what == "rendered":
        rendered()
        return
    untouched(asked.repeats)
    power(max(asked.repeats // 5, 20))
    wholly(max(asked.repeats // 10, 10))


if __name__ == "__main__":
    main()
