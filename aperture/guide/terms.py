"""Words that the program's pages use and that not everybody knows, each with what it means in plain ones."""

# In the order in which the guide lists them. The desk's pages show the sentences where the words stand.
TERMS = {
    "height": "How far the opening reaches from blade to blade where it is highest, in millimetres.",
    "ratio": (
        "How round the opening is: 0 is a line, 1 a circle. It is the short axis divided by the long axis of"
        " an ellipse that is spread like the opening."
    ),
    "plus or minus, ±": "The true value should lie within this of the number about 19 times in 20.",
    "shut": "The blades touch, or nearly: the height is below the limit.",
    "elliptical": "Open like a lens: neither shut nor round. “Rather wide” is elliptical, near to round.",
    "round": "Too open: the ratio is above the limit.",
    "close to a limit": "The ± reaches over a limit between two classes, so that it may be of either.",
    "look": "There is a number, but a person should see the picture before it counts.",
    "refused": "The photo could not be measured, so there is no number; what to do stands beside it.",
    "soak": "Time in water, which opens a reed before it is played.",
    "squeeze": "Pressing a soaked reed, never a dry one, just above the thread: the tip closes a little.",
    "lot": "Reeds that were ordered together.",
    "usable": "Somebody decided to keep it.",
    "share": (
        "How many of 100 reeds of a lot are usable. In brackets: where the true share lies for 19 of 20 such"
        " lots."
    ),
    "gauge": "Sheets of paper between two strips of card: a slit whose height is known.",
    "E_n": (
        "How far the measured height and the expected one lie apart, divided by the ± of both together."
        " Between −1 and 1 they agree."
    ),
}
