"""What both journeys carry: a real service with a crew, and a real rendered track."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import psycopg
import pytest
import soundfile

from fixtures.generate import TrackSpec, Truth, make_track
from tests.servers import Service, environment, running

PASSWORD = "a long enough phrase"
SPEC = TrackSpec(7, 132.0, 0.4, "house")
"""About three minutes, rendered here and analysed by the real worker."""


@pytest.fixture(scope="session")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    """A FLAC file and the truth about it."""
    samples, truth = make_track(SPEC)
    path = tmp_path_factory.mktemp("audio") / "Invented_Journey.flac"
    with soundfile.SoundFile(path, "w", 44_100, 2, subtype="PCM_16", format="FLAC") as out:
        for start in range(0, len(samples), 441_000):
            out.write(samples[start : start + 441_000])
    return path, truth


@pytest.fixture
def embedded(tmp_path: Path) -> Iterator[Service]:
    """Web and worker as a stranger starts them: SQLite, files, the embedded broker."""
    with running(_with_crew(Service(tmp_path, environment(tmp_path)))) as service:
        yield service


@pytest.fixture
def scaled(tmp_path: Path, postgres_url: str, redis_url: str) -> Iterator[Service]:
    """Web and worker on PostgreSQL and Redis, in a database and with a queue of their own."""
    name = f"crewprep_{uuid.uuid4().hex[:8]}"
    with psycopg.connect(postgres_url, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}"')
        try:
            url = urlsplit(postgres_url)._replace(path=f"/{name}").geturl()
            settings = environment(tmp_path, DATABASE_URL=url, CELERY_BROKER_URL=redis_url)
            with running(_with_crew(Service(tmp_path, settings))) as service:
                yield service
        finally:
            server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def _with_crew(service: Service) -> Service:
    service.manage("migrate", "--verbosity", "0", "--no-input")
    service.manage("create_crew", "Our crew", "our-crew", "anka", "--password", PASSWORD)
    service.manage("add_member", "our-crew", "bo", "resident", "--password", PASSWORD)
    return service
