# make demo: the main job on a simulated body; make test: all tests; make check: format, lint and types.
# All three install what they need into .venv; a sourced ROS 2 is used where there is one.

PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test check clean

demo:
	@$(PYTHON) environment.py ros log sim
	@$(BIN)/quadleg demo --physics

test:
	@$(PYTHON) environment.py ros board log test
	@$(BIN)/python -m pytest -n logical --maxprocesses 4 --dist loadscope -m "not alone"
	@$(BIN)/python -m pytest -m alone

check:
	@$(PYTHON) environment.py ros board log test
	@$(BIN)/ruff format --check .
	@$(BIN)/ruff check .
	@$(BIN)/mypy

clean:
	rm -rf .venv build install log *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
