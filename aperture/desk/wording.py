"""What the program says to somebody at the command line, said to somebody at a page, in plain words."""

from markupsafe import Markup, escape

from aperture.flags import FLAGS
from aperture.guide.pages import anchor
from aperture.guide.terms import TERMS

# Words of measuring with the plain word that stands with them on a page.
_PLAIN = {"ratio": "roundness (ratio)"}
# Those that open where they stand; the others everybody knows who plays the oboe, or are said beside it.
_HARD = ("ratio", "E_n")
_OPENS = Markup(
    '<details class="term"><summary>{}</summary>'
    '<span>{} <a href="/help/terms#{}">All words</a></span></details>'
)

# What flags say in a page's words they carry themselves; of a sentence to which a detail was added the full
# stop is gone. The book keeps what was said of a photo as it was said.
_FLAGS_ON_A_PAGE = {
    said.removesuffix("."): on_a_page.removesuffix(".")
    for flag in FLAGS.values()
    for said, on_a_page in ((flag.sentence, flag.page_sentence), (flag.advice, flag.page_advice))
    if on_a_page is not None
}
# What no flag says. It stands in the program as it is here: a sentence that changes there without its page's
# own is found by the tests, which look at all that the program can say.
_ON_A_PAGE = _FLAGS_ON_A_PAGE | {
    "the file's name, or --state)": "the file's name, or what you say under Review)",
    "`aperture return-sheet` writes the sheet to go with it;": (
        "The page Lots has the return sheet to go with it;"
    ),
    "say why with --reason.": "say why.",
    "Look at `aperture gauge` or the desk's page Gauge:": "Look at the page Gauge:",
    "`aperture measure` is for reeds.": "a reed's photo goes in under Import.",
    "Measure it again, and tell with --ruler.": "Measure it again, and say it on your card’s page.",
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
    opens = (
        '<details class="term"><summary>{}</summary><span>{} <a href="/help/terms#{}">{}</a></span></details>'
    )
    name = Markup(opens).format(plain(first), TERMS[first], anchor(first), "All words")
    return name + Markup(" ") + escape(rest) if rest else name
