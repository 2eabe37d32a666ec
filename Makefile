# The two commands: `make demo` (set-up plus the main job), `make test` (set-up plus all tests).
# On Windows without make, README.md shows the same in plain pip.

PYTHON ?= python3
VENV ?= .venv
ifeq ($(OS),Windows_NT)
BIN := $(VENV)/Scripts
else
BIN := $(VENV)/bin
endif
STAMP := $(VENV)/.lukewarm-installed

# The tests start many processes; without compiled modules kept, each would compile all of them anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test lint audit wheel docs validation sample-logs clean

demo: $(STAMP)
	$(BIN)/lukewarm demo

test: $(STAMP) lint
	$(BIN)/python -m pytest -n auto --dist loadscope --no-loadscope-reorder $(PYTEST_ARGS)

lint: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

audit: $(STAMP)
	PYTHON=$(BIN)/python .ci/audit

wheel:
	PYTHON=$(PYTHON) .ci/wheel

docs: $(STAMP)
	$(BIN)/python -m docs.site build/site

validation: $(STAMP)
	$(BIN)/python benchmarks/validation.py $(VALIDATION_ARGS)

sample-logs: $(STAMP)
	$(BIN)/python -m sample_logs.simulator

$(STAMP): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable ".[dev]"
	$(BIN)/python -c "import pathlib; pathlib.Path('$(STAMP)').touch()"

clean:
	$(PYTHON) -c "import shutil; shutil.rmtree('$(VENV)', ignore_errors=True)"
