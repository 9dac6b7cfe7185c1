"""Measures the opening of an oboe reed's tip from an end-on photo against a printed scale card."""

__version__ = "0.1.0"
