"""What the program says to somebody at the command line, said to somebody at a page."""

from markupsafe import Markup

# Both stand in the program as they are here: a sentence that changes there without its page's own is found by
# the tests, which look at all that the program can say.
_ON_A_PAGE = {
    "and the file name or option name different": "and the name of the photo or its folder say different",
    "and rename the photo, or use --reed.": "and say it under Review.",
    "in this photo and rename it, or use --state.": "in this photo and say it under Review.",
    "the file's name, or --state)": "the file's name, or what you say under Review)",
    "`aperture intake` begins one; or name the file with --book.": (
        "Close the desk and open it again: that begins one."
    ),
    "`aperture reeds` and `aperture lots` list what it has.": "The pages Reeds and Lots show what it has.",
    "`aperture verify` says more; `aperture restore` brings a backup back.": (
        "Close the desk and bring a backup back; the page Help, under “The reed book”, says how."
    ),
    "`aperture return-sheet` writes the sheet to go with it;": (
        "The page Lots has the return sheet to go with it;"
    ),
    "say why with --reason.": "say why.",
    "Look at `aperture gauge` or the desk's page Gauge:": "Look at the page Gauge:",
    "`aperture measure` is for reeds.": "a reed's photo goes in under Import.",
    "Measure it again, and tell with --ruler.": "Measure it again, and write it as ruler_mm in the settings.",
    "then run it again; nothing was lost.": "then try again; nothing was lost.",
    "then run this again; nothing was lost.": "then try again; nothing was lost.",
}


def page_words(said: object) -> object:
    """The same in a page's words; what is no text, or is a part of a page already, stays as it is."""
    if not isinstance(said, str) or isinstance(said, Markup):
        return said
    for at_the_command_line, on_a_page in _ON_A_PAGE.items():
        said = said.replace(at_the_command_line, on_a_page)
    return said
