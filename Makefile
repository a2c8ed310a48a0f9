# Targets are described by `make help`. PYTHON=/path/to/python3 chooses the interpreter.

SHELL := /bin/sh
.DEFAULT_GOAL := help
.PHONY: help demo test lock format clean distclean

BIN := .venv/bin
JOBS ?= 2
UV ?= uv
UPGRADE ?=
export PYTHON

help: ## Show this list
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/  make \1|\2/p' Makefile | awk -F'|' '{ printf "%-18s %s\n", $$1, $$2 }'

demo: ## Install what is needed into .venv and run the demonstration
	@scripts/venv runtime
	$(BIN)/tapewright demo --force

test: ## Every check: style, types, import rules, tests
	@scripts/venv dev
	@scripts/debian-packages
	$(BIN)/python -m ruff check .
	$(BIN)/python -m ruff format --check .
	$(BIN)/python -m mypy
	$(BIN)/lint-imports --no-logo
	$(BIN)/python -m pytest -n $(JOBS) --dist worksteal

format: ## Format the code and apply the safe fixes
	@scripts/venv dev
	$(BIN)/python -m ruff check --fix-only .
	$(BIN)/python -m ruff format .

# The development lock is constrained by the runtime lock, so that both hold the same pins and one
# virtual environment serves both. The benchmarks' lock holds only what they add to that.
COMPILE = "$(UV)" pip compile --quiet --no-config --universal --python-version 3.11 --generate-hashes \
	--no-emit-index-url --no-emit-find-links --no-header --only-binary :all: $(UPGRADE)

lock: ## Make the lock files anew from pyproject.toml (UPGRADE=--upgrade: newest versions)
	@command -v "$(UV)" >/dev/null || { echo "tapewright: make lock needs uv; install it, or name it with: make lock UV=/path/to/uv" >&2; exit 1; }
	$(COMPILE) --group build pyproject.toml -o requirements.lock
	$(COMPILE) --group build --group dev -c requirements.lock pyproject.toml -o requirements-dev.lock
	$(COMPILE) --group pyproject.toml:benchmark -o requirements-benchmark.lock
	@if grep -nE '://|^-|^/' requirements*.lock; then \
		echo "tapewright: a lock names an index or a path; see above" >&2; exit 1; fi

clean: ## Remove caches and build products
	rm -rf build dist .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache
	find src tests scripts -type d -name __pycache__ -prune -exec rm -rf {} +

distclean: clean ## Remove .venv as well
	rm -rf .venv
