"""How well picking does on scripted clips of eight heads; by hand.

python tests/bench/bench_picks.py study [--heads 0,1] [--scripts 0,1] [--width 540] [--cache FOLDER] [--most 40]
python tests/bench/bench_picks.py repeat [--cache FOLDER]
python tests/bench/bench_picks.py seams [--cache FOLDER]
python tests/bench/bench_picks.py teeth [--width 1080]

`study` prints a row a clip and pose, and shares with their 95 % intervals (Wilson); `repeat` how far each number of the
face differs between moments of one rest, which SHAPE_SIGMAS states; `seams` how dark the line between the lips is,
sealed and apart; `teeth` which rows a bite shows and how far the front teeth lie behind the upper lip, beside truth.
Heads from 8 on are mixtures of the eight. Rendered pictures are kept in the folder.
"""

import argparse
import os
import platform
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from pick_bites import bite_of, reader_of
from pick_clips import BLACK_DN, SCRIPTS, Stage, film
from pick_study import choose, row_of

from rigcheck.demo.head_acting import lips_parted
from rigcheck.demo.head_expression import neutral
from rigcheck.demo.head_scene import FaceScene
from rigcheck.face.picks_glance import Glancer
from rigcheck.face.picks_reading import CameraPictures, MomentReader
from rigcheck.face.picks_sealed import apart_chance, seam_darkness
from rigcheck.face.picks_shape import SHAPE_SIGMAS
from rigcheck.model import Frame, FrameRef
from rigcheck.opencv import cv2


def say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def wilson(right: int, count: int) -> str:
    """Share and its 95 % interval (Wilson 1927)."""
    if count == 0:
        return "none"
    share, z = right / count, 1.96
    middle = (share + z * z / (2 * count)) / (1 + z * z / count)
    half = z / (1 + z * z / count) * np.sqrt(share * (1 - share) / count + z * z / (4 * count * count))
    return f"{right} of {count} ({100 * share:.0f} %, {100 * (middle - half):.0f} to {100 * (middle + half):.0f})"


def study(heads: list[int], options: argparse.Namespace) -> None:
    first = {"neutral": [0, 0], "bite": [0, 0]}
    none, alternates, named = [0, 0], [0, 0], {}
    size = (options.width, options.width * 4 // 3)
    for head in heads:
        stage = Stage(head=head, size_px=size, folder=options.cache)
        for script in [SCRIPTS[int(k)] for k in options.scripts.split(",")]:
            clip = film(stage, script)
            start = time.process_time()
            row = row_of(head, clip, choose(clip, most=options.most))
            seconds = time.process_time() - start
            for pose in row.poses:
                tally = first[pose.pose] if pose.wanted else none
                tally[0] += pose.right
                tally[1] += 1
                alternates[0] += sum(pose.alternates_right)
                alternates[1] += len(pose.alternates_right)
                for act, was in pose.named.items():
                    count = named.setdefault((pose.pose, act), [0, 0])
                    count[0] += was
                    count[1] += 1
                unnamed = [act for act, was in pose.named.items() if not was]
                at = "none" if pose.first_idx is None else clip.shots[pose.first_idx].act or "on the way"
                say(
                    f"head {head}  {script.name:22}{pose.pose:9}{'right' if pose.right else 'WRONG':7}first: {at:12}"
                    f"not named: {', '.join(unnamed) or '-':16} missing: {', '.join(pose.missing[:3]) or '-'} "
                    f"({seconds:.1f} s CPU)"
                )
    say("")
    for pose, (right, count) in first.items():
        say(f"{pose}: a right moment first in {wilson(right, count)} clips that hold one")
    say(f"none proposed in {wilson(*none)} cases that hold none")
    say(f"alternates right: {wilson(*alternates)}")
    for (pose, act), (was, count) in named.items():
        say(f"named for {pose:8}{act:10}{was} of {count}")


def repeat(heads: list[int], options: argparse.Namespace) -> None:
    spreads = {name: [] for name in SHAPE_SIGMAS}
    for head in heads:
        stage = Stage(head=head, size_px=(options.width, options.width * 4 // 3), folder=options.cache)
        clip = film(stage, SCRIPTS[2])
        for own in clip.frames:
            glancer = Glancer(black_dn=BLACK_DN)
            held = [k for k, shot in enumerate(clip.shots) if shot.act == "rest"]
            seen = [glancer.see(own[k]).shape for k in held]
            for name, values in spreads.items():
                values.append(np.std([shape[name] for shape in seen if shape], ddof=1))
    for name, values in spreads.items():
        say(f"{name:20} sd {np.sqrt(np.mean(np.square(values))):.4f}  stated {SHAPE_SIGMAS[name]:.4f}")


def seams(heads: list[int], options: argparse.Namespace) -> None:
    sensor = FaceScene().sensor
    for gap_mm in (0.0, 0.5, 1.0, 2.0):
        found = []
        for head in heads:
            stage = Stage(head=head, size_px=(options.width, options.width * 4 // 3), folder=options.cache)
            expression = lips_parted(stage.performer, gap_mm) if gap_mm else neutral()
            names = [camera.name for camera in stage.rig.cameras]
            frames = [
                Frame(
                    ref=FrameRef(camera=name, frame_idx=0, origin=name),
                    image=sensor.exposed(stage.light(expression, k), np.random.default_rng([1, head, k])),
                )
                for k, name in enumerate(names)
            ]
            reader = MomentReader(black_dn=dict.fromkeys(names, BLACK_DN))
            reading = reader.read([CameraPictures(frame=frame) for frame in frames])
            found.append((float(np.log(seam_darkness(reading))), apart_chance(reading).value))
        logs, chances = np.array(found).T
        say(
            f"{gap_mm:.1f} mm  ln darkness {logs.mean():.2f} sd {logs.std(ddof=1):.2f}  chance of a gap "
            + " ".join(f"{each:.2f}" for each in chances)
        )


def teeth(heads: list[int], options: argparse.Namespace) -> None:
    for side_by_side in (False, True):
        for amount in (0.85, 1.1):
            for head in heads:
                size = (options.width, options.width * 4 // 3)
                found = bite_of(head, side_by_side=side_by_side, amount=amount, size_px=size)
                seen = reader_of(found).read_bite(found.frames)
                depth = seen.incisors
                told = (
                    depth.reason if depth.value is None else f"{depth.value:.1f} mm, sigma {depth.sigma:.1f}"
                )
                rows = ", ".join(f"{name} {each.rows}" for name, each in seen.rows.items())
                where = "side by side" if side_by_side else "stacked"
                say(f"{where} bite {amount} head {head}  {rows}  true {found.behind_mm:.1f} mm, found {told}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("study", "repeat", "seams", "teeth"))
    parser.add_argument("--heads", default="0,1,2,3,4,5,6,7")
    parser.add_argument("--scripts", default="0,1,2,3,4", help="of the study, by number")
    parser.add_argument("--width", type=int, default=540)
    parser.add_argument("--most", type=int, default=40)
    parser.add_argument("--cache", type=Path)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    say(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    heads = [int(head) for head in options.heads.split(",")]
    parts = {"study": study, "repeat": repeat, "seams": seams, "teeth": teeth}
    parts[options.what](heads, options)


if __name__ == "__main__":
    main()
