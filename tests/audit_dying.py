"""Stands in for measuring a take, in a process that must find it by name."""

import os

from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.jobs.audit_take import measure_take
from rigcheck.model.take import TakeRecord

DIES = "take_2"


def dies(order: TakeOrder) -> TakeRecord:
    """End the process at one take, every time."""
    if order.take.name == DIES:
        os._exit(9)
    return measure_take(order)
