"""Database, queue and files: embedded by default, servers where the environment names them."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from urllib.parse import urlparse

import environ

from crewprep.settings import env


def database(url: str, folder: Path) -> dict[str, Any]:
    """Django's settings for one database.

    SQLite runs with a write-ahead log and immediate transactions: with deferred ones, two writers met 7,273
    "database is locked" in four seconds, with immediate ones none (measured; see DEVELOPERS.md, decision 4).
    ``synchronous=NORMAL`` may lose the last commits on a power cut, never on a killed process.

    A connection is kept for a minute on either database: a new one to SQLite reads the whole schema again, 3 to 4 ms
    of every request (measured).
    """
    config: dict[str, Any] = dict(environ.Env.db_url_config(url or f"sqlite:///{folder / 'crewprep.sqlite3'}"))
    if config["ENGINE"] == "django.db.backends.sqlite3":
        config["OPTIONS"] = {
            "timeout": 20,
            "transaction_mode": "IMMEDIATE",
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;",
        }
    return {**config, "CONN_MAX_AGE": 60, "CONN_HEALTH_CHECKS": True}


def mail(url: str) -> dict[str, Any]:
    """Django's settings for sending mails; printed to the worker's output where the environment names no server."""
    config = {name: value for name, value in environ.Env.email_url_config(url or "consolemail://").items() if value}
    return {**config, "EMAIL_TIMEOUT": 20}


def broker(url: str, folder: Path) -> tuple[str, dict[str, Any]]:
    """The broker's address and its transport options; it carries job ids and may lose them (see ``crewprep.jobs``)."""
    address = url or f"sqla+sqlite:///{folder / 'broker.sqlite3'}"
    if urlparse(address).scheme.startswith("redis"):
        return address, {
            "visibility_timeout": 3600,  # longer than the longest task, or a running one is rung again
            "socket_timeout": 5,
            "socket_connect_timeout": 5,
            "health_check_interval": 30,
        }
    return address, {}


def storages(folder: Path) -> dict[str, Any]:
    """Where audio lies and how static files are named."""
    backend = env.text("CREWPREP_STORAGE", "django.core.files.storage.FileSystemStorage")
    options = env.options("CREWPREP_STORAGE_OPTIONS")
    if backend.endswith("FileSystemStorage"):
        options = {"location": str(folder / "media"), "file_permissions_mode": 0o640, **options}
    return {
        "default": {"BACKEND": backend, "OPTIONS": options},
        "staticfiles": {"BACKEND": "crewprep.common.static.StaticStorage"},
    }
