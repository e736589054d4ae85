"""The commands of the suite as typed, and what of their inputs is damaged."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

REPORTED = ("result.json", "report.html")


@dataclass(frozen=True, kw_only=True)
class Slot:
    """A file of a command's input: `root` is copied, the file `inner` of it damaged, the copy given as `argument`.

    `also` are words by which a refusal may name it instead of by its file name.
    """

    argument: str
    root: str
    inner: str
    kind: str
    also: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """What a report calls it."""
        return self.inner or Path(self.root).name


@dataclass(frozen=True, kw_only=True)
class Case:
    """One thing done wrong to one command.

    `prepare` is given a fresh folder with `in` and `results` in it, puts there what it needs, and returns the command
    line and the output folder. A refusal names one of `names`; with none it may say what it likes.
    """

    command: "Command"
    subject: str
    kind: str
    how: str
    names: tuple[str, ...]
    prepare: Callable[[Path], tuple[list[str], Path]]

    @property
    def name(self) -> str:
        """As a report calls it."""
        return f"{self.command.name} | {self.subject} | {self.kind}: {self.how}"


@dataclass(frozen=True, kw_only=True)
class Command:
    """A command as typed: words in braces are inputs, {out} the output folder where it is no last `--out`.

    `outputs` is what a whole output folder holds at least, `keeps` what a run that was ended may leave in it to go on
    from. `session` marks one that does not end soon by itself: it is interrupted once it has begun.
    """

    name: str
    arguments: tuple[str, ...]
    slots: tuple[Slot, ...]
    outputs: tuple[str, ...] = REPORTED
    writes: bool = True
    keeps: tuple[str, ...] = ()
    session: bool = False


def words(text: str) -> tuple[str, ...]:
    return tuple(text.split())


def inside(argument: str, *files: tuple[str, str]) -> tuple[Slot, ...]:
    """Files and their kinds within a folder that is given whole."""
    return tuple(Slot(argument=argument, root=argument, inner=inner, kind=kind) for inner, kind in files)


def single(argument: str, root: str, kind: str) -> Slot:
    return Slot(argument=argument, root=root, inner="", kind=kind)


BOARD = single("board", "board.yaml", "yaml")
RIG_FILE = Slot(argument="rig", root="rig", inner="rig.yaml", kind="yaml", also=("kestrel", "upper"))
CURVE_FILE = Slot(argument="rig", root="rig", inner="curve.yaml", kind="yaml")
SHOOT = (
    Slot(argument="upper", root="shoot/upper", inner="0001.png", kind="picture", also=("upper",)),
    single("lower", "shoot/lower.mp4", "video"),
)
FACES = (
    Slot(argument="face1", root="face/upper", inner="0000.png", kind="picture", also=("upper",)),
    Slot(argument="face2", root="face/lower", inner="0000.png", kind="picture", also=("lower",)),
)
FACE_FILES = (
    RIG_FILE,
    CURVE_FILE,
    single("face_calibration", "face-calibration.yaml", "yaml"),
    single("approved", "approved.json", "json"),
    single("performer", "performer.yaml", "yaml"),
)

COMMANDS = (
    Command(name="board", arguments=words("board {board}"), slots=(BOARD,), outputs=(".pdf", ".svg")),
    Command(name="limits", arguments=words("limits --rig {rig}"), slots=(RIG_FILE,), writes=False),
    Command(
        name="calibrate",
        arguments=words(
            "calibrate {upper} {lower} --board {board} --rig {rig} --prior {prior} --lens brown4"
        ),
        slots=(BOARD, RIG_FILE, CURVE_FILE, single("prior", "prior.yaml", "yaml"), *SHOOT),
        outputs=("calibration.yaml", "calibration-opencv.yaml", *REPORTED),
    ),
    Command(
        name="verify",
        arguments=words("verify {upper} {lower} --board {board} --rig {rig} --calibration {prior}"),
        slots=(BOARD, RIG_FILE, single("prior", "prior.yaml", "yaml"), *SHOOT),
    ),
    Command(
        name="compare",
        arguments=words("compare {prior} {second} --rig {rig}"),
        slots=(
            single("prior", "prior.yaml", "yaml"),
            Slot(argument="second", root="second", inner="calibration.yaml", kind="yaml"),
            Slot(argument="second", root="second", inner="result.json", kind="json"),
            RIG_FILE,
        ),
    ),
    Command(
        name="history",
        arguments=words("history {results}"),
        slots=(
            Slot(argument="results", root="results", inner="day-2/result.json", kind="json"),
            Slot(argument="results", root="results", inner="calibrated/result.json", kind="json"),
        ),
        outputs=(*REPORTED, "history.csv"),
    ),
    Command(
        name="fitting",
        arguments=words(
            "fitting {face1} {face2} --rig {rig} --calibration {face_calibration} "
            "--approved {approved} --performer {performer} --points {points1} --points {points2}"
        ),
        slots=(*FACE_FILES, single("points1", "points1.yaml", "yaml"), *FACES),
        outputs=(*REPORTED, "performer.yaml"),
    ),
    Command(
        name="picks",
        arguments=words(
            "picks {face1} {face2} --rig {rig} "
            "--calibration {face_calibration} --approved {approved} --performer {performer}"
        ),
        slots=(*FACE_FILES, *FACES),
        outputs=(*REPORTED, "picks.json"),
    ),
    Command(
        name="audit",
        arguments=words(
            "audit {takes} --rig {rig} --calibration {face_calibration} --approved "
            "{approved} --performer {performer} --end-calibration {face_calibration2} --workers 1"
        ),
        slots=(
            *FACE_FILES,
            single("face_calibration2", "face-calibration2.yaml", "yaml"),
            Slot(argument="takes", root="day-of-takes", inner="takes.yaml", kind="yaml"),
            Slot(argument="takes", root="day-of-takes", inner="takes/take_1/upper/0000.png", kind="picture"),
        ),
        outputs=(*REPORTED, "takes.csv", "takes.json", "performer.yaml"),
        keeps=("work",),
    ),
    Command(
        name="handover",
        arguments=words("handover {day} --with-pictures --board-footage"),
        slots=inside(
            "day",
            ("morning/calibration.yaml", "yaml"),
            ("morning/result.json", "json"),
            ("fitting/performer.yaml", "yaml"),
            ("fitting/report.html", "other"),
            ("picks/picks.json", "json"),
            ("picks/neutral_upper.png", "picture"),
            ("audit/takes.json", "json"),
        ),
        outputs=("manifest.json", "SHA256SUMS", "conventions.html"),
    ),
    Command(
        name="handover --check",
        arguments=words("handover {received} --check"),
        slots=inside(
            "received",
            ("manifest.json", "json"),
            ("SHA256SUMS", "other"),
            ("conventions.html", "other"),
        ),
        writes=False,
    ),
    Command(
        name="day",
        arguments=words("day {shoot_day}"),
        slots=tuple(
            Slot(argument="shoot_day", root="shoot-day", inner=inner, kind=kind, also=also)
            for inner, kind, also in (
                ("day.yaml", "yaml", ()),
                ("board.yaml", "yaml", ()),
                ("rig/rig.yaml", "yaml", ("kestrel", "upper")),
                ("rig/curve.yaml", "yaml", ()),
                ("face-calibration.yaml", "yaml", ()),
                ("performer.yaml", "yaml", ()),
                ("shoot/upper/0001.png", "picture", ("upper",)),
                ("shoot/lower.mp4", "video", ()),
                ("face/upper/0000.png", "picture", ("upper",)),
                ("takes/takes.yaml", "yaml", ()),
            )
        ),
        keeps=("day-state.json", "morning", "noon", "heron 1", "heron picks", "takes"),
    ),
    Command(
        name="demo",
        arguments=words("demo {out}"),
        slots=(),
        outputs=("index.html",),
        keeps=("footage", "results", "handover"),
        session=True,
    ),
    Command(
        name="live",
        arguments=words(
            "live {face1} {face2} --rig {rig} --calibration {face_calibration} --board {board} "
            "--approved {approved} --performer {performer} --port 0 --out {out}"
        ),
        slots=(BOARD, *FACE_FILES, *FACES),
        writes=False,
        session=True,
    ),
    Command(
        name="live, played",
        arguments=words("live {lower}#stacked --board {board} --port 0 --out {out}"),
        slots=(single("lower", "shoot/lower.mp4", "video"),),
        writes=False,
        session=True,
    ),
)

__all__ = ["BOARD", "COMMANDS", "REPORTED", "Case", "Command", "Slot"]
