"""What the program says to somebody at the command line, said to somebody at a page, in plain words."""

from markupsafe import Markup, escape

from aperture.book.advice.decide import (
    IF_IT_CAME_BACK,
    IF_IT_CAME_BACK_ON_A_PAGE,
    SAY_WHY,
    SAY_WHY_ON_A_PAGE,
)
from aperture.book.advice.rules import DECIDED, DECIDED_ON_A_PAGE
from aperture.flags import FLAGS
from aperture.guide.pages import anchor
from aperture.guide.terms import TERMS
from aperture.verdict import ADVICE

# Words of measuring with the plain word that stands with them on a page.
_PLAIN = {"ratio": "roundness (ratio)"}
# Those that open where they stand; the others everybody knows who plays the oboe, or are said beside it.
_HARD = ("ratio", "E_n")
_OPENS = Markup(
    '<details class="term"><summary>{}</summary>'
    '<span>{} <a href="/help/terms#{}">All words</a></span></details>'
)

# Whatever is said in a page's words carries them where it is said. The book keeps what was said of a photo as
# it was said; of a sentence to which a detail was added the full stop is gone.
_CARRIED = (
    *((flag.sentence, flag.page_sentence) for flag in FLAGS.values()),
    *((flag.advice, flag.page_advice) for flag in FLAGS.values()),
    *((advice.what, advice.page_what) for advice in ADVICE.values()),
    *((DECIDED[action], on_a_page) for action, on_a_page in DECIDED_ON_A_PAGE.items()),
    (SAY_WHY, SAY_WHY_ON_A_PAGE),
    (IF_IT_CAME_BACK, IF_IT_CAME_BACK_ON_A_PAGE),
    # Of a sentence with numbers in it this part does not change.
    ("Measure it again, and tell with --ruler.", "Measure it again, and say it on your card’s page."),
)
_ON_A_PAGE = {
    said.removesuffix("."): on_a_page.removesuffix(".")
    for said, on_a_page in _CARRIED
    if on_a_page is not None
}


def page_words(said: object) -> object:
    """The same in a page's words; what is no text, or is a part of a page already, stays as it is."""
    if not isinstance(said, str) or isinstance(said, Markup):
        return said
    for at_the_command_line, on_a_page in _ON_A_PAGE.items():
        said = said.replace(at_the_command_line, on_a_page)
    return said


def plain(words: str) -> str:
    """The words, the first with the plain one: "ratio +0.1, rounder" is "roundness (ratio) +0.1, rounder"."""
    first, _, rest = words.partition(" ")
    return f"{_PLAIN.get(first, first)} {rest}".rstrip()


def explained(words: str) -> Markup:
    """The same for a place in a page where there is room: a hard first word opens, and says what it means.

    It is an element of its own, which no paragraph can hold; a cell of a table, a list or a term can.
    """
    first, _, rest = words.partition(" ")
    if first not in _HARD:
        return escape(plain(words))
    name = _OPENS.format(plain(first), TERMS[first], anchor(first))
    return name + Markup(" ") + escape(rest) if rest else name
