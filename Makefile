# The doors to the project. `make run` and `make test` do all set-up themselves.
.DEFAULT_GOAL := help
.PHONY: help run test setup setup-dev check lint fix bench lock
PYTHON ?= python3
PY := .venv/bin/python
BIN := .venv/bin
SOURCES := keyslip curriculum lessons reviews tests manage.py
TEMPLATES := find templates -name '*.html' -print0
# Django's own checks need a data folder; they do not get yours.
CHECKED := KEYSLIP_DATA=$(CURDIR)/.venv/checked-data
# Processes for tests: as many as the small computers this is meant for have cores.
N ?= 2
export PYTHON

help:
	@echo 'make run          all set-up, then Keyslip on http://127.0.0.1:8000 (PORT=8001 for another port)'
	@echo 'make run LAN=1    the same, also for phones in the house, with https'
	@echo 'make test         all set-up, then every test (ARGS="-k word" for some)'
	@echo 'make setup        the environment in .venv, nothing started; make setup-dev adds what tests need'
	@echo 'make check        formatters, linters, types, layers, migrations and every test; make lint leaves the tests out'
	@echo 'make fix          repair what can be repaired'
	@echo 'make bench        the benchmarks in tests/bench, each with a table'
	@echo 'make lock         lock files anew from pyproject.toml'

run: setup
	@$(PY) manage.py up $(if $(filter 1 yes true on,$(LAN)),--lan) $(if $(PORT),--port $(PORT))

test: setup-dev
	$(PY) -m pytest -n $(N) --dist worksteal $(ARGS)

setup: .venv/installed
setup-dev: .venv/installed-dev

.venv/installed: requirements.lock requirements-uv.lock .ci/install.sh
	@sh .ci/install.sh requirements.lock
	@touch $@

.venv/installed-dev: requirements-dev.lock requirements-uv.lock .ci/install.sh
	@sh .ci/install.sh requirements-dev.lock
	@touch .venv/installed $@

check: lint test

# Each on its own, so that `make -k lint` tells everything at once.
LINTS := lint-format lint-code lint-templates lint-markup lint-types lint-layers lint-settings lint-migrations
.PHONY: $(LINTS)
lint: $(LINTS)
$(LINTS): setup-dev
lint-format:
	$(BIN)/ruff format --check $(SOURCES)
lint-code:
	$(BIN)/ruff check $(SOURCES)
lint-templates:
	@$(TEMPLATES) | xargs -0 $(BIN)/djade --check --target-version 5.2
lint-markup:
	@$(TEMPLATES) | xargs -0 $(BIN)/djlint --lint --quiet
lint-types:
	$(BIN)/mypy
lint-layers:
	$(BIN)/lint-imports
lint-settings:
	$(CHECKED) $(PY) manage.py check --fail-level WARNING
lint-migrations:
	$(CHECKED) $(PY) manage.py makemigrations --check --dry-run

fix: setup-dev
	-$(BIN)/ruff check --fix $(SOURCES)
	$(BIN)/ruff format $(SOURCES)
	$(TEMPLATES) | xargs -0 $(BIN)/djade --target-version 5.2

bench: setup-dev
	@for file in tests/bench/[a-z]*.py; do echo "== $$file"; $(PY) "$$file" || exit 1; done

# No lock may name an address: packages come from wherever the reader's own installer is set up to look.
COMPILE := $(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-annotate
lock: setup-dev
	$(COMPILE) $(UPGRADE) pyproject.toml --output-file requirements.lock >/dev/null
	$(COMPILE) $(UPGRADE) pyproject.toml --extra dev --constraint requirements.lock --output-file requirements-dev.lock >/dev/null
	@if grep -nE 'https?://|index-url|find-links|"resolved"' requirements*.lock; then echo 'A lock names an address.' >&2; exit 1; fi
