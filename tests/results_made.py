"""Results of an invented rig over invented weeks, as files."""

from datetime import UTC, datetime, timedelta

import numpy as np

from rigcheck.model import Estimate, Provenance, Report
from rigcheck.records import result_text

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
SIGMA = {"stereo.baseline_mm": 0.012, "stereo.convergence_deg": 0.004, "stereo.across_deg": 0.002,
         "stereo.twist_deg": 0.001, "upper.focal_x_px": 0.15, "lower.focal_x_px": 0.15}  # fmt: skip
VALUES = {"stereo.baseline_mm": 72.0, "stereo.convergence_deg": 21.0, "stereo.across_deg": 0.2,
          "stereo.twist_deg": -0.3, "upper.focal_x_px": 1420.0, "lower.focal_x_px": 1412.0}  # fmt: skip
UNITS = {"mm": "mm", "deg": "deg", "px": "px"}


def made(
    moment: datetime,
    *,
    rng: np.random.Generator,
    command: str = "verify",
    rig: str | None = "kestrel",
    label: str | None = None,
    calibration: datetime | None = START,
    verdict: str = "pass",
    change: dict[str, float] | None = None,
    cameras: tuple[str, str] = ("upper", "lower"),
    options: dict[str, object] | None = None,
) -> Report:
    """Make a result whose numbers scatter as their sigmas say, with changes added."""
    numbers = {}
    for name, value in VALUES.items():
        unit = name.rpartition("_")[2]
        own = name.replace("upper", cameras[0]).replace("lower", cameras[1])
        shift = (change or {}).get(name, 0.0)
        numbers[own] = Estimate(
            value=value + shift + SIGMA[name] * rng.normal(), sigma=SIGMA[name], unit=UNITS[unit], n=800
        )
    for camera in cameras:
        numbers[f"{camera}.rms_px"] = Estimate(value=0.09 + 0.004 * rng.normal(), unit="px", n=800)
    numbers["stereo.rms_px"] = Estimate(value=0.09 + 0.003 * rng.normal(), unit="px", n=1600)
    numbers["stereo.epipolar_rms_px"] = Estimate(value=0.06 + 0.003 * rng.normal(), unit="px", n=800)
    numbers["harm.depth_mm"] = Estimate(value=0.03, sigma=0.02, unit="mm", n=168)
    numbers["views.working_distance_mm"] = Estimate(value=195.0, unit="mm", n=24)
    own_options: dict[str, object] = {"rig": rig, "label": label}
    if command == "verify" and calibration is not None:
        own_options["calibration_created"] = calibration.isoformat(timespec="seconds")
    return Report(
        command=command,
        verdict=verdict,
        checks=(),
        measurements=numbers,
        rejected=(),
        limits=(),
        provenance=Provenance(
            created=moment.isoformat(timespec="seconds"),
            versions={},
            inputs_sha256={"a.mov": f"{rng.integers(1 << 60):064x}"},
            options=own_options | (options or {}),
            command=command,
        ),
        notes=(),
    )


def write(folder, report: Report, *, name: str = "result.json"):
    """Write a result into a folder of its own."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(result_text(report), encoding="utf-8")
    return path


def mornings(n: int) -> list[datetime]:
    return [START + timedelta(days=k + 1) for k in range(n)]
