"""A Prefect API server that ends with the process that started it, however that ends.

Used where no PREFECT_API_URL is set. Its database holds the history of runs for Prefect's own use;
nothing of ours is read from it, so it is thrown away when it has grown.
"""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from halfcycle.pipeline.errors import StoreError

API_URL: Final = "PREFECT_API_URL"
_START_LIMIT_S: Final = 180.0
_LARGEST_DATABASE: Final = 64 << 20
_STOP_LIMIT_S: Final = 10.0


@contextmanager
def prefect_api(folder: Path) -> Iterator[str]:
    """The address of a Prefect API: the configured one, or that of a temporary server.

    Parameters
    ----------
    folder : for the temporary server's database.

    Raises
    ------
    StoreError : the temporary server does not start.
    """
    configured = os.environ.get(API_URL)
    if configured:
        yield configured
        return
    port = _free_port()
    url = f"http://127.0.0.1:{port}/api"
    try:
        server = _start(folder, port)
    except OSError as error:
        raise StoreError(f"{folder}: the temporary Prefect server cannot start here ({error.strerror})") from error
    try:
        _wait_until_healthy(server, url, folder / "server.log")
        os.environ[API_URL] = url
        yield url
    finally:
        os.environ.pop(API_URL, None)
        _stop(server)


def _start(folder: Path, port: int) -> subprocess.Popen[bytes]:
    folder.mkdir(parents=True, exist_ok=True)
    database = folder / "runs.db"
    if database.exists() and database.stat().st_size > _LARGEST_DATABASE:
        for path in folder.glob("runs.db*"):
            path.unlink()
    with (folder / "server.log").open("wb") as log:
        return subprocess.Popen(
            [sys.executable, "-m", __name__, str(port)],
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
            env={**os.environ, **_server_settings(database)},
            start_new_session=True,  # Ctrl-C is ours to answer
        )


def _server_settings(database: Path) -> dict[str, str]:
    return {
        "PREFECT_API_DATABASE_CONNECTION_URL": f"sqlite+aiosqlite:///{database}",
        "PREFECT_UI_ENABLED": "0",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "0",
        "PREFECT_LOGGING_SERVER_LEVEL": "ERROR",
    }


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait_until_healthy(server: subprocess.Popen[bytes], url: str, log: Path) -> None:
    deadline = time.monotonic() + _START_LIMIT_S
    while time.monotonic() < deadline:
        if server.poll() is not None:
            raise StoreError(f"the temporary Prefect server ended with status {server.returncode}; see {log}")
        with (
            contextlib.suppress(urllib.error.URLError, ConnectionError, TimeoutError),
            urllib.request.urlopen(f"{url}/health", timeout=5) as answer,
        ):
            if answer.status == 200:
                return
        time.sleep(0.05)
    raise StoreError(f"the temporary Prefect server did not start within {_START_LIMIT_S:g} s; see {log}")


def _stop(server: subprocess.Popen[bytes]) -> None:
    server.terminate()
    try:
        server.wait(_STOP_LIMIT_S)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()
    if server.stdin is not None:
        server.stdin.close()


def _end_with_parent() -> None:
    """End this process when its standard input closes: that is when the process at the other end is gone."""
    sys.stdin.buffer.read()
    os._exit(0)


def _serve(port: int) -> None:
    threading.Thread(target=_end_with_parent, daemon=True).start()
    import uvicorn

    uvicorn.run(
        "prefect.server.api.server:create_app",
        factory=True,
        host="127.0.0.1",
        port=port,
        log_level="error",
        lifespan="on",
    )


if __name__ == "__main__":
    _serve(int(sys.argv[1]))
