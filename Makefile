# Set-up, checks and the demo. Users of the installed command need no make (see README.md).
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready
KERNEL_TESTS := -m kernel -p no:cacheprovider

.PHONY: demo test check bench soak lock clean

demo: $(READY)
	@.ci/opengl $(BIN)/python
	$(BIN)/moldplan demo --out owl-plan || test $$? -eq 3

test: $(READY)
	@.ci/opengl $(BIN)/python
	$(BIN)/python -m pytest -n 2
	NUMBA_BOUNDSCHECK=1 NUMBA_CACHE_DIR=$(VENV)/numba-checked $(BIN)/python -m pytest -n 2 $(KERNEL_TESTS)
	NUMBA_DISABLE_JIT=1 $(BIN)/python -m pytest -n 2 $(KERNEL_TESTS) --cov=moldplan.columns --cov-report=term-missing:skip-covered --cov-fail-under=90

check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: $(READY)
	for script in benchmarks/bench_*.py; do $(BIN)/python $$script || exit 1; done

soak: $(READY)
	$(BIN)/python -m pytest -m soak -o addopts="-q --strict-markers"

# The versions everybody tests with. Run after changing the ranges in pyproject.toml.
lock: $(READY)
	$(BIN)/python -m pip install -q uv
	$(BIN)/uv pip compile pyproject.toml --extra dev --universal --python-version 3.11 --no-header --no-annotate --no-emit-index-url -q -o requirements.lock

clean:
	rm -rf $(VENV) owl-plan build dist

$(READY): requirements.lock pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install -q --disable-pip-version-check -r requirements.lock
	$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps -e .
	touch $(READY)
