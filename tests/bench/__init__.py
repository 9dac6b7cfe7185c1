"""How fast the program is beside stated references, and what was done to it that it survived.

`python -m tests.bench` runs every `bench_*.py` and prints the figures with their bounds; with `--write`
FIGURES.md gets them. `figures.py` holds what a figure is. Nothing here runs with the test suite, and nothing
in the test suite asserts a time.
"""
