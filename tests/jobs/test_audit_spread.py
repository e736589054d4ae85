"""Takes spread over processes and over a cluster give the same records; a process that ends costs its take only."""

from pathlib import Path

import numpy as np
import pytest
from audit_dying import DIES, dies

from rigcheck.errors import InputError
from rigcheck.jobs import audit_work
from rigcheck.jobs.audit_key import order_key
from rigcheck.jobs.audit_order import TakeOrder
from rigcheck.jobs.audit_work import measure_takes
from rigcheck.model.take import Take
from rigcheck.opencv import cv2
from rigcheck.records.take_record import take_record_text


def nothing(done, total):
    """Progress that nobody follows."""


@pytest.fixture
def orders(tmp_path):
    """Three takes of one small picture without a face; the second is no take."""
    out = []
    for number in (1, 2, 3):
        name = f"take_{number}"
        folder = tmp_path / name
        folder.mkdir()
        rng = np.random.default_rng([93, number])
        picture = cv2.GaussianBlur(rng.integers(0, 255, (120, 160)).astype(np.uint8), (0, 0), 3)
        (folder / "front.png").write_bytes(cv2.imencode(".png", picture)[1].tobytes())
        if name == DIES:
            (folder / "front.png").write_bytes(b"no picture")
        take = Take(name=name, footage=(str(folder / "front.png"),))
        out.append(TakeOrder(take=take, cameras=("front",)))
    return out


def texts(records):
    return [take_record_text(record) for record in records]


def test_a_process_that_ends_costs_its_take_only(orders, monkeypatch):
    alone = measure_takes(orders, workers=1, on_progress=nothing)
    assert [bool(record.fault) for record in alone] == [False, True, False]
    monkeypatch.setattr(audit_work, "measure_take", dies)
    records = measure_takes(orders, workers=2, on_progress=nothing)
    assert "ended from outside" in records[1].fault
    # What two processes measure is what one measures.
    assert texts([records[0], records[2]]) == texts([alone[0], alone[2]])


@pytest.mark.filterwarnings("ignore")  # the cluster library's own, of ports and event loops
def test_a_cluster_of_two_workers_gives_the_same(orders):
    distributed = pytest.importorskip("distributed", reason="the extra rigcheck[cluster] is not installed")
    alone = texts(measure_takes(orders, workers=1, on_progress=nothing))
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        spread = measure_takes(orders, scheduler=cluster.scheduler_address, on_progress=nothing)
    assert texts(spread) == alone


def test_no_scheduler_is_said(orders, monkeypatch):
    pytest.importorskip("distributed", reason="the extra rigcheck[cluster] is not installed")
    monkeypatch.setattr(audit_work, "_CONNECT_S", 1)
    with pytest.raises(InputError, match="no Dask scheduler answers"):
        measure_takes(orders, scheduler="tcp://127.0.0.1:9", on_progress=nothing)


def test_a_key_changes_with_what_a_record_is_made_from(orders):
    first = orders[0]
    key = order_key(first)
    assert order_key(first) == key
    other = TakeOrder(take=first.take, cameras=first.cameras, calibration_sha256="a" * 64)
    assert order_key(other) != key
    path = Path(first.take.footage[0])
    path.write_bytes(path.read_bytes() + b"x")
    assert order_key(first) != key
