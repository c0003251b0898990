"""The write lock: one holder among threads and processes, let go whatever happens."""

from __future__ import annotations

import fcntl
import os
import stat
import threading
import time
from pathlib import Path

import pytest

from service.errors import StoreBusy
from service.persistence.locks import WriteLock


def test_one_thread_holds_it_at_a_time(tmp_path: Path) -> None:
    lock = WriteLock(tmp_path / "write.lock", 5)
    inside, most = 0, 0

    def work() -> None:
        nonlocal inside, most
        for _ in range(20):
            with lock.held():
                inside += 1
                most = max(most, inside)
                time.sleep(0.0002)
                inside -= 1

    threads = [threading.Thread(target=work) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert most == 1


@pytest.mark.parametrize("same_process", [True, False])
def test_a_lock_not_had_in_time_is_busy(tmp_path: Path, same_process: bool) -> None:
    file = tmp_path / "write.lock"
    lock = WriteLock(file, 0.15)
    descriptor = os.open(file, os.O_RDWR | os.O_CREAT, 0o600)
    if same_process:
        lock._threads.acquire()
    else:
        fcntl.flock(descriptor, fcntl.LOCK_EX)  # held by another open file, as by another process
    begun = time.monotonic()
    with pytest.raises(StoreBusy), lock.held():
        pass
    assert 0.1 < time.monotonic() - begun < 3
    if same_process:
        lock._threads.release()
    os.close(descriptor)
    with lock.held():
        pass


def test_an_error_lets_it_go(tmp_path: Path) -> None:
    lock = WriteLock(tmp_path / "write.lock", 0.2)
    with pytest.raises(ZeroDivisionError), lock.held():
        raise ZeroDivisionError
    with lock.held():
        pass


def test_the_file_is_for_one_account_alone(tmp_path: Path) -> None:
    file = tmp_path / "write.lock"
    with WriteLock(file, 1).held():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_child_does_not_wait_for_a_thread_of_its_parent(tmp_path: Path) -> None:
    lock = WriteLock(tmp_path / "write.lock", 0.2)
    lock._threads.acquire()
    lock.forget()
    with lock.held():
        pass
