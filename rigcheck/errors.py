"""Every error that rigcheck raises on purpose.

A message says where it happened, what was found and what was needed; the hint
says what the operator does about it. Programming errors stay plain ``ValueError``.

::

    RigcheckError
    ├── InputError        footage or another input cannot be read (also ValueError)
    ├── OutputError       a result cannot be written, or would overwrite one (also OSError)
    ├── ConfigError       a board, rig or option is wrong (also ValueError)
    │   └── SchemaError   a file of ours breaks its own format
    ├── BoardError        the board was not seen, or does not fit its description (also ValueError)
    ├── EstimationError   the measurement cannot be made from what was seen (also ArithmeticError)
    └── DependencyError   a library or a system package is missing (also ImportError)
"""

import unicodedata

__all__ = [
    "INTERRUPTED",
    "BoardError",
    "ConfigError",
    "DependencyError",
    "Ended",
    "EstimationError",
    "InputError",
    "OutputError",
    "RigcheckError",
    "SchemaError",
    "printable",
]

# What a shell gives a program that an interrupt ended: 128 + SIGINT.
INTERRUPTED = 130

# Control and format characters, halves of surrogate pairs, line and paragraph separators.
_STEERING = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


def printable(text: str) -> str:
    """Text on one line that no terminal obeys: what would steer it, or turn the order of letters, becomes a space.

    Bytes of a file name that are no text appear as escapes.
    """
    whole = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(" " if unicodedata.category(one) in _STEERING or _is_none(one) else one for one in whole)


def _is_none(character: str) -> bool:
    """Whether it is one of the code points that Unicode keeps for no character, which XML refuses."""
    return ord(character) & 0xFFFE == 0xFFFE


class Ended(SystemExit):
    """A command ends on an interrupt, after it said what was kept: nobody need say that nothing was written."""

    def __init__(self) -> None:
        super().__init__(INTERRUPTED)


class RigcheckError(Exception):
    """Base of all errors raised on purpose.

    Parameters
    ----------
    message : str
        Where, what was found, what was needed.
    hint : str
        What the operator does about it.
    """

    def __init__(self, message: str, *, hint: str) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message} Fix: {self.hint}"


class InputError(RigcheckError, ValueError):
    """Footage or another input is missing, unreadable or unusable."""


class OutputError(RigcheckError, OSError):
    """A result cannot be written, or would overwrite an earlier one."""


class ConfigError(RigcheckError, ValueError):
    """A board description, rig description or option is wrong."""


class SchemaError(ConfigError):
    """A file in one of our formats has unknown, missing, duplicated or mistyped entries."""


class BoardError(RigcheckError, ValueError):
    """The board was not seen, or what was seen does not fit its description."""


class EstimationError(RigcheckError, ArithmeticError):
    """What was seen does not determine what was asked for."""


class DependencyError(RigcheckError, ImportError):
    """A library or a system package that rigcheck needs is missing."""
