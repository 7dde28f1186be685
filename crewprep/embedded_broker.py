"""The doorbell without a server: kombu's SQLAlchemy transport on an SQLite file, with four changes for that use.

- A delivered message is deleted. Kombu keeps the row, and a bell every few seconds would grow the file without end.
- An idle poll reads; it takes the write lock only where a message waits.
- Polls come twice a second (kombu: once), which is the delay a member sees between asking and work starting.
- Every transaction opens its own connection, for SQLite's must not cross a fork and pool processes ring too.

A message is gone once it is delivered, and ``synchronous=OFF`` may lose the last ones on a power cut. Both are fine
for a bell: the job table is the truth (see ``crewprep.jobs``).
"""

from __future__ import annotations

from queue import Empty
from typing import Any

from kombu.transport import sqlalchemy as kombu_sqlalchemy
from kombu.utils.encoding import bytes_to_str
from kombu.utils.json import loads
from sqlalchemy import create_engine, event, text
from sqlalchemy.pool import NullPool

POLL_S = 0.5
BUSY_TIMEOUT_S = 5


class Channel(kombu_sqlalchemy.Channel):
    """A channel of the embedded broker."""

    _engines: dict[str, Any] = {}  # our engines, apart from kombu's own

    def _engine_from_config(self) -> Any:
        address: Any = self.connection.client.hostname  # type: ignore[union-attr]  # set while a channel lives
        engine = create_engine(address, poolclass=NullPool, connect_args={"timeout": BUSY_TIMEOUT_S})

        @event.listens_for(engine, "connect")
        def _set_up(connection: Any, _record: Any) -> None:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=OFF")

        return engine

    def _get(self, queue: str, timeout: float | None = None) -> Any:
        queue_id = self._get_or_create(queue).id  # type: ignore[attr-defined]  # kombu's, without types
        waiting = self.session.query(self.message_cls.id).filter(self.message_cls.queue_id == queue_id)
        found = waiting.order_by(self.message_cls.id).first()
        self.session.commit()
        if found is None:
            raise Empty
        self.session.execute(text("BEGIN IMMEDIATE"))
        try:
            message = self.session.query(self.message_cls).filter_by(queue_id=queue_id).order_by("id").first()
            if message is None:
                raise Empty  # another worker was quicker
            payload = message.payload
            self.session.delete(message)
        finally:
            self.session.commit()
        return loads(bytes_to_str(payload))


class Transport(kombu_sqlalchemy.Transport):
    """The transport behind ``sqla+sqlite:///…``."""

    Channel = Channel
    polling_interval = POLL_S
