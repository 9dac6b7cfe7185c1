"""When two short codes that somebody typed are the same, whatever the keyboard made of them."""

import unicodedata


def code_key(code: str) -> str:
    """What all spellings of a code have in common: `É1` and `é1`, however the accent was typed.

    Two codes are the same if their keys are equal, character by character. That is a canonical caseless match
    (The Unicode Standard, section 3.13, D145, with Python's case folding, which is the full one), the key
    being in normal form C (UAX 15), so that people can read it.
    """
    return composed(unicodedata.normalize("NFD", code).casefold())


def same_code(one: str, other: str) -> bool:
    """Whether two codes are the same."""
    return code_key(one) == code_key(other)


def composed(text: str) -> str:
    """The text in normal form C: an accent is part of its letter, and no character of its own."""
    return unicodedata.normalize("NFC", text)
