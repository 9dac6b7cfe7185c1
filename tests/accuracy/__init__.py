"""How wrong the program is, on what, and why: photos with known truth, measured and counted.

`python -m tests.accuracy` measures them and prints the tables; with `--write` FIGURES.md gets them.

`truth_photos.py` finds the photos and their truth, `run.py` measures them and remembers the results,
`figures.py` makes figures of the results, `tables.py` writes the figures as text, `bounds.py` holds the line
that no figure may cross again. `figures.json` holds the recorded results of every photo, `bounds.json` the
bounds.
"""
