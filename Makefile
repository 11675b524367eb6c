# Everything a person types. `make help` lists it.

PORT ?= 8000
PYTHON ?= python3
WORKERS ?= 2
UV ?= uv
PY := .venv/bin/python
WORDS := $(patsubst %.po,%.mo,$(wildcard locale/*/LC_MESSAGES/django.po))
STATIC_ROOT := $(or $(BROODTIDE_STATIC_ROOT),static_built)
# Downloads are kept inside the checkout unless the machine says otherwise.
export PIP_CACHE_DIR ?= $(CURDIR)/build/pip
export PIP_DISABLE_PIP_VERSION_CHECK := 1
INSTALL := $(PY) -m pip install --quiet --require-hashes

.PHONY: help setup run test lint lint-style lint-types lint-layers lint-templates lint-security audit sbom lock words pictures
.DEFAULT_GOAL := help

help: ## This list
	@sed -n 's/^\([a-z]*\):[^#]*## /  make \1\t/p' Makefile | expand -t 16
	@echo "  make run PORT=8123 picks the port, make run EMPTY=1 starts without the practice season"

setup: .venv/run.stamp $(STATIC_ROOT)/staticfiles.json $(WORDS) ## Install what running needs, into .venv

run: setup ## Start web, worker and minute sweep; Ctrl-C stops them
	@exec $(PY) manage.py run_embedded --port "$(PORT)" $(if $(filter-out 0,$(EMPTY)),--empty)

test: .venv/test.stamp $(WORDS) ## Run the tests on SQLite, without services or browser
	@env -u BROODTIDE_DATABASE_URL -u BROODTIDE_REDIS_URL -u BROODTIDE_NO_SKIP BROODTIDE_NO_BROWSER=1 \
		OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m pytest -q --tb=short -n $(WORKERS) --dist worksteal

lint: lint-style lint-types lint-layers lint-templates lint-security ## Style, types, layers, templates, security

lint-style: .venv/lint.stamp
	.venv/bin/ruff check .
	.venv/bin/ruff format --check .

lint-types: .venv/lint.stamp
	.venv/bin/mypy .

lint-layers: .venv/lint.stamp
	.venv/bin/lint-imports

lint-templates: .venv/lint.stamp
	.venv/bin/djlint --lint --quiet templates

words: .venv/run.stamp ## Take up what the source says anew into the catalogues of the translators
	@$(PY) manage.py words

lint-security: .venv/lint.stamp
	.venv/bin/bandit -c pyproject.toml --quiet --severity-level medium -r accounts breeding config scheduling viz manage.py

audit: .venv/lint.stamp ## Known weaknesses of what the locks name (asks the advisories; says so when it cannot)
	@$(PY) .ci/audit.py

sbom: .venv/lint.stamp ## Write the parts that an installation is made of into build/sbom.json (CycloneDX)
	@$(PY) .ci/sbom.py

pictures: .venv/test.stamp ## Take the pictures of the docs from a running practice season (SITE=http://…)
	@$(PY) docs/pictures.py $(SITE)
SITE ?= http://127.0.0.1:$(PORT)

lock: ## Work out the hashed locks anew (needs uv; set UV=path to it)
	$(UV) pip compile $(LOCK) pyproject.toml -o requirements/run.txt
	$(UV) pip compile $(LOCK) -c requirements/run.txt --extra fast pyproject.toml -o requirements/fast.txt
	$(UV) pip compile $(LOCK) -c requirements/run.txt --group test -o requirements/test.txt
	$(UV) pip compile $(LOCK) -c requirements/run.txt -c requirements/test.txt --group lint -o requirements/lint.txt
LOCK := --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header

.venv/bin/python:
	@command -v $(PYTHON) >/dev/null || { echo "Python 3.11 or newer is needed: no $(PYTHON) here."; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Python 3.11 or newer is needed; $(PYTHON) is older."; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { echo "Python's venv is missing. On Debian: apt install python3-venv"; exit 1; }
	@echo "Making .venv"
	@$(PYTHON) -m venv .venv

.venv/run.stamp: requirements/run.txt | .venv/bin/python
	@echo "Installing what running needs (once, and after each change of the lock)"
	@$(INSTALL) -r requirements/run.txt
	@touch $@

.venv/test.stamp: requirements/test.txt .venv/run.stamp
	@echo "Installing what the tests need"
	@$(INSTALL) -r requirements/test.txt
	@touch $@

.venv/lint.stamp: requirements/lint.txt .venv/test.stamp
	@echo "Installing what the checks need"
	@$(INSTALL) -r requirements/lint.txt
	@touch $@

$(STATIC_ROOT)/staticfiles.json: .venv/run.stamp $(shell find static -type f 2>/dev/null)
	@$(PY) manage.py collectstatic --no-input --verbosity 0

# Compiled catalogues are made where they are needed; a run compiles all that have changed.
%.mo: %.po .venv/run.stamp
	@$(PY) manage.py words --compile && touch -c $@
