# Everything a developer or an operator runs. Needs make and Python 3.11 or newer with venv, nothing else.
#
# Variables: PORT, DATA_DIR and DATABASE_URL go to the service as they are; PYTHON names the
# interpreter that makes the virtual environment; VENV names its folder.

.POSIX:
.SUFFIXES:
SHELL = /bin/sh

VENV ?= .venv
PIP_FLAGS ?= --only-binary :all:
PYTEST_FLAGS ?=
TEST_LIMIT_S ?= 2700
FUZZ_EXAMPLES ?= 1000
MINUTES ?= 15
SEED ?= 1
FILE ?=

BIN = $(VENV)/bin
PY = $(BIN)/python
MADE = $(VENV)/.made
PIP_INSTALL = $(PY) -m pip install --quiet --disable-pip-version-check --no-input --require-hashes $(PIP_FLAGS)
RUNTIME = $(VENV)/.runtime-installed
TESTING = $(VENV)/.tests-installed
PURE = service/domain/*,service/engineering/*,service/ledger/*,service/units/*,service/canonical.py,service/errors.py

.PHONY: help serve demo test lint check check-postgres fuzz coverage torture bench cross-checks openapi rebuild verify-log backup lock clean

help: ## Show this list
	@echo "Usage: make TARGET [PORT=8000] [DATA_DIR=.data] [DATABASE_URL=...] [PYTHON=python3]"
	@echo
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  %-16s %s\n", $$1, $$2 }' Makefile

serve: $(RUNTIME) ## Install, migrate the database and serve
	@$(PY) -m service migrate
	@exec $(PY) -m service serve

demo: $(RUNTIME) ## Fill a service with an invented plant and print a guided tour
	@exec $(PY) -m service demo

rebuild: $(RUNTIME) ## Make every projection again from the log and report differences
	@exec $(PY) -m service rebuild

verify-log: $(RUNTIME) ## Examine every log in full: bytes, chains, tree, checkpoints, documents, words
	@exec $(PY) -m service verify-log

backup: $(RUNTIME) ## Write a backup to the new file FILE, while the service goes on
	@if [ -z "$(FILE)" ]; then echo "FILE=... names the new file" >&2; exit 2; fi
	@exec $(PY) -m service backup "$(FILE)"

test: $(TESTING) ## Run every test, on SQLite and on a real PostgreSQL
	@$(PY) -m pytest --session-timeout=$(TEST_LIMIT_S) $(PYTEST_FLAGS)

lint: $(TESTING) ## Style, types, floors, openapi.yaml against the routes, container files
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(PY) -m service openapi --check
	$(BIN)/hadolint docker/Dockerfile
	$(BIN)/yamllint --strict --config-file docker/yamllint.yaml docker

check: lint test ## Everything: lint, then test

check-postgres: $(TESTING) ## Run the tests that need PostgreSQL; fails where none can be had
	@CI=true $(PY) -m pytest -m postgres --session-timeout=$(TEST_LIMIT_S) $(PYTEST_FLAGS)

fuzz: $(TESTING) ## Long run of generated requests (FUZZ_EXAMPLES for each operation)
	@FUZZ_EXAMPLES=$(FUZZ_EXAMPLES) $(PY) -m pytest tests/fuzz --timeout=0 $(PYTEST_FLAGS)

coverage: $(TESTING) ## Branch coverage of the pure floors
	@$(PY) -m pytest tests/unit tests/validation tests/contract --quiet --cov=service --cov-branch --cov-report= --session-timeout=$(TEST_LIMIT_S) $(PYTEST_FLAGS)
	@$(BIN)/coverage report --include='$(PURE)'

torture: $(TESTING) ## Kill and starve two servers at random, MINUTES on each engine, and look for what was lost
	@for engine in sqlite postgresql; do \
	    $(PY) -m tests.torture --engine $$engine --minutes $(MINUTES) --seed $(SEED) || exit 1; \
	done

bench: $(TESTING) ## Times as ratios: requests, appends, exports, proofs, catching up, weighing lines
	@PYTHONPATH=. $(PY) benchmarks/in_process.py
	@PYTHONPATH=. $(PY) benchmarks/log.py
	@PYTHONPATH=. $(PY) benchmarks/lines.py

cross-checks: $(TESTING) ## Hold the frame solver against published solutions and two other packages; print the table
	@PYTHONPATH=. $(PY) benchmarks/cross_checks.py

openapi: $(RUNTIME) ## Write openapi.yaml from the routes
	@exec $(PY) -m service openapi --write

lock: $(TESTING) ## Resolve the dependencies of pyproject.toml again and write both locks
	@set -e; \
	resolve() { \
	    lock="$$1"; shift; \
	    { echo '# Made by `make lock` from pyproject.toml: every platform, every file with its hash.'; \
	      $(BIN)/uv pip compile --quiet --no-config --universal --python-version 3.11 --generate-hashes \
	        --no-header --no-annotate --no-emit-index-url --no-emit-find-links "$$@" pyproject.toml; \
	    } > "$$lock.new"; \
	    mv "$$lock.new" "$$lock"; \
	}; \
	resolve requirements.lock; \
	resolve tests/requirements.lock --group test --constraints requirements.lock; \
	if grep -n '://' requirements.lock tests/requirements.lock; then \
	    echo "A lock names a host." >&2; exit 1; \
	fi

clean: ## Remove the virtual environment and the caches; data stay
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis .coverage .schemathesis
	find service tests -name __pycache__ -type d -prune -exec rm -rf {} +

# PYTHON where it is given; else the first of 3.11 to 3.14, for which every requirement has a wheel;
# failing that, anything newer.
$(PY):
	@set -e; \
	chosen=; newer=; \
	if [ -n "$(PYTHON)" ]; then set -- "$(PYTHON)"; \
	else set -- python3 python3.14 python3.13 python3.12 python3.11 python; fi; \
	for each; do \
	    minor=$$("$$each" -c 'import sys; print(sys.version_info[1] if sys.version_info[0] == 3 else 0)' 2>/dev/null) || continue; \
	    if [ "$$minor" -ge 11 ] && [ "$$minor" -le 14 ]; then chosen="$$each"; break; fi; \
	    if [ "$$minor" -gt 14 ] && [ -z "$$newer" ]; then newer="$$each"; fi; \
	done; \
	chosen="$${chosen:-$$newer}"; \
	if [ -z "$$chosen" ]; then \
	    echo "Python 3.11 or newer is needed; not found as: $$*. PYTHON=/path/to/python names one." >&2; exit 1; \
	fi; \
	echo "Making $(VENV) with $$("$$chosen" --version)"; \
	rm -rf "$(VENV)"; \
	"$$chosen" -m venv "$(VENV)" || { \
	    rm -rf "$(VENV)"; \
	    echo "$$chosen cannot make virtual environments; on Debian, install its python3-venv package." >&2; exit 1; \
	}

# Dated apart: the interpreter's own date is that of the Python it came from.
$(MADE): $(PY)
	@touch $@

$(RUNTIME): requirements.lock $(MADE)
	@echo "Installing the service's requirements"
	@$(PIP_INSTALL) -r requirements.lock
	@touch $@

# The tests' lock holds the service's own requirements too, at the same versions.
$(TESTING): tests/requirements.lock requirements.lock $(MADE)
	@echo "Installing the service's and the tests' requirements"
	@$(PIP_INSTALL) -r tests/requirements.lock
	@touch $(RUNTIME) $@
