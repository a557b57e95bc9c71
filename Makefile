# Three lines for people who have make; the work is in tasks.py, which runs anywhere Python does.
PYTHON ?= $(shell command -v python3 || command -v python)

.PHONY: demo test lint slow notebooks bill
demo test lint slow notebooks bill:
	@$(PYTHON) tasks.py $@ $(ARGS)
