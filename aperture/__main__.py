"""python -m aperture does what the command aperture does."""

from aperture.cli import main

main()
