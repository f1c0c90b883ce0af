"""A real S3 server on loopback, in this process: moto's, with its own HTTP port."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

from pyarrow.fs import S3FileSystem

BUCKET = "quillfen"


@contextmanager
def s3_server() -> Iterator[str]:
    """Its endpoint, with an empty bucket."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the server's own parts
        from moto.server import ThreadedMotoServer

        server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
        server.start()
    try:
        host, port = server.get_host_and_port()
        endpoint = f"http://{host}:{port}"
        S3FileSystem(
            access_key="maker", secret_key="maker", endpoint_override=f"{host}:{port}", scheme="http", region="us-east-1",
            allow_bucket_creation=True,
        ).create_dir(BUCKET)  # fmt: skip
        yield endpoint
    finally:
        server.stop()
