# make demo: set up .venv and run the demo; make test: the tests; make check: the static gates.
PYTHON ?= python3
CORES ?= 2
BIN := .venv/bin

.PHONY: demo test test-long check bench clean

.venv/ready: requirements.lock
	$(PYTHON) -m venv .venv
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pipeline.warm
	touch $@

demo: .venv/ready
	$(BIN)/snakemake --cores $(CORES) --configfile demo_gis/demo.yaml --quiet rules host

test: .venv/ready
	$(BIN)/python -m pytest -n $(CORES) --dist loadgroup -m "not slow"

test-long: .venv/ready
	$(BIN)/python -m pytest -n $(CORES) --dist loadgroup

check: .venv/ready
	$(BIN)/ruff check .
	$(BIN)/snakefmt --check Snakefile pipeline/rules
	$(BIN)/mypy
	$(BIN)/python tests/lint_workflow.py

bench: .venv/ready
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m bench.run

clean:
	rm -rf results work .snakemake changes.csv changes.html
