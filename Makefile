# make demo | test | proof | kills | lint | types | check | clean     Each sets up what it needs and asks nothing.
# make demo ARGS="--seed 3"     make test ARGS="-k spool"     make PYTHON=python3.12 test

PYTHON ?= python3
ARGS ?=
EXTRAS := dask,dev,influx,postgres
# program=Debian package that brings it; the tests that need one are skipped where it is missing
TEST_PROGRAMS := mosquitto=mosquitto mosquitto_pub=mosquitto-clients docker-compose=docker-compose influxd=influxdb nginx=nginx pg_createcluster=postgresql smsbox=kannel /usr/lib/kannel/test/fakesmsc=kannel-extras gammu-smsd=gammu-smsd openssl=openssl chromium=chromium

BIN := .venv/bin
INSTALLED := .venv/.installed

.PHONY: help demo test proof kills lint types check clean programs
.DEFAULT_GOAL := help

help:
	@sed -n '1,2s/^# //p' Makefile

demo: $(INSTALLED)
	$(BIN)/skidhand demo $(ARGS)

test: $(INSTALLED) programs
	$(BIN)/python -m pytest -n auto --dist loadfile --no-loadscope-reorder $(ARGS)

# Hours; stopped and started again it goes on where it was. ARGS="--jobs 2", ARGS="--tenth"
proof: $(INSTALLED)
	$(BIN)/python -m benchmarks.proof --json docs/results/proof.json $(ARGS)

# The fault suite's kills of ingest, more of them than a test run allows, every message audited: KILLS=1000 takes about
# ten minutes. KILLS=300 SEED=7
KILLS ?= 1000
SEED ?= 1
kills: $(INSTALLED) programs
	SKIDHAND_KILLS=$(KILLS) SKIDHAND_KILL_SEED=$(SEED) $(BIN)/python -m pytest -n 0 tests/faults/test_ingest_killed.py $(ARGS)

lint: $(INSTALLED)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(INSTALLED)
	$(BIN)/mypy

check: lint types test

clean:
	rm -rf .venv build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis

programs:
	@sh .ci/debian-packages $(TEST_PROGRAMS)

# Installed anew only when pyproject.toml changes; the package itself is editable.
$(INSTALLED): pyproject.toml
	@command -v $(PYTHON) >/dev/null || { echo "skidhand needs Python 3.11 or newer, and there is no '$(PYTHON)'; name another: make PYTHON=..." >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "skidhand needs Python 3.11 or newer, and '$(PYTHON)' is $$($(PYTHON) -V 2>&1); name another: make PYTHON=..." >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip' 2>/dev/null || { echo "'$(PYTHON)' cannot make a virtual environment (Debian: apt-get install python3-venv)" >&2; exit 1; }
	@$(BIN)/python -m pip --version >/dev/null 2>&1 || $(PYTHON) -m venv --clear .venv
	@echo "Installing skidhand into .venv (some minutes the first time) ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-input -e '.[$(EXTRAS)]'
	@touch $@
