# Everything by one word: `make` alone lists them. Windows has no make: README.md gives the plain commands.
# Settings go on the line, as in `make run PORT=8080 DEMO=0`; DEVELOPERS.md lists them all.

MAKEFLAGS += --no-print-directory
VENV := .venv/bin
# Processes that run the tests. They wait for a browser now and then, so one more than there are cores may be quicker.
WORKERS := 2
# Compiled modules are kept, so that the second start takes seconds.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help run setup test benchmark rivals oracle dates orders lint types lock base dev
.DEFAULT_GOAL := help

help: ## say what can be made
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/  make \1	\2/p' Makefile

run: base ## start everything; Ctrl-C stops it
	@exec $(VENV)/python manage.py serve

setup: base ## make the environment and the database, and stop
	@$(VENV)/python manage.py prepare

test: dev ## run the tests; ARGS="-k words" chooses among them
	@$(VENV)/python -m pytest -n $(WORKERS) --dist worksteal $(ARGS)

benchmark: dev ## measure speeds, as ratios
	@$(VENV)/python -m pytest -n 0 -m benchmark -s $(ARGS)

oracle: dev ## how near the forecasts come to what is knowable, on invented shops; ARGS="--hard --size 1000"
	@$(VENV)/python -m tests.analytics.engine.oracle_table --processes 2 --drift $(ARGS)

rivals: dev ## forecast LOGS="a.csv b.csv" by our model and by others in one run, and print how far off each was
	@$(VENV)/python -m tests.benchmarks.rivals $(LOGS)

dates: dev ## how often dates are kept over simulated years of invented shops; ARGS="--shops 12"
	@$(VENV)/python -m tests.analytics.engine.year_table --processes 2 $(ARGS)

orders: dev ## how much less late the orders are that a search finds; ARGS="--instances 20"
	@$(VENV)/python -m tests.analytics.engine.order_table $(ARGS)

lint: dev ## check style, import directions and declared dependencies
	@$(VENV)/ruff check . && $(VENV)/ruff format --check . && $(VENV)/lint-imports && $(VENV)/deptry .

types: dev ## check the types
	@$(VENV)/mypy

lock: dev ## resolve the dependencies of pyproject.toml anew (UPGRADE=--upgrade for newer versions)
	@cd requirements && sh compile.sh $(UPGRADE)

base dev:
	@sh requirements/install.sh $@
