"""Imports go one way, and a process loads only what it needs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

HEAVY = ("librosa", "numpy", "scipy", "soundfile", "av", "numba")


def loaded_after(statement: str) -> set[str]:
    """Top-level modules that a fresh interpreter has loaded after a statement."""
    program = f"{statement}\nimport sys\nprint(*sorted({{name.split('.')[0] for name in sys.modules}}))"
    run = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(run.stdout.split())


def test_the_contracts_hold() -> None:
    run = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports")), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout


def test_importing_crewprep_urls_does_not_import_librosa() -> None:
    loaded = loaded_after(
        "import os; os.environ['DJANGO_SETTINGS_MODULE'] = 'crewprep.settings.test'\n"
        "import django; django.setup()\nimport crewprep.urls"
    )
    assert "django" in loaded
    assert not loaded & set(HEAVY)


def test_ringing_the_bell_does_not_import_librosa() -> None:
    loaded = loaded_after(
        "import os, uuid; os.environ['DJANGO_SETTINGS_MODULE'] = 'crewprep.settings.test'\n"
        "import django; django.setup()\nfrom crewprep.jobs.bell import ring\nassert ring(uuid.uuid4())"
    )
    assert "celery" in loaded
    assert not loaded & set(HEAVY)


@pytest.mark.parametrize(
    "module", ["analysis_worker.core.pipeline", "analysis_worker.__main__", "analysis_worker.child"]
)
def test_importing_analysis_worker_core_does_not_import_django(module: str) -> None:
    loaded = loaded_after(f"import {module}")
    assert "numpy" in loaded or module.endswith("child")
    assert not loaded & {"django", "celery", "kombu", "crewprep"}


@pytest.mark.parametrize("module", ["results", "convention", "errors", "limits", "sniff", "text"])
def test_what_the_domain_uses_of_the_core_is_standard_library(module: str) -> None:
    loaded = loaded_after(f"import analysis_worker.core.{module}")
    assert not loaded & {*HEAVY, "django"}
