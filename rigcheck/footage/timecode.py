"""Timecode as counted in SMPTE ST 12-1: text to frame number and back, drop-frame included."""

import re
from dataclasses import dataclass
from fractions import Fraction

__all__ = ["StartTimecode", "TimecodeRate", "is_timecode"]

_PATTERN = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})([:;.])(\d{2,3})")
_SKIPPED_SHARE = 15  # of the nominal rate: 2 numbers a minute at 30, 4 at 60 (SMPTE ST 12-1)


def is_timecode(text: str) -> bool:
    """Tell whether text has the form hours:minutes:seconds:frames (or ;frames)."""
    return _PATTERN.fullmatch(text.strip()) is not None


@dataclass(frozen=True, kw_only=True)
class TimecodeRate:
    """How a clip's timecode counts.

    Parameters
    ----------
    nominal : int
        Frame numbers a second of timecode: 30 for 29.97, 60 for 59.94.
    drop_frame : bool
        True when the first numbers of each minute but every tenth are skipped, which keeps the
        timecode of 29.97 and 59.94 frames a second on the clock.

    References
    ----------
    SMPTE ST 12-1, drop-frame compensation.
    """

    nominal: int
    drop_frame: bool = False

    @classmethod
    def of(cls, text: str, frame_rate: Fraction) -> "TimecodeRate":
        """Return how a timecode at this frame rate counts; `;` marks drop-frame.

        Raises
        ------
        ValueError
            When drop-frame is marked at a rate that has none (25, 50, 24).
        """
        nominal = max(round(frame_rate), 1)
        drop_frame = ";" in text
        if drop_frame and nominal % 30:
            raise ValueError(
                f"{text} is drop-frame timecode, which exists only at 29.97 frames a second and its multiples"
            )
        return cls(nominal=nominal, drop_frame=drop_frame)

    @property
    def _skipped(self) -> int:
        """Numbers left out at the start of a minute."""
        return self.nominal // _SKIPPED_SHARE if self.drop_frame else 0

    @property
    def frames_per_day(self) -> int:
        """Frames until the timecode is back at 00:00:00:00."""
        return 24 * (3600 * self.nominal - 54 * self._skipped)

    def number(self, text: str) -> int:
        """Count the frames from 00:00:00:00 to a timecode.

        Raises
        ------
        ValueError
            When the text is no timecode, a field is out of range, or drop-frame skips the number.
        """
        match = _PATTERN.fullmatch(text.strip())
        if match is None:
            raise ValueError(f"{text!r} is no timecode: hours:minutes:seconds:frames needed")
        hours, minutes, seconds, frames = (int(match[k]) for k in (1, 2, 3, 5))
        if hours > 23 or minutes > 59 or seconds > 59 or frames >= self.nominal:
            raise ValueError(
                f"{text} is out of range: hours to 23, minutes, seconds to 59, frames to {self.nominal - 1}"
            )
        if minutes % 10 and seconds == 0 and frames < self._skipped:
            raise ValueError(f"{text} does not exist: drop-frame timecode skips this number")
        total_minutes = 60 * hours + minutes
        skipped = self._skipped * (total_minutes - total_minutes // 10)
        return (60 * total_minutes + seconds) * self.nominal + frames - skipped

    def text(self, number: int) -> str:
        """Write the timecode of a frame counted from 00:00:00:00; wraps at midnight."""
        number %= self.frames_per_day
        if self._skipped:
            per_minute = 60 * self.nominal - self._skipped
            tens, rest = divmod(number, 10 * per_minute + self._skipped)
            minutes = max(rest - self._skipped, 0) // per_minute
            number += self._skipped * (9 * tens + minutes)
        seconds, frames = divmod(number, self.nominal)
        separator = ";" if self.drop_frame else ":"
        width = max(2, len(str(self.nominal - 1)))
        return (
            f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{separator}{frames:0{width}d}"
        )


@dataclass(frozen=True, kw_only=True)
class StartTimecode:
    """Timecode of a file's first picture.

    Parameters
    ----------
    counting : TimecodeRate
    start : int
        Number of the first picture, in pictures from 00:00:00:00.
    per_number : int
        Pictures that share a number: 2 where 60 pictures a second are counted at 30.
    """

    counting: TimecodeRate
    start: int
    per_number: int = 1

    @classmethod
    def of(
        cls, text: str | None, frame_rate: Fraction | None, nominal: int | None = None
    ) -> "StartTimecode | None":
        """Read a start timecode; None when there is none that can be read.

        Parameters
        ----------
        text : str or None
        frame_rate : Fraction or None
            Of the pictures.
        nominal : int, optional
            Numbers a second, where the file says so; else as many as there are pictures.
        """
        if text is None or frame_rate is None:
            return None
        pictures = max(round(frame_rate), 1)
        per_number = pictures // nominal if nominal and pictures % nominal == 0 else 1
        try:
            counting = TimecodeRate.of(text, frame_rate / per_number)
            return cls(counting=counting, start=counting.number(text) * per_number, per_number=per_number)
        except ValueError:
            return None

    @property
    def pictures_per_day(self) -> int:
        """Pictures until the timecode is back at 00:00:00:00."""
        return self.counting.frames_per_day * self.per_number

    def place(self, text: str) -> int:
        """Pictures from the first one to the first with this timecode; across midnight too.

        Raises
        ------
        ValueError
            When the text is no timecode of this counting.
        """
        return (self.counting.number(text) * self.per_number - self.start) % self.pictures_per_day

    def text_at(self, place: float) -> str:
        """Timecode of the picture this many frame periods after the first."""
        return self.counting.text((self.start + round(place)) // self.per_number)
