"""A place in an S3 object store, as few operations as a copy of a data root needs; what goes wrong becomes a sentence.

Credentials are found as the library finds them: AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, else its configuration files.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from urllib.parse import urlsplit

import pyarrow as pa
from pyarrow.fs import AwsStandardS3RetryStrategy, FileSelector, FileType, S3FileSystem

from nightturn.errors import ConfigError, ObjectStoreError

SCHEME = "s3"
ATTEMPTS_MAX = 3
CONNECT_S_MAX, REQUEST_S_MAX = 5.0, 60.0
REFUSED = ("ACCESS_DENIED", "INVALID_ACCESS_KEY_ID", "SIGNATURE_DOES_NOT_MATCH", "INVALID_CLIENT_TOKEN_ID")
_CODE = re.compile(r"AWS Error (\w+)")


class ObjectStore:
    """One bucket and prefix.

    Args:
        url: `s3://bucket/prefix`.
        endpoint: `http://host:port` or `https://host` of another server; empty for the library's own.
        where: what the person calls it who gave `url`.

    Raises:
        ConfigError: `url` or `endpoint` is none.
        ObjectStoreError: every method, when the store cannot be reached or refuses.
    """

    def __init__(self, url: str, endpoint: str = "", *, where: str = "TO") -> None:
        place = urlsplit(url)
        if place.scheme != SCHEME or not place.netloc or place.query or place.fragment:
            raise ConfigError(
                f"{url!r} is no place in an object store", where=where, allowed="s3://BUCKET/PREFIX"
            )
        server = urlsplit(endpoint)
        if endpoint and (
            server.scheme not in {"http", "https"} or not server.netloc or server.path.strip("/")
        ):
            raise ConfigError(
                f"{endpoint!r} is no server", where="--endpoint", allowed="http://HOST:PORT or https://HOST"
            )
        self.url = url.rstrip("/")
        self._server = endpoint or "the object store"
        self._bucket = place.netloc
        self._base = "/".join(part for part in (place.netloc, place.path.strip("/")) if part)
        with self._named():
            self._system = S3FileSystem(
                endpoint_override=server.netloc or None,
                scheme="http" if server.scheme == "http" else "https",
                connect_timeout=CONNECT_S_MAX,
                request_timeout=REQUEST_S_MAX,
                retry_strategy=AwsStandardS3RetryStrategy(max_attempts=ATTEMPTS_MAX),
            )

    def sizes(self, folder: str) -> dict[str, int]:
        """Bytes of every object below a folder, by its path below the prefix; empty when there is none."""
        selector = FileSelector(f"{self._base}/{folder}", allow_not_found=True, recursive=True)
        with self._named():
            found = self._system.get_file_info(selector)
        cut = len(self._base) + 1
        return {each.path[cut:]: each.size for each in found if each.type == FileType.File}

    def names(self, folder: str) -> dict[str, int | None]:
        """Name and bytes of what stands below a folder, without what stands deeper; None for a folder."""
        selector = FileSelector(f"{self._base}/{folder}", allow_not_found=True)
        with self._named():
            found = self._system.get_file_info(selector)
        return {each.base_name: each.size if each.type == FileType.File else None for each in found}

    def size(self, path: str) -> int:
        """Bytes of an object; FileNotFoundError when it is not there."""
        with self._named():
            found = self._system.get_file_info(f"{self._base}/{path}")
        if found.type != FileType.File:
            raise FileNotFoundError(f"{self.url}/{path} is not there")
        return int(found.size)

    def end(self, path: str, at_most: int) -> bytes:
        """The last bytes of an object; FileNotFoundError when it is not there."""
        with self._named(), self._system.open_input_file(f"{self._base}/{path}") as opened:
            opened.seek(max(0, opened.size() - at_most))
            content: bytes = opened.read()
        return content

    def check_there(self) -> None:
        """The bucket answers and takes these credentials."""
        with self._named():
            found = self._system.get_file_info(self._bucket)
        if found.type == FileType.NotFound:
            raise ObjectStoreError(f"{self._server} has no bucket {self._bucket}; make it first")

    def read(self, path: str) -> bytes | None:
        """An object; None when it is not there."""
        with self._named():
            try:
                with self._system.open_input_stream(f"{self._base}/{path}") as stream:
                    content: bytes = stream.read()
            except FileNotFoundError:
                return None
        return content

    def write(self, path: str, content: bytes) -> None:
        """Put an object, in parts where it is large; another of its name is replaced."""
        with self._named(), self._system.open_output_stream(f"{self._base}/{path}") as stream:
            stream.write(content)

    def remove(self, path: str) -> None:
        """Delete an object."""
        with self._named():
            self._system.delete_file(f"{self._base}/{path}")

    @contextmanager
    def _named(self) -> Iterator[None]:
        try:
            yield
        except FileNotFoundError:
            raise
        except (OSError, pa.ArrowException) as problem:
            raise ObjectStoreError(self._sentence(str(problem))) from problem

    def _sentence(self, text: str) -> str:
        match = _CODE.search(text)
        code = match[1] if match is not None else ""
        if code == "NETWORK_CONNECTION":
            return f"{self._server} cannot be reached; is --endpoint right, and does the server run?"
        if code in REFUSED:
            return (
                f"{self._server} refuses the credentials for bucket {self._bucket} ({code}); they come from AWS_ACCESS_KEY_ID and "
                "AWS_SECRET_ACCESS_KEY or the library's configuration files"
            )
        if code == "NO_SUCH_BUCKET":
            return f"{self._server} has no bucket {self._bucket}; make it first"
        return f"{self.url}: {text.splitlines()[0] if text else 'failed'}"
