"""System checks: tell the operator what is missing before a member meets it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from typing import Any

from django.apps import AppConfig
from django.conf import settings
from django.core.checks import CheckMessage, Error, Warning, register

LOW_SPACE_BYTES = 1024**3


@register()
def folders_are_writable(app_configs: Sequence[AppConfig] | None, **kwargs: Any) -> list[CheckMessage]:
    """The folder for data must be writable and have room for at least one upload and its listening copy."""
    if not os.access(settings.VAR_DIR, os.W_OK):
        return [
            Error(
                f"{settings.VAR_DIR} cannot be written to.",
                hint="Give this user write access, or name another folder in CREWPREP_VAR.",
                id="crewprep.E001",
            )
        ]
    if shutil.disk_usage(settings.VAR_DIR).free < LOW_SPACE_BYTES:
        return [
            Warning(
                f"Less than 1 GB is free for {settings.VAR_DIR}.",
                hint="Free some space: a track needs about 100 MB while it is analysed.",
                id="crewprep.W001",
            )
        ]
    return []
