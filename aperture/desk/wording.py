"""What the program says to somebody at the command line, said to somebody at a page."""

from markupsafe import Markup

from aperture.flags import FLAGS

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
