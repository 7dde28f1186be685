"""The DOM-free modules of the pages under ``node --test``, where Node is installed; the product itself needs none."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from django.conf import settings

from tests.js import make_addresses

JS = Path(settings.BASE_DIR) / "crewprep" / "static" / "crewprep" / "js"
TESTS = sorted((Path(settings.BASE_DIR) / "tests" / "js").glob("*.test.mjs"))
NODE = shutil.which("node")
LEAST = (20, 19)
"""The first release that reads ``export`` in a ``.js`` file without a package.json."""


@pytest.fixture(scope="module")
def node() -> str:
    if NODE is None:
        pytest.skip("node is not installed; these scripts are also walked in a browser")
    found = re.match(r"v(\d+)\.(\d+)", subprocess.run([NODE, "--version"], capture_output=True, text=True).stdout)
    if found is None or (int(found[1]), int(found[2])) < LEAST:
        pytest.skip(f"node is older than {LEAST[0]}.{LEAST[1]}")
    return NODE


@pytest.mark.parametrize("file", TESTS, ids=lambda path: path.name)
def test_logic(node: str, file: Path) -> None:
    run = subprocess.run([node, "--test", str(file)], capture_output=True, text=True, timeout=120)
    assert run.returncode == 0, run.stdout + run.stderr


@pytest.mark.parametrize("file", sorted(JS.glob("*.js")), ids=lambda path: path.name)
def test_every_module_parses(node: str, file: Path) -> None:
    run = subprocess.run(
        [node, "--input-type=module", "--check"], input=file.read_text(), capture_output=True, text=True, timeout=60
    )
    assert run.returncode == 0, run.stderr


def test_the_server_still_gives_the_addresses_that_the_scripts_are_tested_with() -> None:
    """After a deliberate change: ``make_addresses.TARGET.write_text(make_addresses.text())``."""
    assert make_addresses.TARGET.read_text(encoding="utf-8") == make_addresses.text()


def test_modules_import_each_other_by_relative_names_and_leave_no_globals() -> None:
    for file in JS.glob("*.js"):
        text = file.read_text()
        for source in re.findall(r'from "([^"]+)"', text):
            assert source.startswith("./"), f"{file.name} imports {source}"
            assert (JS / source).exists(), f"{file.name} imports {source}"
        assert not re.search(r"\b(?:eval|new Function|innerHTML|document\.write)\b|window\.\w+ = ", text), file.name
