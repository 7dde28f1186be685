"""Audio between the storage and the disk beside the worker, and the sweep of what killed processes left.

A row never names a file that is not complete: a file gets its final name first, which holds the job's token and so is
nobody else's, and the row follows in the transaction that finishes the job. What loses that race, or is never named
because its worker was killed, is garbage that ``sweep`` removes after a day.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from django.conf import settings
from django.core.files.base import File
from django.core.files.storage import FileSystemStorage, default_storage
from django.utils import timezone

from analysis_worker import guard
from crewprep.tracks.models import Copy

KEPT_S: Final = 24 * 3600
STORED_UNDER: Final = "crews"
_FETCH_PREFIX: Final = "fetch-"
_CHUNK_BYTES: Final = 1 << 20


@contextmanager
def on_disk(key: str, *, on_tick: Callable[[], None]) -> Iterator[Path]:
    """A stored file as a path to read from: itself where the storage is a disk, else a copy for the while.

    ``on_tick`` is called between the chunks of a copy and may raise to stop it. Raises ``OSError`` where the storage
    has no such file.
    """
    if isinstance(default_storage, FileSystemStorage):
        yield Path(default_storage.path(key))
    else:
        settings.WORK_DIR.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=_FETCH_PREFIX, dir=settings.WORK_DIR) as folder:
            path = Path(folder) / "sound"
            with default_storage.open(key, "rb") as source, path.open("xb") as target:
                while chunk := source.read(_CHUNK_BYTES):
                    target.write(chunk)
                    on_tick()
            yield path


def store(path: Path, key: str) -> str:
    """Put a finished file into the storage under ``key``; returns the key that the storage chose.

    On a disk: written under another name, flushed to the disk, then renamed, so that the name never shows a part.
    """
    if not isinstance(default_storage, FileSystemStorage):
        with path.open("rb") as source:
            return str(default_storage.save(key, File(source)))
    target = Path(default_storage.path(key))
    target.parent.mkdir(parents=True, exist_ok=True)
    part = target.with_name(f"{target.name}.part")
    with path.open("rb") as source, part.open("wb") as out:
        shutil.copyfileobj(source, out, _CHUNK_BYTES)
        out.flush()
        os.fsync(out.fileno())
    if default_storage.file_permissions_mode is not None:
        part.chmod(default_storage.file_permissions_mode)
    part.replace(target)
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return key


def sweep(*, older_than_s: float = KEPT_S) -> int:
    """Remove uploads that nobody finished, work of killed workers, and stored files that no row names.

    Only what is older than ``older_than_s``: a younger file may be waiting for its row. Returns how many were removed.
    """
    removed = guard.sweep(settings.WORK_DIR, older_than_s=older_than_s)
    for path in (*settings.QUARANTINE_DIR.glob("*"), *settings.WORK_DIR.glob(f"{_FETCH_PREFIX}*")):
        removed += _remove_old(path, older_than_s)
    oldest = timezone.now() - dt.timedelta(seconds=older_than_s)
    for folder, names in _stored_folders(STORED_UNDER):
        keys = {f"{folder}/{name}" for name in names}
        for field in ("audio_key", "proxy_key", "peaks_key"):
            named = Copy.objects.filter(**{f"{field}__startswith": f"{folder}/"})
            keys -= set(named.values_list(field, flat=True))
        for key in keys:
            if default_storage.get_modified_time(key) < oldest:
                default_storage.delete(key)
                removed += 1
    return removed


def _stored_folders(folder: str) -> Iterator[tuple[str, list[str]]]:
    """Each folder of the storage with the names of its files."""
    try:
        folders, names = default_storage.listdir(folder)
    except FileNotFoundError:
        return
    yield folder, names
    for name in folders:
        yield from _stored_folders(f"{folder}/{name}")


def _remove_old(path: Path, older_than_s: float) -> int:
    try:
        if time.time() - path.stat().st_mtime <= older_than_s:
            return 0
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink()
    except FileNotFoundError:
        return 0
    return 1
