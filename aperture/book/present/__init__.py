"""The book shown: on a terminal, as files for other programs, as a sheet for the seller."""
