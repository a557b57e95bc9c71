# Three lines for people who have make; the work is in tasks.py, which runs anywhere Python does.
PYTHON ?= $(shell command -v python3 || command -v python)

.PHONY: demo test lint slow notebooks
demo test lint slow notebooks:
	@$(PYTHON) tasks.py $@ $(ARGS)
