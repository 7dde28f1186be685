# Each target sets itself up: a fresh machine needs Python 3.11 to 3.13 and make, nothing else.
.PHONY: up test lint bench accuracy corpus schema clean

PYTHON := $(shell for p in python3.13 python3.12 python3.11 python3 python; do \
	command -v $$p >/dev/null 2>&1 && $$p -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' 2>/dev/null \
	&& echo $$p && break; done)
PY := .venv/bin/python
export OMP_NUM_THREADS ?= 1

up: .venv/.installed
	@exec $(PY) manage.py up

test: .venv/.installed-dev
	@exec $(PY) -m pytest

lint: .venv/.installed-dev
	@.venv/bin/ruff check .
	@.venv/bin/ruff format --check .
	@.venv/bin/lint-imports
	@.venv/bin/mypy crewprep analysis_worker fixtures tests
	@$(PY) manage.py makemigrations --check --dry-run

bench: .venv/.installed-dev
	@exec $(PY) -m tests.bench

accuracy: .venv/.installed-dev
	@exec $(PY) -m tests.accuracy

corpus: .venv/.installed-dev
	@exec $(PY) -m fixtures.corpus

schema: .venv/.installed-dev
	@$(PY) manage.py spectacular --file crewprep/api/openapi.yml --validate --fail-on-warn

clean:
	rm -rf .venv build var

.venv/bin/python:
	@if [ -z "$(PYTHON)" ]; then \
		echo "crewprep needs Python 3.11, 3.12 or 3.13, and none was found. Install one and run make again." >&2; exit 1; fi
	@if ! $(PYTHON) -c 'import ensurepip, venv' 2>/dev/null; then \
		echo "$(PYTHON) cannot make a virtual environment. Install its venv module (Debian and Ubuntu: sudo apt install python3-venv) and run make again." >&2; exit 1; fi
	@echo "Making .venv with $$($(PYTHON) --version) ..."
	@$(PYTHON) -m venv .venv

.venv/.installed: .venv/bin/python pyproject.toml constraints.txt
	@echo "Installing; the first time takes a few minutes ..."
	@.venv/bin/pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	@touch $@

.venv/.installed-dev: .venv/.installed
	@.venv/bin/pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[dev]'
	@touch $@
