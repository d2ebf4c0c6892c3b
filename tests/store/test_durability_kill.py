"""What was acknowledged is there after the process is killed in the middle of the next write."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import pytest

from planner.shop import Gasket, Job
from planner.store import Kind, open_database

ROOT = Path(__file__).resolve().parents[2]

WRITER = """
import sys
from datetime import datetime, timedelta
from pathlib import Path
from planner.store import Kind, open_database
shop = open_database(Path(sys.argv[1]), Kind.OWN)
at = datetime(2026, 3, 2, 8, 0)
number = len(shop.taps_of(int(sys.argv[2]), whole=True))
while True:
    number += 1
    tap = shop.add_tap(int(sys.argv[2]), "pass", {"number": number}, at + timedelta(seconds=number))
    print(tap.seq, flush=True)
"""

HALF = """
import sys, time
from pathlib import Path
from planner.store import Kind, open_database
from planner.shop import Gasket
shop = open_database(Path(sys.argv[1]), Kind.OWN)
shop.add(Gasket("acknowledged", 1.0))
with shop.transaction() as together:
    together.add(Gasket("half stored", 1.0))
    print("in the middle", flush=True)
    time.sleep(60)
"""


@contextmanager
def started(code: str, *arguments: object) -> Iterator[subprocess.Popen]:
    with subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.slow
def test_no_acknowledged_tap_is_lost_to_kill_9(repository, stored, own_file):
    """Three times: taps as fast as they go, SIGKILL after some of them, everything acknowledged is there, in order."""
    job = repository.load(Job, stored.job.id).id
    repository.engine.dispose()
    seen = 0
    for wanted in (5, 23, 40):
        acknowledged = seen
        with started(WRITER, own_file, job) as writer:
            while acknowledged < seen + wanted:
                acknowledged = int(writer.stdout.readline())
            writer.send_signal(signal.SIGKILL)
            # what was still on its way through the pipe was acknowledged as well
            for line in writer.stdout:
                if line.endswith("\n"):
                    acknowledged = int(line)
        again = open_database(own_file, Kind.OWN, at=datetime(2026, 3, 2))
        taps = again.taps_of(job)
        assert [t.seq for t in taps] == list(range(1, len(taps) + 1))
        assert len(taps) - acknowledged in (0, 1)  # one may have been stored and not yet acknowledged
        assert [t.payload["number"] for t in taps] == [t.seq for t in taps]
        with again.reading() as connection:
            assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
        again.engine.dispose()
        seen = len(taps)


def test_a_transaction_killed_half_way_leaves_nothing(repository, stored, own_file):
    version = repository.data_version()
    with started(HALF, own_file) as writer:
        assert writer.stdout.readline() == "in the middle\n"
        writer.send_signal(signal.SIGKILL)
        writer.wait()
    assert [g.name for g in repository.load_all(Gasket).values()] == ["thick", "acknowledged"]
    assert repository.data_version() == version + 1
    # and the lock went with the process
    repository.add(Gasket("after", 1.0))
