"""Databases and folders of their own for tests that start real processes."""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent


@contextmanager
def fresh_postgres(server_url: str) -> Iterator[str]:
    """The address of a new database, dropped afterwards."""
    import psycopg

    name = f"crewprep_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(server_url, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}"')
    try:
        yield urlsplit(server_url)._replace(path=f"/{name}").geturl()
    finally:
        with psycopg.connect(server_url, autocommit=True) as server:
            server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@contextmanager
def fresh_database(kind: str, request: pytest.FixtureRequest) -> Iterator[str]:
    """``DATABASE_URL`` of a new ``sqlite`` or ``postgres`` database; the empty one stands for a file in the folder."""
    if kind == "sqlite":
        yield ""
    else:
        with fresh_postgres(request.getfixturevalue("postgres_url")) as url:
            yield url


def environment(folder: Path, *, database_url: str, broker_url: str = "memory://", **more: str) -> dict[str, str]:
    """The environment of a process with its own folder, database and broker."""
    own = {
        "CREWPREP_VAR": str(folder),
        "DATABASE_URL": database_url,
        "CELERY_BROKER_URL": broker_url,
        "DJANGO_SETTINGS_MODULE": "crewprep.settings",
        "PYTHONPATH": str(ROOT),
    }
    return {**os.environ, **own, **more}
