"""A board moved by hand in front of the rig: from pose to pose, with rests, and with a hand's tremor."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from rigcheck.model import RigidTransform
from rigcheck.model._arrays import FloatArray

__all__ = ["HandMotion", "Station", "hand_motion"]

# Where the board's middle is (mm, rig frame: x along the picture's width, y down, z away from the rig) and
# how it is turned (degrees: about x, about y, and in its own plane). A good operator goes through such poses.
_STATIONS = np.array(
    [
        [0, 0, 195, 4, -3, 2],
        [4, 6, 192, 31, 2, 6],
        [-4, -4, 198, -31, -4, -7],
        [3, 8, 190, 2, 37, 4],
        [-3, -6, 194, -3, -37, -6],
        [-34, -46, 186, 16, 22, 12],
        [34, -44, 188, 15, -23, -11],
        [33, 42, 184, -16, -21, 9],
        [-33, 44, 187, -15, 22, -13],
        [5, -2, 154, 20, 16, 21],
        [-6, 6, 158, -21, -18, -27],
        [2, 4, 236, 26, -26, 16],
        [10, -12, 230, -27, 24, -15],
        [4, 0, 196, 14, 30, 88],
        [-10, 8, 202, 24, -14, -86],
        [44, 6, 204, 4, -38, 31],
        [-28, 58, 176, -8, 25, 48],
        [8, -58, 210, 30, 12, -40],
        [0, 0, 172, -33, 14, 150],
        [-42, -14, 214, 12, 36, -28],
    ],
    dtype=np.float64,
)
_POSITION_SPREAD_MM = 5.0
_ANGLE_SPREAD_DEG = 4.0
_SECONDS_PER_STATION = 0.9
_SWAY = (0.35, 1.4, 0.35, 0.20)  # of a held board: lowest and highest frequency (Hz), amplitude (mm, degrees)
_TREMOR = (6.5, 11.0, 0.035, 0.02)  # the same; 8 to 12 Hz is the usual band of physiological hand tremor
_WAVES = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class Station:
    """A pose that the hand goes to, and how long it takes to get there and rests there."""

    position_mm: FloatArray
    rotation: FloatArray
    start_s: float
    arrive_s: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Waves:
    """Sums of sines: six channels (three of position, three of angle)."""

    frequency_hz: FloatArray
    amplitude: FloatArray
    phase: FloatArray

    def at(self, time_s: float) -> FloatArray:
        angle = 2 * np.pi * self.frequency_hz * time_s + self.phase
        return np.asarray((self.amplitude * np.sin(angle)).sum(axis=1))


@dataclass(frozen=True, kw_only=True, eq=False)
class HandMotion:
    """The board's pose at any time.

    Parameters
    ----------
    stations : tuple of Station
        In order of time.
    waves : sway and tremor, six channels each
    middle_mm : (3,) float64
        The board's middle in the board frame.
    """

    stations: tuple[Station, ...]
    waves: tuple[_Waves, ...]
    middle_mm: FloatArray

    def pose_at(self, time_s: float) -> RigidTransform:
        """`rig_from_board` at a time, mm.

        Notes
        -----
        Moves follow the minimum-jerk law (Flash & Hogan, J. Neuroscience 5(7), 1985): fifth order, at rest at
        both ends. Sway and tremor are added throughout.
        """
        number = max(i for i, station in enumerate(self.stations) if i == 0 or station.start_s <= time_s)
        there = self.stations[number]
        before = self.stations[max(number - 1, 0)]
        share = _minimum_jerk((time_s - there.start_s) / max(there.arrive_s - there.start_s, 1e-9))
        wobble = np.sum([wave.at(time_s) for wave in self.waves], axis=0)
        position = before.position_mm + share * (there.position_mm - before.position_mm) + wobble[:3]
        start = Rotation.from_matrix(before.rotation)
        turn = (Rotation.from_matrix(there.rotation) * start.inv()).as_rotvec()
        rotation = Rotation.from_rotvec(np.deg2rad(wobble[3:])) * Rotation.from_rotvec(share * turn) * start
        matrix = rotation.as_matrix()
        return RigidTransform(rotation=matrix, translation_mm=position - matrix @ self.middle_mm)


def _minimum_jerk(share: float) -> float:
    s = min(max(share, 0.0), 1.0)
    return s**3 * (10 - 15 * s + 6 * s * s)


def hand_motion(rng: np.random.Generator, *, seconds: float, size_mm: tuple[float, float]) -> HandMotion:
    """Invent how a hand moves a board through good poses in the time given.

    Parameters
    ----------
    rng : numpy.random.Generator
    seconds : float
        A pose takes about 0.9 s, a third of it at rest; a short clip gets through few of them.
    size_mm : (float, float)
        Of the board.

    Notes
    -----
    Tilts reach 40 degrees about both axes, distances 150 to 240 mm; the board is carried to all four corners
    of the picture, and partly out of it.
    """
    count = max(round(seconds / _SECONDS_PER_STATION), 1)
    order = np.concatenate([np.arange(len(_STATIONS)) for _ in range(-(-count // len(_STATIONS)))])[:count]
    spread = np.array([_POSITION_SPREAD_MM] * 3 + [_ANGLE_SPREAD_DEG] * 3)
    wanted = _STATIONS[order] + rng.uniform(-1, 1, (count, 6)) * spread
    moving = rng.uniform(0.42, 0.75, count)
    resting = rng.uniform(0.20, 0.42, count)
    moving[0] = 0.0  # the clip begins with the board in place
    scale = seconds / float((moving + resting).sum())
    starts = np.concatenate([[0.0], np.cumsum(moving + resting)[:-1]]) * scale
    stations = tuple(
        Station(
            position_mm=pose[:3],
            rotation=Rotation.from_euler("ZYX", pose[[5, 4, 3]], degrees=True).as_matrix(),
            start_s=float(start),
            arrive_s=float(start + duration * scale),
        )
        for pose, start, duration in zip(wanted, starts, moving, strict=True)
    )
    middle = np.array([size_mm[0] / 2, size_mm[1] / 2, 0.0])
    waves = tuple(_waves(rng, *band) for band in (_SWAY, _TREMOR))
    return HandMotion(stations=stations, waves=waves, middle_mm=middle)


def _waves(
    rng: np.random.Generator, low_hz: float, high_hz: float, move_mm: float, turn_deg: float
) -> _Waves:
    size = np.array([move_mm] * 3 + [turn_deg] * 3)[:, None] / np.sqrt(_WAVES)
    return _Waves(
        frequency_hz=rng.uniform(low_hz, high_hz, (6, _WAVES)),
        amplitude=size * rng.uniform(0.6, 1.4, (6, _WAVES)),
        phase=rng.uniform(0, 2 * np.pi, (6, _WAVES)),
    )
