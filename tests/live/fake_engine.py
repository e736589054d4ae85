"""An engine of the live page's contract without cameras: drawn pictures that carry the time they were made at."""

import dataclasses
import threading
import time
from pathlib import Path

import numpy as np

from rigcheck.errors import ConfigError
from rigcheck.live.state import (
    Answer,
    BoardReading,
    CameraReading,
    Coverage,
    Cross,
    Kept,
    LiveReading,
    Mode,
    Outline,
    Picture,
    SafetyLine,
    SourceState,
)
from rigcheck.opencv import cv2

NAMES = ("upper", "lower")
TIME_BITS = 24
CELL_PX = 16

TOO_HIGH = (
    Answer(
        subject="framing",
        status="fail",
        headline="Bar too high",
        move="Lower the bar by 6 mm.",
        number=6.1,
        sigma=0.8,
        unit="mm",
        code="FRM01",
    ),
    Answer(
        subject="focus",
        status="caution",
        headline="Focus too far",
        move="Turn the focus 9 mm nearer.",
        number=9.2,
        sigma=2.6,
        unit="mm",
        code="FOC03",
    ),
    Answer(
        subject="light",
        status="inconclusive",
        headline="Not enough skin",
        move="",
        number=None,
        sigma=None,
        code="EXP01",
    ),
)
GOOD = tuple(
    Answer(
        subject=subject,
        status="pass",
        headline=headline,
        move="",
        number=number,
        sigma=0.4,
        unit=unit,
        code=code,
    )
    for subject, headline, number, unit, code in (
        ("framing", "Face centred", 0.6, "mm", "FRM01"),
        ("focus", "In focus", 1.1, "mm", "FOC03"),
        ("light", "Light holds", 0.2, "%", "EXP01"),
    )
)
CROSSES = tuple(
    Cross(name=name, x=x, y=y, sigma=0.003)
    for name, x, y in (
        ("nostril base", 0.5, 0.52),
        ("left eye, inner corner", 0.56, 0.36),
        ("right eye, inner corner", 0.44, 0.36),
        ("left mouth corner", 0.6, 0.64),
        ("right mouth corner", 0.4, 0.64),
        ("chin", 0.5, 0.82),
    )
)
BOARD = BoardReading(
    coverage=tuple(
        Coverage(
            camera_idx=idx,
            cells=tuple(tuple(row < 3 and col > 0 for col in range(4)) for row in range(5)),
            fraction=0.45,
        )
        for idx in range(2)
    ),
    adds=0.08,
    adds_sentence="This view adds 8 %: hold still.",
    wanted=tuple(
        Outline(camera_idx=idx, corners=((0.2, 0.5), (0.62, 0.55), (0.6, 0.92), (0.22, 0.86)))
        for idx in range(2)
    ),
    wanted_sentence="Hold the board low on the left, its top tilted away.",
    enough=False,
    sentence="12 of about 20 views.",
    views_kept=12,
)


class FakeEngine:
    """Draws pictures at a rate; what the page asks for is noted in `asked`."""

    def __init__(
        self, *, cameras: int = 2, rate: float = 30.0, size_px=(480, 640), out: Path | None = None
    ) -> None:
        self.asked: list[str] = []
        self.frozen: set[int] = set()
        self.refuses: ConfigError | None = None
        self.no_map = False
        self._size_px = size_px
        self._out = out
        self._rate = rate
        self._changed = threading.Condition()
        self._pictures: dict[int, Picture] = {}
        self._seq = 0
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._backdrop = np.full((size_px[1], size_px[0]), 70, np.uint8)
        self._reading = LiveReading(
            number=1,
            mode="face",
            sources=tuple(self._source(idx, "running") for idx in range(cameras)),
            cameras=tuple(
                CameraReading(camera_idx=idx, crosses=CROSSES, face=True) for idx in range(cameras)
            ),
            answers=GOOD,
            board=None,
            measured_per_s=15.0,
            age_ms=80.0,
            safety=SafetyLine(sentences=("Worn for 12 minutes. Offer a rest at 20 minutes.",)),
        )

    @staticmethod
    def _source(idx: int, state: str, sentence: str = "") -> SourceState:
        return SourceState(
            camera_idx=idx,
            name=NAMES[idx],
            state=state,
            sentence=sentence,
            seconds_since_picture=0.0,
            pictures_per_s=30.0,
        )

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._ending.wait(1.0 / self._rate):
            for source in self._reading.sources:
                if source.camera_idx not in self.frozen:
                    self.draw(source.camera_idx)

    def draw(self, idx: int) -> None:
        """Make a new picture of one camera."""
        at_s = time.monotonic()
        image = self._backdrop.copy()
        width, height = self._size_px
        cv2.ellipse(image, (width // 2, height // 2), (width // 4, height // 3), 0, 0, 360, 150, -1)
        image[:, (self._seq * 7) % width] = 255
        stamp = int(time.time() * 1000) % (1 << TIME_BITS)
        for bit in range(TIME_BITS):
            value = 235 if stamp >> bit & 1 else 20
            image[-CELL_PX:, bit * CELL_PX : (bit + 1) * CELL_PX] = value
        jpeg = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()
        with self._changed:
            self._seq += 1
            self._pictures[idx] = Picture(seq=self._seq, jpeg=jpeg, size_px=self._size_px, captured_at_s=at_s)
            self._changed.notify_all()

    def change(self, **fields) -> None:
        """Put other values into the reading."""
        self._reading = dataclasses.replace(self._reading, number=self._reading.number + 1, **fields)

    def source(self, idx: int, state: str, sentence: str = "") -> None:
        """Change how one source does, and freeze its pictures unless it is running."""
        (self.frozen.discard if state == "running" else self.frozen.add)(idx)
        sources = list(self._reading.sources)
        sources[idx] = self._source(idx, state, sentence)
        self.change(sources=tuple(sources))

    def picture(self, camera_idx: int, after: int) -> Picture | None:
        picture = self._pictures.get(camera_idx)
        return picture if picture is not None and picture.seq > after else None

    def wait_picture(self, camera_idx: int, after: int, timeout_s: float) -> Picture | None:
        with self._changed:
            self._changed.wait_for(lambda: self.picture(camera_idx, after) is not None, timeout_s)
            return self.picture(camera_idx, after)

    def reading(self) -> LiveReading:
        return self._reading

    def map_png(self, kind: str, camera_idx: int) -> bytes | None:
        self.asked.append(f"{kind} map {camera_idx}")
        if self.no_map:
            return None
        width, height = self._size_px
        image = np.zeros((height, width, 4), np.uint8)
        image[height // 3 : height // 2, :, :] = 255
        return cv2.imencode(".png", image)[1].tobytes()

    def keep(self) -> str:
        if self.refuses is not None:
            raise self.refuses
        self.asked.append("keep")
        self.change(keeping="Keeping this moment: two pictures.")
        return "Keeping this moment."

    def kept(self) -> None:
        """The moment is written."""
        link = None
        if self._out is not None:
            (self._out / "moment-1").mkdir(parents=True, exist_ok=True)
            (self._out / "moment-1" / "report.html").write_text("<h1>Moment 1</h1>")
            link = "moment-1/report.html"
        self.change(keeping="", kept=(Kept(name="moment-1", sentence="Framing passes.", link=link),))

    def set_mode(self, mode: Mode) -> None:
        self.asked.append(f"mode {mode}")
        self.change(mode=mode, board=BOARD if mode == "board" else None)

    def calibrate(self) -> None:
        self.asked.append("calibrate")
