"""A server of this machine that speaks S3, for the tests of object storage."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any


def in_turns(server: Any) -> None:
    """Have a server answer one request at a time: moto looks at a condition, then writes; services do both at once."""
    answer, turn = server.app, threading.Lock()

    def app(environ: Any, start_response: Any) -> Any:
        with turn:
            return answer(environ, start_response)

    server.app = app


@contextmanager
def s3_bucket(name: str = "recorders") -> Iterator[tuple[Any, dict[str, str]]]:
    """A client with a new bucket, and the environment that any other client finds the server by."""
    import boto3
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    in_turns(server._server)
    host, port = server.get_host_and_port()
    keys = {"AWS_ACCESS_KEY_ID": "key", "AWS_SECRET_ACCESS_KEY": "secret", "AWS_DEFAULT_REGION": "us-east-1"}
    try:
        client = boto3.client(
            "s3", endpoint_url=f"http://{host}:{port}", aws_access_key_id="key", aws_secret_access_key="secret",
            region_name="us-east-1",
        )  # fmt: skip
        client.create_bucket(Bucket=name)
        yield client, {**keys, "AWS_ENDPOINT_URL": f"http://{host}:{port}"}
    finally:
        server.stop()
