"""Static files as they are served: hashed names, in our modules' imports too."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import call_command
from django.test import override_settings

from crewprep.common.static import SHEETS, joined_path, sheet_path


@pytest.fixture
def collected(tmp_path: Path) -> Path:
    storages = {**settings.STORAGES, "staticfiles": {"BACKEND": "crewprep.common.static.StaticStorage"}}
    with override_settings(STORAGES=storages, STATIC_ROOT=tmp_path):
        call_command("collectstatic", interactive=False, verbosity=0)
    return tmp_path


def test_every_import_of_our_modules_names_a_file_that_is_there(collected: Path) -> None:
    hashed = [path for path in (collected / "crewprep/js").glob("*.js") if re.search(r"\.[0-9a-f]{12}\.js$", path.name)]
    imports = [
        (path, name)
        for path in hashed
        for name in re.findall(r'^(?:import|export)\b[^;]*?from "(\.[^"]+)"', path.read_text(), flags=re.MULTILINE)
    ]
    assert len(hashed) > 5
    assert imports
    for path, name in imports:
        assert re.search(r"\.[0-9a-f]{12}\.js$", name), f"{path.name} imports {name}, which may be stale in a browser"
        assert (path.parent / name).is_file()


def test_a_set_of_style_sheets_is_one_file_with_all_of_them_in_order(collected: Path) -> None:
    manifest = json.loads((collected / "staticfiles.json").read_text())["paths"]
    for name, parts in SHEETS.items():
        text = (collected / manifest[joined_path(name)]).read_text()
        at = [text.index((collected / sheet_path(part)).read_text().strip()) for part in parts]
        assert at == sorted(at)
        assert (collected / (manifest[joined_path(name)] + ".gz")).is_file()
