# Two commands do everything on a fresh machine with Python 3.11 or newer:
#   make demo    three demo cards, offloaded to three drives, verified; may a card be wiped?
#   make test    style, types, imports and the whole test suite; stops after the quick part where that fails
# Another Python: make test PYTHON=python3.12

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO := .demo
# one more than the two processors this is meant for: many tests wait, for a device or for time to pass
WORKERS ?= 3
PYTEST_ARGS ?=

PIP := $(BIN)/python -m pip -qq --disable-pip-version-check
INSTALLED := $(VENV)/installed
INSTALLED_DEV := $(VENV)/installed-dev

# what Python compiled once need not be compiled again by each of the hundreds of commands that tests start
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help demo environment test tests quick check docs screens schema wheel bench clean

help:
	@echo "make demo       offload and verify the demo cards; shows the verdict and where to look"
	@echo "make quick      style, types, import contract, the tests of each room and one way through each job"
	@echo "make test       the same, then the tests of whole jobs, of attacks and on real devices"
	@echo "make check      style, types and import contract alone"
	@echo "make docs       write the generated pages of docs/ anew"
	@echo "make screens    take the pictures of the real screens anew"
	@echo "make schema     write the JSON Schema of the records anew"
	@echo "make wheel      build the wheel into dist/"
	@echo "make bench      every row of the table of targets, into docs/benchmarks.md (SIZE=small: minutes, full: an hour)"
	@echo "make fuzz       every parser under a coverage-guided fuzzer; FUZZ_ARGS='--seconds 600' (Linux, atheris)"
	@echo "make campaign   thousands of kills, power cuts and flipped bits on real drives, every call failed, a manifest of 500 MB (hours; root)"

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || { \
	  echo "Rollproof needs Python 3.11 or newer, and '$(PYTHON)' is $$($(PYTHON) --version 2>/dev/null || echo not there)." >&2; \
	  echo "Name another one, for example: make $(firstword $(MAKECMDGOALS)) PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -m venv $(VENV) || { \
	  echo "No virtual environment could be made. On Debian and Ubuntu: apt-get install python3-venv" >&2; exit 1; }

$(INSTALLED): pyproject.toml | $(BIN)/python
	@echo "installing Rollproof into $(VENV)"
	@$(PIP) install --editable '.[media,blake3]'
	@touch $@

$(INSTALLED_DEV): pyproject.toml | $(BIN)/python
	@echo "installing Rollproof and what its tests need into $(VENV)"
	@$(PIP) install --editable '.[dev,media,blake3]'
	@touch $@ $(INSTALLED)

demo: $(INSTALLED)
	@$(BIN)/python tools/demo.py $(DEMO)

check: $(INSTALLED_DEV)
	$(BIN)/ruff check --quiet .
	$(BIN)/ruff format --check --quiet .
	$(BIN)/mypy src tests tools demo_media
	$(BIN)/lint-imports

environment: $(INSTALLED_DEV)

# everything in one run, without the checks
tests: $(INSTALLED_DEV)
	$(BIN)/pytest -n $(WORKERS) $(PYTEST_ARGS)

quick: check
	$(BIN)/pytest -n $(WORKERS) -m "not slow" $(PYTEST_ARGS)

test: quick
	$(BIN)/pytest -n $(WORKERS) -m slow $(PYTEST_ARGS)

docs: $(INSTALLED_DEV) schema
	$(BIN)/python tools/make_docs.py

screens: $(INSTALLED_DEV)
	$(BIN)/python tools/make_screens.py

schema: $(INSTALLED_DEV)
	@$(BIN)/python -m rollproof.records.schema > $(VENV)/record.schema.json
	@mv $(VENV)/record.schema.json docs/record.schema.json

wheel: $(INSTALLED_DEV)
	$(BIN)/python -m build --wheel --no-isolation --outdir dist .

SIZE ?= middle
bench: $(INSTALLED_DEV)
	$(BIN)/python tests/benchmarks/run.py --size $(SIZE) $(BENCH_ARGS)

ifneq ($(wildcard tests/campaigns/run.py),)
.PHONY: campaign
campaign: $(INSTALLED_DEV)
	PYTHONPATH=tests $(BIN)/python -m campaigns.run $(CAMPAIGN_ARGS)
	PYTHONPATH=tests $(BIN)/python -m campaigns.protections
	ROLLPROOF_CAMPAIGN=1 $(BIN)/pytest -n $(WORKERS) --dist load tests/faults/test_sweep.py \
	  tests/faults/test_sweep_verify.py tests/faults/test_sweep_may_wipe.py tests/faults/test_hangs_of_commands.py
	ROLLPROOF_LONG_MANIFEST_MB=500 $(BIN)/pytest -n 0 --timeout 3600 --durations 3 tests/hostile/test_memory.py -k "long and manifest"
endif

# atheris brings a compiled fuzzer for some Pythons only: an environment of its own, so that nothing else needs it
FUZZ_VENV := .venv-fuzz
.PHONY: fuzz
fuzz: pyproject.toml
	@test -x $(FUZZ_VENV)/bin/python || $(PYTHON) -m venv $(FUZZ_VENV)
	@$(FUZZ_VENV)/bin/python -m pip -qq --disable-pip-version-check install --editable '.[dev,media,fuzz]'
	PYTHONPATH=tests $(FUZZ_VENV)/bin/python -m fuzz.run $(FUZZ_ARGS)

clean:
	rm -rf $(DEMO) dist build
