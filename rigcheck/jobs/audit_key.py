"""The name of a take's record: a hash of everything that it is made from."""

import hashlib
from pathlib import Path

from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.records import make_provenance
from rigcheck.records.json_text import json_text

__all__ = ["order_key", "quick_print"]

_ENDS_BYTES = 1 << 18
# A later version of what is measured in a take must not go on with the records of an earlier one.
_RECORD_VERSION = 5


def order_key(order: TakeOrder) -> str:
    """Name of the order's record: changes when footage, calibration, rig file, looks or this program do.

    Raises
    ------
    OSError
        When a file of the take is not there.
    """
    content = {
        "version": _RECORD_VERSION,
        "program": make_provenance("audit", inputs={}, options={}).versions["rigcheck"],
        "name": order.take.name,
        "recorded": order.take.recorded,
        "performer": order.take.performer,
        "footage": [[text, quick_print(text)] for text in order.take.footage],
        "cameras": list(order.cameras),
        "calibration": order.calibration_sha256,
        "rig": order.rig_sha256,
        "looks": dict(vars(order.looks)),
        "pictures": order.pictures,
    }
    return hashlib.sha256(json_text(content).encode("utf-8")).hexdigest()[:32]


def quick_print(footage: str) -> str:
    """What tells a file from another without reading it whole: size, time of change, and both ends.

    Of a folder, names, sizes and times of what is in it. A day's takes hold terabytes: hashing them whole would cost
    more than auditing them.
    """
    path = Path(footage)
    digest = hashlib.sha256()
    if path.is_dir():
        for one in sorted(path.iterdir()):
            stat = one.stat() if one.exists() else one.lstat()  # a link may lead nowhere, or to itself
            digest.update(
                f"{one.name}\0{stat.st_size}\0{stat.st_mtime_ns}\0".encode("utf-8", "surrogateescape")
            )
        return digest.hexdigest()
    if not path.is_file():  # a pipe would keep this waiting for ever
        return ""
    stat = path.stat()
    digest.update(f"{stat.st_size}\0{stat.st_mtime_ns}\0".encode())
    with path.open("rb") as file:
        digest.update(file.read(_ENDS_BYTES))
        file.seek(max(stat.st_size - _ENDS_BYTES, 0))
        digest.update(file.read(_ENDS_BYTES))
    return digest.hexdigest()
