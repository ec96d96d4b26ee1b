# Everything by one word: `make` alone lists them. Windows has no make: README.md gives the plain commands.
# Settings go on the line, as in `make run PORT=8080 DEMO=0`; DEVELOPERS.md lists them all.

MAKEFLAGS += --no-print-directory
VENV := .venv/bin
# Compiled modules are kept, so that the second start takes seconds.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help run setup test benchmark lint types lock base dev
.DEFAULT_GOAL := help

help: ## say what can be made
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/  make \1	\2/p' Makefile

run: base ## start everything; Ctrl-C stops it
	@exec $(VENV)/python manage.py serve

setup: base ## make the environment and the database, and stop
	@$(VENV)/python manage.py prepare

test: dev ## run the tests; ARGS="-k words" chooses among them
	@$(VENV)/python -m pytest -n 2 $(ARGS)

benchmark: dev ## measure speeds, as ratios
	@$(VENV)/python -m pytest -n 0 -m benchmark -s $(ARGS)

lint: dev ## check style, import directions and declared dependencies
	@$(VENV)/ruff check . && $(VENV)/ruff format --check . && $(VENV)/lint-imports && $(VENV)/deptry .

types: dev ## check the types
	@$(VENV)/mypy

lock: dev ## resolve the dependencies of pyproject.toml anew (UPGRADE=--upgrade for newer versions)
	@cd requirements && sh compile.sh $(UPGRADE)

base dev:
	@sh requirements/install.sh $@
