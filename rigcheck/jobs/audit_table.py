"""The table of takes, from what was measured and judged."""

from rigcheck.checks.audit import take_status
from rigcheck.checks.limits import Limits
from rigcheck.model import Estimate
from rigcheck.model.take import AuditRun
from rigcheck.records.takes_table import TableRow

__all__ = ["table_rows"]


def table_rows(run: AuditRun, limits: Limits) -> tuple[TableRow, ...]:
    """One row a take, in the order of the day."""
    rows = []
    for record, use in zip(run.records, run.uses, strict=True):
        place = run.day_index(record.name)
        start = Estimate(
            value=None, unit="mm", reason=record.fault or record.geometry_reason or "not measured"
        )
        if run.day is not None and place is not None:
            start = run.day.harm_mm[place]
        rows.append(
            TableRow(
                take=record.name,
                recorded=record.take.recorded,
                performer=record.take.performer,
                status=take_status(run, record, limits),
                use=use.use,
                share=use.share,
                left_mm=use.harm_mm,
                start_mm=start,
                because=use.because,
                fault=record.fault,
            )
        )
    return tuple(rows)
