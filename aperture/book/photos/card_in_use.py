"""The printed card that is in use: what was measured of it counts for every photo that is measured now."""

from aperture.book.store.ledger import Book
from aperture.settings import Settings


def with_card(book: Book, settings: Settings, name: str = "") -> Settings:
    """The settings with the latest answer about a printed card laid over them.

    Parameters
    ----------
    name : of the card; else, or if the book does not know it, the one in use. Without any answer in the
        book the settings stay as they are.
    """
    cards = book.cards()
    named = [card for card in cards if name and card.name.casefold() == name.casefold()]
    chosen = named or cards
    return chosen[-1].scale.over(settings) if chosen else settings
