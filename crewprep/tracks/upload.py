"""Uploads on their way in: streamed into quarantine while they are hashed, counted and cut at the limit.

The web process never decodes a file and never reads its tags; it looks at the first bytes alone.
"""

from __future__ import annotations

import hashlib
import uuid
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler, StopUpload

REFUSE_BODY_FACTOR = 4
"""A body that announces more than this many times the limit is not read to its end for the sake of a kind answer."""


class QuarantinedFile(UploadedFile):  # type: ignore[type-arg]  # generic in the stubs alone
    """A file that lies in quarantine. Closing it removes it, unless ``adopt`` has taken it over."""

    def __init__(self, path: Path, *, name: str, size: int, sha256: str, too_large: bool) -> None:
        self.path = path
        self.sha256 = sha256
        self.too_large = too_large
        super().__init__(file=path.open("rb"), name=name, size=size)

    def temporary_file_path(self) -> str:
        """Where the file lies; Django's file storage moves it from there instead of copying."""
        return str(self.path)

    def adopt(self) -> Path:
        """Hand the file over: it is closed here, and closing no longer removes it."""
        path = self.path
        self.path = Path()
        super().close()
        return path

    def close(self) -> None:
        """Close, and remove what nobody adopted."""
        super().close()
        if self.path.name:
            self.path.unlink(missing_ok=True)


class QuarantineUploadHandler(FileUploadHandler):
    """Django's hook for each file of a multipart request."""

    def handle_raw_input(
        self,
        input_data: Any,
        META: Any,  # noqa: N803  the name that Django passes
        content_length: int,
        boundary: Any,
        encoding: str | None = None,
    ) -> None:
        """Refuse to read a body of absurd length."""
        if content_length > REFUSE_BODY_FACTOR * settings.UPLOAD_MAX_BYTES:
            raise StopUpload(connection_reset=True)

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        """Open a file of random name in quarantine."""
        super().new_file(*args, **kwargs)
        settings.QUARANTINE_DIR.mkdir(parents=True, exist_ok=True)
        self.path: Path = settings.QUARANTINE_DIR / uuid.uuid4().hex
        self.out: BinaryIO = self.path.open("xb")
        self.hash = hashlib.sha256()
        self.count = 0

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        """Hash and store; beyond the limit only count."""
        self.count += len(raw_data)
        if self.count <= settings.UPLOAD_MAX_BYTES:
            self.hash.update(raw_data)
            self.out.write(raw_data)

    def file_complete(self, file_size: int) -> QuarantinedFile:
        """Close the file and hand it to the request."""
        self.out.close()
        return QuarantinedFile(
            self.path,
            name=self.file_name or "",
            size=file_size,
            sha256=self.hash.hexdigest(),
            too_large=self.count > settings.UPLOAD_MAX_BYTES,
        )

    def upload_interrupted(self) -> None:
        """Remove what a broken connection left."""
        if hasattr(self, "out"):
            self.out.close()
            self.path.unlink(missing_ok=True)


def quarantine(content: bytes | BinaryIO, *, name: str) -> QuarantinedFile:
    """Put content from elsewhere (a command, a test) into quarantine by the same way as a request's file."""
    source = BytesIO(content) if isinstance(content, bytes) else content
    handler = QuarantineUploadHandler()
    handler.new_file("audio", name, "application/octet-stream", None)
    size = 0
    while chunk := source.read(handler.chunk_size):
        handler.receive_data_chunk(chunk, size)
        size += len(chunk)
    return handler.file_complete(size)
