"""Inputs whose every name, note and path is hostile, and the reports that every command makes of them."""

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import yaml
from faults.commands import COMMANDS
from faults.damage import HOSTILE_TEXTS
from faults.judging import told_by
from faults.stage import build, given_to, typed
from results_made import START, made, write

from rigcheck.model import CheckResult, Estimate, FrameRef, Rejection

SCRIPT, HANDLER, DRAWING = (HOSTILE_TEXTS[name] for name in ("script", "handler", "drawing"))
ALL = f"{SCRIPT}{HANDLER}{DRAWING}"
# No solidus: what a path may hold.
FOLDER = HANDLER
LIMIT_S = 120.0


def hostile_stage(folder: Path, *, whole: bool) -> Path:
    """Right inputs, hostile wherever text is free, under a hostile path."""
    stage = build(folder / FOLDER, whole=whole)
    _changed(stage / "board.yaml", name=ALL)
    _changed(stage / "rig" / "rig.yaml", name=ALL, cameras={"serial": ALL})
    for name in ("performer.yaml",):
        _changed(stage / name, helmet=ALL, pads=ALL, rig=ALL, notes=[ALL, SCRIPT], boom_mark=HANDLER)
    _changed(stage / "performer.yaml", looks={"make_up_note": ALL, "hair_note": DRAWING})
    for name in ("prior.yaml", "second/calibration.yaml", "face-calibration.yaml"):
        _changed(stage / name, board={"name": ALL})
        _changed(
            stage / name,
            provenance={"options": {"rig": ALL, SCRIPT: HANDLER}, "inputs_sha256": {ALL: "ab" * 32}},
        )
    _hostile_results(stage)
    _changed(stage / "shoot-day" / "day.yaml", title=ALL)
    for name in ("board.yaml", "rig/rig.yaml", "performer.yaml", "face-calibration.yaml"):
        shutil.copy(stage / name, stage / "shoot-day" / name)
    return stage


def _changed(path: Path, **entries: object) -> None:
    document = yaml.safe_load(path.read_text(encoding="utf-8"))
    for key, value in entries.items():
        if key == "cameras":
            document[key][0] |= value
        elif isinstance(value, dict):
            document[key] |= value
        else:
            document[key] = value
    path.write_text(yaml.safe_dump(document, sort_keys=False, allow_unicode=True), encoding="utf-8")


def _hostile_results(stage: Path) -> None:
    """Results of other programs' making: any text in any place."""
    import numpy as np

    rng = np.random.default_rng([90, 0])
    for name, command in (("calibrated", "calibrate"), ("day-1", "verify"), ("fitting", "fitting")):
        report = made(START, rng=rng, command=command, rig=ALL, label=SCRIPT, cameras=(SCRIPT, HANDLER))
        check = CheckResult(
            code=SCRIPT, title=ALL, status="fail", estimate=Estimate(value=1.0, unit=SCRIPT), limit=ALL,
            message=ALL, action=ALL,
        )  # fmt: skip
        ref = FrameRef(camera=SCRIPT, frame_idx=1, origin=ALL, timecode=SCRIPT)
        report = replace(
            report, checks=(check,), notes=(ALL,), rejected=(Rejection(ref=ref, code=SCRIPT, sentence=ALL),)
        )
        write(stage / "results" / name, report)
        if command == "fitting":
            write(stage, report, name="approved.json")
    write(stage / "second", made(START, rng=rng, command="calibrate", rig=ALL, label=SCRIPT))


_MORE = {
    "fitting": ("--code-name", "heron", "--looks", f"make_up_note={ALL}", "--knock", ALL),
    "verify": ("--label", ALL[:150]),
}


def hostile_reports(folder: Path, *, whole: bool = True) -> Iterator[tuple[str, Path]]:
    """Run every command that ends by itself on hostile inputs; yields each that wrote something and where."""
    stage = hostile_stage(folder, whole=whole)
    for command in COMMANDS:
        if not command.writes or command.session:
            continue
        out = folder / f"{command.name}{FOLDER}"
        told = told_by([*typed(command, given_to(stage), out), *_MORE.get(command.name, ())], limit_s=LIMIT_S)
        if told.raised:
            raise RuntimeError(f"{command.name}: {told.raised}")
        if out.is_dir():
            yield command.name, out
        elif whole:
            raise RuntimeError(f"{command.name} wrote nothing: {told.err[-500:]}")
