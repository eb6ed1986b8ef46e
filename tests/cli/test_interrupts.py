"""Ctrl-C ends a process for certain, also one that waits for itself."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest

READY = 'print("ready", flush=True)'
# Each waits for a lock that is never given back.
WAITS = {
    "in place of the interrupt": f"""
    while True:
        try:
            {READY}
            lock.acquire()
        except KeyboardInterrupt:
            pass""",
    "in what it does before it ends": f"""
    try:
        {READY}
        time.sleep(600)
    finally:
        lock.acquire()""",
    "in a thread, which the interpreter joins at its end": f"""
    threading.Thread(target=lock.acquire).start()
    {READY}
    time.sleep(600)""",
}


@pytest.mark.parametrize("wait", WAITS.values(), ids=WAITS)
def test_a_process_that_waits_for_itself_ends_after_an_interrupt(wait: str) -> None:
    code = f"""
import threading, time
from halfcycle.pipeline.cli.interrupts import ended_when_interrupted
lock = threading.Lock()
lock.acquire()
with ended_when_interrupted(within_s=0.5):{wait}
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        process.send_signal(signal.SIGINT)
        assert process.wait(600) == 1


def test_what_ends_by_itself_ends_as_it_would() -> None:
    code = f"""
import time
from halfcycle.pipeline.cli.interrupts import ended_when_interrupted
try:
    with ended_when_interrupted():
        {READY}
        time.sleep(600)
except KeyboardInterrupt:
    print("stopped")
    raise SystemExit(7)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        process.send_signal(signal.SIGINT)
        assert process.stdout.read() == "stopped\n"
        assert process.wait(600) == 7
