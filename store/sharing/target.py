"""Where tables are shared to: a folder, or a bucket that speaks S3. Knows files and addresses; no library.

Credentials are the object store clients' own business (their usual variables and profiles): nothing of them is read,
kept or printed here.
"""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path
from uuid import uuid4

from pyarrow import NativeFile, fs

from store.errors import DiskFault, StoreError, TraceDamaged
from store.files import durable

__all__ = ["ShareRefused", "Target"]

_CHUNK = 1 << 20
_ADDRESS = re.compile(r"^([a-z][a-z0-9+.-]*)://", re.IGNORECASE)


class ShareRefused(StoreError):  # noqa: N818 (named for what happened, as all of its family)
    """A library can't be shared there, or not so; says why and what to do."""


class Target:
    """A place for tables: `lab/` or `s3://bucket/prefix`."""

    def __init__(self, address: str) -> None:
        """Look at the address; nothing is opened yet.

        Raises:
            ShareRefused: Neither a folder nor an `s3://` address.
        """
        found = _ADDRESS.match(address)
        if found is None:
            self.is_local = True
            self._root = Path(address).expanduser().resolve().as_posix()
            self._files: fs.FileSystem = fs.LocalFileSystem()
        elif found[1].lower() == "s3":
            self.is_local = False
            self._root = address[len("s3://") :].rstrip("/")
            self._files = _bucket_files()
        else:
            raise ShareRefused(f"{address}: share to a folder, or to a bucket as s3://bucket/prefix.")
        if not self._root:
            raise ShareRefused(f"{address} names no place: share to a folder, or to a bucket as s3://bucket/prefix.")

    def __str__(self) -> str:
        return self._root if self.is_local else f"s3://{self._root}"

    def table(self, name: str) -> str:
        """Address of one table's folder, as the tables' library takes it."""
        return f"{self}/{name}"

    def prepare(self, name: str) -> None:
        """Make a table's folder where folders are made at all.

        Raises:
            DiskFault: It can't be written.
        """
        if not self.is_local:
            return
        try:
            Path(self.table(name)).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise DiskFault.of(error, f"Sharing to {self}") from error

    def size_of(self, path: str) -> int | None:
        """Bytes of a file below the target; None where there is none."""
        info = self._files.get_file_info(f"{self._root}/{path}")
        return int(info.size) if info.type == fs.FileType.File else None

    def read(self, path: str) -> NativeFile:
        """A file there, open for reading.

        Raises:
            OSError: It can't be read.
        """
        return self._files.open_input_file(f"{self._root}/{path}")

    def get(self, path: str, target: Path, sha256: str) -> None:
        """Copy a file from there, its bytes held against their hash on the way.

        Raises:
            TraceDamaged: They are not what was shared; nothing is left.
            OSError: It can't be read or written.
        """
        with self.read(path) as source, durable.HashingFile(target) as file:
            while block := source.read(_CHUNK):
                file.write(block)
            if file.sha256 != sha256:
                raise TraceDamaged(f"{self}/{path} is not what was shared: its hash is wrong. Share there again.")
            file.commit(is_flushed=False)

    def put(self, source: Path, path: str, sha256: str) -> None:
        """Copy a file there, whole or not at all, its bytes held against their hash on the way.

        Raises:
            TraceDamaged: The bytes are not what was stored.
            DiskFault: It can't be read or written.
        """
        final = f"{self._root}/{path}"
        written = f"{final}.{uuid4().hex[:8]}.part" if self.is_local else final
        try:
            if self.is_local:
                Path(final).parent.mkdir(parents=True, exist_ok=True)
            else:
                self._check(source, sha256)  # what was sent to a bucket can't be taken back by a name
            digest = self._copy(source, written)
            if digest != sha256:
                raise TraceDamaged(_damaged(source))
            if self.is_local:
                Path(written).replace(final)
        except OSError as error:
            raise DiskFault.of(error, f"Sharing to {self}") from error
        finally:
            if self.is_local:
                Path(written).unlink(missing_ok=True)

    def _copy(self, source: Path, written: str) -> str:
        digest = hashlib.sha256()
        with source.open("rb") as taken, self._files.open_output_stream(written) as out:
            while block := taken.read(_CHUNK):
                digest.update(block)
                out.write(block)
        if self.is_local:
            _flush(Path(written))
        return digest.hexdigest()

    @staticmethod
    def _check(source: Path, sha256: str) -> None:
        with source.open("rb") as taken:
            if hashlib.file_digest(taken, "sha256").hexdigest() != sha256:
                raise TraceDamaged(_damaged(source))


def _damaged(source: Path) -> str:
    return (
        f"{source.name} is not what was stored: its hash is wrong, and nothing of it was shared. "
        "`joulebook verify --repair` makes it again."
    )


def _flush(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _bucket_files() -> fs.FileSystem:
    endpoint = os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL") or ""
    scheme, _, host = endpoint.partition("://")
    options: dict[str, str] = {}
    if host:
        options = {"endpoint_override": host.rstrip("/"), "scheme": scheme}
    region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION")
    if region:
        options["region"] = region
    return fs.S3FileSystem(**options)
