"""JSON as our files hold it: read strictly, written so that the same content gives the same bytes."""

import json
import math
import re
from collections.abc import Mapping
from typing import NoReturn

from rigcheck.errors import SchemaError

__all__ = ["json_object", "json_text"]

# Bytes of a file name that are no text reach us as these (PEP 383); UTF-8 cannot hold them.
_SURROGATE = re.compile(r"[\ud800-\udfff]")


def json_text(content: Mapping[str, object]) -> str:
    """Write JSON; ValueError for a number that is not finite."""
    text = json.dumps(content, allow_nan=False, ensure_ascii=False, indent=1)
    return _SURROGATE.sub(lambda found: f"\\\\u{ord(found.group()):04x}", text) + "\n"


def json_object(text: str, origin: str) -> dict[str, object]:
    """Read JSON strictly: no NaN, no repeated names, an object at the top.

    Raises
    ------
    SchemaError
    """
    damaged = "the file is damaged: run the command again, or take a copy from a backup."

    def no_constant(name: str) -> NoReturn:
        raise SchemaError(f"{origin}: {name} found, JSON has finite numbers only.", hint=damaged)

    def finite(digits: str) -> float:
        value = float(digits)
        return value if math.isfinite(value) else no_constant(digits[:40])

    def unique(entries: list[tuple[str, object]]) -> dict[str, object]:
        found = dict(entries)
        if len(found) != len(entries):
            raise SchemaError(f"{origin}: a name found twice in one group of entries.", hint=damaged)
        return found

    try:
        value = json.loads(text, parse_constant=no_constant, parse_float=finite, object_pairs_hook=unique)
    except SchemaError:
        raise
    except json.JSONDecodeError as error:
        raise SchemaError(
            f"{origin}:{error.lineno}: this is not valid JSON ({error.msg}).", hint=damaged
        ) from error
    except (ValueError, RecursionError) as error:
        raise SchemaError(
            f"{origin}: JSON found that none of our files contains (too deep, or too long a number).",
            hint=damaged,
        ) from error
    if not isinstance(value, dict):
        raise SchemaError(
            f"{origin}: no JSON object found, one needed.", hint="check that this is the file you meant."
        )
    return value
