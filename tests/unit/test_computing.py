"""Processes that compute: what they give, that they end with the service, and what comes of one that is killed."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import BrokenExecutor
from pathlib import Path

import pytest

from service.computing import running_computing, running_workers


def _lives(pid: int) -> bool:
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8")
    except FileNotFoundError:
        return False
    return stat.rpartition(")")[2].split()[0] != "Z"  # dead, only nobody has asked yet


async def test_one_thread_computes_all() -> None:
    async with running_computing(0) as thread:
        found = {await thread.run(threading.get_ident) for _ in range(5)}
        assert len(found) == 1
        assert found != {threading.get_ident()}
        with pytest.raises(ZeroDivisionError):
            await thread.run(divmod, 1, 0)
    async with running_computing(1) as workers:
        assert await workers.run(os.getpid) != os.getpid()


async def test_works_in_other_processes_and_gives_way_to_who_serves() -> None:
    async with running_workers(1) as workers:
        pid = await workers.run(os.getpid)
        assert pid != os.getpid()
        assert await workers.run(divmod, 7, 3) == (2, 1)
        assert os.getpriority(os.PRIO_PROCESS, pid) > os.getpriority(os.PRIO_PROCESS, 0)
    assert not _lives(pid)


async def test_what_the_work_raises_is_raised() -> None:
    async with running_workers(1) as workers:
        with pytest.raises(ZeroDivisionError):
            await workers.run(divmod, 1, 0)
        assert await workers.run(divmod, 1, 1) == (1, 0)


async def test_work_of_a_killed_process_is_done_again() -> None:
    async with running_workers(2) as workers:
        pid = await workers.run(os.getpid)
        sleeping = asyncio.create_task(workers.run(time.sleep, 0.5))
        await asyncio.sleep(0.1)
        os.kill(pid, signal.SIGKILL)
        await sleeping
        assert await workers.run(os.getpid) != pid


async def test_work_that_kills_its_process_fails_and_leaves_the_others_working() -> None:
    async with running_workers(1) as workers:
        with pytest.raises(BrokenExecutor):
            await workers.run(os._exit, 1)
        assert await workers.run(divmod, 7, 3) == (2, 1)


async def test_a_signal_to_the_whole_group_is_the_services_to_follow() -> None:
    async with running_workers(1) as workers:
        pid = await workers.run(os.getpid)
        for told in (signal.SIGINT, signal.SIGTERM):
            os.kill(pid, told)
        assert await workers.run(os.getpid) == pid


_SERVICE = """
import asyncio, os
from service.computing import running_workers

async def main():
    async with running_workers(1) as workers:
        print(await workers.run(os.getpid), flush=True)
        await asyncio.sleep(60)

if __name__ == "__main__":
    asyncio.run(main())
"""


def test_ends_with_a_service_that_is_killed() -> None:
    with subprocess.Popen([sys.executable, "-c", _SERVICE], stdout=subprocess.PIPE, text=True) as service:
        assert service.stdout is not None
        worker = int(service.stdout.readline())
        assert _lives(worker)
        service.kill()
    deadline = time.monotonic() + 10.0
    while _lives(worker):
        assert time.monotonic() < deadline, "the worker outlives its service"
        time.sleep(0.05)
