# make demo: the main job on a simulated body; make test: all tests, the same examples each time; make test-long: more
# examples drawn at random, and the tests marked `long` (again: make test-long SEED=...); make check: format, lint and
# types. All of them install what they need into .venv; a sourced ROS 2 is used where there is one.

PYTHON ?= python3
BIN := .venv/bin

# Hundreds of processes start in the tests: each would compile anew what it imports.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test test-long check clean

demo:
	@$(PYTHON) environment.py ros log sim
	@$(BIN)/quadleg demo --physics

test:
	@$(PYTHON) environment.py ros board log test
	@$(BIN)/python -m pytest -n logical --dist loadgroup

test-long: SEED ?= $(shell od -An -N4 -tu4 /dev/urandom | tr -d ' ')
test-long:
	@$(PYTHON) environment.py ros board log test
	@seed=$(SEED); echo "Hypothesis draws with the seed $$seed; to repeat: make test-long SEED=$$seed"; \
	$(BIN)/python -m pytest --long --hypothesis-seed=$$seed -n logical --dist loadgroup -m "not alone" && \
	$(BIN)/python -m pytest --long --hypothesis-seed=$$seed -m alone

check:
	@$(PYTHON) environment.py ros board log test
	@$(BIN)/ruff format --check .
	@$(BIN)/ruff check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports --no-cache

clean:
	rm -rf .venv build install log *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
