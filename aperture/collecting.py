"""How often Python looks for unused objects."""

import gc

# A page about 480 reeds makes 50,000.
OBJECTS_BETWEEN_COLLECTIONS = 200_000


def collect_rarely() -> None:
    """Let Python look for unused objects less often, for the rest of the process.

    To start, and to read a book, makes tens of thousands of objects, hardly any of them in circles. As Python
    comes, it would look through all of them, and all that was imported, several times for one page.
    """
    gc.freeze()
    gc.set_threshold(OBJECTS_BETWEEN_COLLECTIONS)
