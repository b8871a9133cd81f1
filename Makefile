# Everything runs from here. On a machine without make, see "Without make" in README.md.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: audit test lab lint types unit mutants notebooks store picture bench format demo clean

audit: $(STAMP)  ## an audit report of the invented demo practice
	$(BIN)/outcomes audit --out reports/audit --overwrite

test: $(STAMP) lint types notebooks unit  ## everything a change must pass

lint: $(STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .

types: $(STAMP)
	$(BIN)/mypy

notebooks: $(STAMP)  ## re-run every stored notebook and compare its outputs
	$(BIN)/pytest -o addopts= -q -p no:doctest -n 2 --dist loadfile --nbval \
		--nbval-sanitize-with tests/nbval_sanitize.cfg notebooks

store: $(STAMP)  ## run the stored notebooks again and keep their outputs
	$(BIN)/python notebooks/store.py

picture: $(STAMP)  ## the picture in README.md, from a report of the demo practice (needs Chromium)
	$(BIN)/python docs/picture.py

unit: $(STAMP)
	$(BIN)/pytest -n 2

N ?= 200
SEED ?= 1
JOBS ?= 2
mutants: $(STAMP)  ## plant N small faults, see which the tests notice (tests/mutants/README.md)
	$(BIN)/python -m pip install --quiet -c constraints.txt -e ".[dev,scans,mutants]"
	$(BIN)/python tests/mutants/run.py --sample $(N) --seed $(SEED) --jobs $(JOBS)

lab: $(STAMP)  ## JupyterLab on the notebooks
	$(BIN)/jupyter lab --notebook-dir notebooks

bench: $(STAMP)  ## speed and memory beside other packages
	$(PYTHON) -m venv benchmarks/.venv
	-benchmarks/.venv/bin/python -m pip install --quiet -r benchmarks/peers.txt
	$(BIN)/python benchmarks/run.py

format: $(STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

demo: $(STAMP)  ## write the invented cohorts anew
	$(BIN)/python synthetic_data/make.py

$(STAMP): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -c constraints.txt -e ".[dev,scans]"
	@touch $(STAMP)

clean:
	rm -rf $(VENV) build dist reports
