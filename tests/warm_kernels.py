"""Kernels for the lessons, each forked from one process that has loaded what all of them load.

Eleven kernels that load scipy and matplotlib and plan the same hall take more of the lessons'
time than the lessons. Nothing of the classroom but two plans is there beforehand, and
the lessons' tests in a browser start kernels as everybody does.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from typing import Any
from unittest import mock


def _kernel(arguments: list[str], environment: dict[str, str], folder: str,
            started: Connection) -> None:
    """Become a kernel, in a group of processes of its own since it is stopped as a group."""
    os.setsid()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    started.send(True)
    from ipykernel.kernelapp import launch_new_instance

    # Whoever forked it is its parent: it ends with that one.
    launch_new_instance([*arguments, f"--IPKernelApp.parent_handle={os.getppid()}"])


class _Forked:
    """A forked process, as `subprocess.Popen` would show it."""

    stdin = stdout = stderr = None

    def __init__(self, command: list[str], *, env: dict[str, str], cwd: str, **_: Any) -> None:
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["tests.warm_lessons"])
        heard, told = context.Pipe(duplex=False)
        after = command.index("ipykernel_launcher") + 1
        self._process = context.Process(
            target=_kernel, args=(command[after:], dict(env), os.fspath(cwd), told))
        self._process.start()
        heard.recv()
        self.pid = self._process.pid

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self) -> int | None:
        self._process.join()
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        os.kill(self.pid, number)

    def terminate(self) -> None:
        self._process.terminate()

    def kill(self) -> None:
        self._process.kill()


@contextmanager
def warm_kernels() -> Iterator[None]:
    """Fork the kernels that Jupyter's client starts meanwhile; where nothing forks, do nothing."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        yield
        return
    with mock.patch("jupyter_client.provisioning.local_provisioner.launch_kernel", _Forked):
        yield
    # Waited for, so that its processor time counts as that of the tests.
    forkserver._forkserver._stop()
