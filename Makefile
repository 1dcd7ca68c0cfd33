# The two commands of the README, `make demo` and `make test`, and what whoever carries on needs.
# Each sets up .venv first: once, and again only when the lock or pyproject.toml has changed.

.DEFAULT_GOAL := help
.PHONY: help setup demo test lint types wheel smoke docs sbom lock train compare benchmark throughput models clean

ENV := .venv
BIN := $(ENV)/bin
READY := $(ENV)/ready
PEERS := .venv-peers
PIP := $(BIN)/python -m pip --disable-pip-version-check --no-input --quiet

# Found even where the environment holds nothing at all.
export PATH ?= /usr/local/bin:/usr/bin:/bin

help:  ## this list
	@sed -n 's/^\([a-z]*\):.*## /make \1 - /p' Makefile

setup: $(READY)  ## the environment in .venv, from the hash-checked lock

# PYTHON=/path/to/python chooses the interpreter; else the first that is new enough and can make an environment.
$(READY): requirements.lock pyproject.toml
	@echo "setting up $(ENV), which takes a few minutes the first time"
	@for python in $(PYTHON) python3 python3.13 python3.12 python3.11 python; do \
	  if $$python -c 'import sys, ensurepip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; \
	  then exec $$python -m venv $(ENV); fi; \
	done; echo "make: found no Python 3.11 or newer with its venv module; set PYTHON=/path/to/python" >&2; exit 1
	$(PIP) install --require-hashes --requirement requirements.lock
	$(PIP) install --no-deps --no-build-isolation --editable .
	@echo "compiling for this machine, which takes half a minute the first time"
	@$(BIN)/python -c 'from faultml.assessing import compile_kernels; compile_kernels()'
	@touch $@

demo: $(READY)  ## a season of recordings, classified: leaves demo/results/report.html
	$(BIN)/faultml demo

# One thread a process. Three processes share two cores: tests that wait for a server would leave one idle.
test: export OMP_NUM_THREADS = 1
test: export OPENBLAS_NUM_THREADS = 1
test: $(READY)  ## all tests, on two cores
	$(BIN)/python -m pytest -n 3

lint: $(READY)  ## ruff: rules and format
	$(BIN)/ruff check --output-format concise .
	$(BIN)/ruff format --check .
	$(BIN)/codespell *.md docs/*.md docs/decisions models/*.md

# mypy cannot follow the mapping of folders to faultml.synthetic and the like, so it reads an unpacked wheel, and the
# benchmarks, which are in no wheel.
types: wheel  ## mypy, strict
	@rm -rf build/typed
	@$(BIN)/python -m zipfile -e dist/faultml-*.whl build/typed
	@cp -r pipelines/benchmarks build/typed/faultml/pipelines/
	cd build/typed && ../../$(BIN)/mypy --config-file ../../pyproject.toml --cache-dir ../../.mypy_cache -p faultml

# An old build/ would carry modules that were deleted since into the wheel.
wheel: $(READY)  ## the wheel, in dist/
	@rm -rf build/lib build/bdist.* dist
	$(BIN)/python -m build --quiet --wheel --no-isolation --outdir dist

smoke: wheel  ## the wheel in a clean environment outside the checkout
	.ci/smoke $(BIN)/python dist/faultml-*.whl

TOOLS := $(ENV)/tools-ready

# What only the documentation and the bill of materials need, in the versions that fit requirements.lock.
$(TOOLS): docs/tools.lock $(READY)
	$(PIP) install --require-hashes --requirement docs/tools.lock
	@touch $@

# Built from a copy, so that links between files lead the same way as in the checkout, and nothing generated lies in docs/.
docs: export OMP_NUM_THREADS = 1
docs: $(TOOLS)  ## the documentation, in build/docs: examples run, links and spelling are checked; nothing is fetched
	@rm -rf build/docs build/docs-source
	@mkdir -p build/docs-source/models
	@cp -r docs *.md CITATION.cff LICENSE build/docs-source/
	@cp models/*.md models/*.svg build/docs-source/models/
	$(BIN)/sphinx-build --quiet --fail-on-warning --keep-going --conf-dir build/docs-source/docs build/docs-source build/docs
	$(BIN)/python docs/check_site.py build/docs
	@echo "open build/docs/index.html"

sbom: $(TOOLS)  ## what the lock installs, as a bill of materials (CycloneDX), in build/sbom.json
	@mkdir -p build
	$(BIN)/cyclonedx-py requirements --output-reproducible --pyproject pyproject.toml --output-file build/sbom.json requirements.lock

lock:  ## requirements.lock anew, needs uv; ARGS=--upgrade takes newer releases
	uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
	  --all-extras --custom-compile-command "make lock" $(ARGS) --output-file requirements.lock pyproject.toml
	uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
	  --custom-compile-command "make lock" $(ARGS) --constraint requirements.lock --group docs --group sbom \
	  --output-file docs/tools.lock
	uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
	  --custom-compile-command "make lock" $(ARGS) --output-file pipelines/benchmarks/compare/peers.lock pipelines/benchmarks/compare/peers.in

train: $(READY)  ## the default model bundle anew, in models/
	$(BIN)/faultml train --out models --registry faultml-registry

# The peers hold numpy and pandas back and bring several gigabytes: they live in an environment of their own.
$(PEERS)/ready: pipelines/benchmarks/compare/peers.lock | $(READY)
	$(BIN)/python -m venv $(PEERS)
	$(PEERS)/bin/python -m pip --disable-pip-version-check --no-input --quiet install --require-hashes --requirement $<
	@touch $@

compare: $(READY) $(PEERS)/ready  ## the model beside its peers, in models/COMPARE.md: half an hour; ARGS=--quick only tries it
	$(BIN)/python -m faultml.pipelines.benchmarks.compare --out models --peers $(PEERS)/bin/python $(ARGS)

benchmark: $(READY) $(PEERS)/ready  ## pace and memory, in models/BENCHMARK.md; wants a machine that does nothing else
	$(BIN)/python -m faultml.pipelines.benchmarks --out models --peers $(PEERS)/bin/python $(ARGS)

throughput: $(READY)  ## swings a second with 1 and 2 workers, on a season drawn for it; wants an idle machine
	$(BIN)/python -m faultml.pipelines.benchmarks.throughput

models:  ## everything in models/ anew: bundle, comparison, pace, and the card with all of it
	@for step in train compare benchmark; do $(MAKE) $$step || exit 1; done

clean:  ## what was generated, but for .venv
	rm -rf build dist demo .pytest_cache .hypothesis .mypy_cache .ruff_cache
	find . -name __pycache__ -not -path './$(ENV)/*' -prune -exec rm -rf {} +
