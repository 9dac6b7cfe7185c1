"""The command line: its commands read options, call the library and print."""
