"""The same day on a Dask cluster of several processes, one of which dies."""

import os
import signal
from pathlib import Path

import pytest
from day_runs import OPTIONS, linux, long_take, measures, rows, run, two_takes_in

from dualmic.day import run_day
from dualmic.errors import UsageError
from dualmic.overnight import running


@pytest.fixture
def two_takes(tmp_path: Path) -> Path:
    return two_takes_in(tmp_path / "card")


@linux
def test_a_cluster_that_loses_a_worker_gives_the_same_results(
    two_takes: Path, tmp_path: Path
) -> None:
    distributed = pytest.importorskip("distributed", reason="the cluster extra is not installed")
    long_take(two_takes / "C3.wav")
    run(two_takes, tmp_path / "here", jobs=2)
    killed: list[int] = []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        before = {worker.pid for worker in cluster.workers.values()}

        def say(text: str) -> None:
            if not killed:  # a take is done; now dies who measures the long one, once it does
                killed.extend(pid for pid in before if measures(pid, "C3.wav"))
                if killed:
                    os.kill(killed[0], signal.SIGKILL)

        address = cluster.scheduler_address
        run_day(two_takes, tmp_path / "there", scheduler=address, options=OPTIONS, say=say)
        after = {worker.pid for worker in cluster.workers.values()}
    assert killed
    assert killed[0] not in after
    here, there = rows(tmp_path / "here"), rows(tmp_path / "there")
    assert here == there
    run(two_takes, tmp_path / "there", jobs=1)
    assert rows(tmp_path / "there") == there


def test_a_cluster_that_is_not_there_is_named(
    two_takes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed", reason="the cluster extra is not installed")
    monkeypatch.setattr(running, "_ANSWER_WITHIN_S", 1)
    with pytest.raises(UsageError, match="No Dask scheduler"):
        run(two_takes, tmp_path / "out", scheduler="tcp://127.0.0.1:1")
