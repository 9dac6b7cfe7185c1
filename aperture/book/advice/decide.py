"""A person decides about a reed, with the advice beside it; against the advice it takes a reason."""

from datetime import datetime

from aperture.book.advice.rules import FOLLOWED_BY, advise, overrides
from aperture.book.store.ledger import Book
from aperture.book.store.records import Action, Reed
from aperture.errors import BookError
from aperture.settings import Settings


def decide(
    book: Book, reed: Reed, action: Action, by: str, reason: str | None, at: datetime, settings: Settings
) -> str:
    """Enter a decision; the advice of that moment is entered with it.

    Parameters
    ----------
    by : short code of who decided.
    reason : why; may be None where the decision follows the advice, or what was decided and not yet done:
        then the reason of that counts.

    Returns
    -------
    A sentence for the person.

    Raises
    ------
    BookError : the decision goes against the advice and there is no reason.
    """
    advised = advise(book.history(reed), settings.soaking, at.date())
    against, led = overrides(action, advised.action), advised.decided
    if against and not reason and led is not None and action in FOLLOWED_BY.get(led.action, frozenset()):
        reason = led.why  # what was decided is done: why was said then
    if against and not reason:
        raise BookError(
            "book-entry-wrong",
            f"for reed {reed.number} the advice is “{advised.action}”: {advised.what} {advised.why}"
            " To decide otherwise, say why with --reason.",
        )
    book.add_decision(
        reed,
        at,
        action,
        reason or advised.why,
        by,
        advised=advised.action,
        rule=advised.rule,
        override_reason=reason if against else None,
    )
    if against:
        return f"Reed {reed.number}: {action}, against the advice “{advised.action}”."
    return f"Reed {reed.number}: {action}{', as advised' if action == advised.action else ''}."
