"""Make the README's pictures anew from a demo day.

Run by hand, after ``rigcheck demo demo-day``::

    python tests/bench/readme_pictures.py demo-day

Each picture is the top of a report as Chromium shows it, made small. Needs ``chromium`` on the path; no network.
"""

import argparse
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from rigcheck.opencv import cv2

PICTURES = Path(__file__).resolve().parents[2] / ".github" / "pictures"
WIDTH_PX, MOST_BYTES = 1100, 120_000
_SHOWN_PX = 820
_CHROMIUM = (
    "chromium",
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)


@dataclass(frozen=True, kw_only=True)
class Shot:
    """A page below the demo's folder, and how much of it is shown: from `top_px` on, `height_px` high."""

    name: str
    page: str
    height_px: int
    top_px: int = 0


SHOTS = (
    Shot(name="day", page="index.html", height_px=1300),
    Shot(name="calibrate", page="results/calibration-morning/report.html", height_px=1250),
    Shot(name="fitting", page="results/fitting-first/report.html", height_px=2150),
    Shot(name="verify", page="results/verify-evening/report.html", height_px=1200),
    Shot(name="compare", page="results/compare/report.html", height_px=1100),
    Shot(name="history", page="results/history/report.html", height_px=1065, top_px=1225),
    Shot(name="picks", page="results/picks/report.html", height_px=1500),
    Shot(name="audit", page="results/audit/report.html", height_px=1500),
)


def shoot(page: Path, profile: Path, height_px: int) -> Path:
    """Have a page drawn, and return the picture's path."""
    out = profile / "page.png"
    subprocess.run(
        [
            *_CHROMIUM,
            f"--user-data-dir={profile}",
            f"--window-size={WIDTH_PX},{height_px}",
            f"--screenshot={out}",
            page.resolve().as_uri(),
        ],
        check=True,
        capture_output=True,
    )
    return out


def small(picture: Path, top_px: int) -> bytes:
    """Cut, shrink and write as JPEG, as well as the size allows."""
    full = cv2.imread(str(picture))
    if full is None:
        raise SystemExit(f"{picture}: no picture came of the page")
    part = full[top_px:]
    scale = _SHOWN_PX / part.shape[1]
    shrunk = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    for quality in range(92, 30, -6):
        content = cv2.imencode(".jpg", shrunk, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
        if len(content) < MOST_BYTES:
            return content
    raise SystemExit(f"{picture}: does not fit into {MOST_BYTES} bytes; show less of it")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("day", type=Path, help="folder that rigcheck demo made")
    parser.add_argument("names", nargs="*", help="which pictures; all when none is named")
    asked = parser.parse_args()
    PICTURES.mkdir(parents=True, exist_ok=True)
    for shot in SHOTS:
        if asked.names and shot.name not in asked.names:
            continue
        with tempfile.TemporaryDirectory() as profile:
            picture = shoot(asked.day / shot.page, Path(profile), shot.top_px + shot.height_px)
            content = small(picture, shot.top_px)
        (PICTURES / f"{shot.name}.jpg").write_bytes(content)
        sys.stdout.write(f"{shot.name}.jpg: {len(content) / 1000:.0f} kB\n")


if __name__ == "__main__":
    main()
