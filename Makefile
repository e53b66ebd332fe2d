# Two commands: `make demo` and `make test`. Both set up what they need, quietly and only when needed.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO ?= demo
# Tests run in so many processes, one more than the cores: some wait for servers and programs.
# `pytest tests/signals` runs a folder in one.
PROCESSES ?= $(shell expr $$(nproc 2>/dev/null || echo 2) + 1)
# Every night starts programs: where Python is told to write nothing that it compiled, each of them
# would compile all of the package again.
COMPILE := $(BIN)/python -m compileall -q pipeline

.PHONY: demo test docs gallery check lint types secrets holes clean

$(VENV)/.run: pyproject.toml constraints.txt
	@test -x $(BIN)/python || { echo "Setting up $(VENV) ..."; $(PYTHON) -m venv $(VENV); }
	@echo "Installing what the pipeline needs ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[report]'
	@touch $@

$(VENV)/.test: $(VENV)/.run
	@echo "Installing what the tests need ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[test]'
	@touch $@

demo: $(VENV)/.run
	@$(COMPILE)
	@$(BIN)/quietsleep demo $(DEMO)

test: $(VENV)/.test
	@$(COMPILE)
	@$(BIN)/python -m tests.browser.find_browser
	@$(BIN)/python -m pytest -n $(PROCESSES)

docs: $(VENV)/.test
	@$(BIN)/python -m sphinx -W -q -b html docs build/docs
	@echo "Written to build/docs/index.html"

gallery: $(VENV)/.test demo
	@$(BIN)/python -m tests.browser.find_browser
	@$(BIN)/python -m tests.browser.gallery $(DEMO) docs/gallery

# One does not wait for another: `make --jobs 2 check`.
check: lint types docs secrets holes

lint: $(VENV)/.test
	@$(BIN)/ruff format --check .
	@$(BIN)/ruff check .

types: $(VENV)/.test
	@$(BIN)/mypy

secrets: $(VENV)/.test
	@$(BIN)/python -m benchmarks.planted_secrets

holes: $(VENV)/.test
	@$(BIN)/python -m benchmarks.audit

clean:
	@rm -rf $(VENV) $(DEMO) build *.egg-info
