"""A person decides about a reed, with the advice beside it; against the advice it takes a reason."""

from datetime import datetime

from aperture.book.advice.rules import FOLLOWED_BY, advise, overrides
from aperture.book.store.ledger import Book
from aperture.book.store.records import GONE, Action, Reed
from aperture.errors import BookError
from aperture.settings import Settings

# Each with what a page says in its place.
SAY_WHY = "To decide otherwise, say why with --reason."
SAY_WHY_ON_A_PAGE = "To decide otherwise, say why."
IF_IT_CAME_BACK = "if it is here again, say --came-back"
IF_IT_CAME_BACK_ON_A_PAGE = "if it is here again, open “It came back” on its page"


def decide(
    book: Book,
    reed: Reed,
    action: Action,
    by: str,
    reason: str | None,
    at: datetime,
    settings: Settings,
    came_back: bool = False,
) -> str:
    """Enter a decision; the advice of that moment is entered with it.

    Parameters
    ----------
    by : short code of who decided.
    reason : why; may be None where the decision follows the advice, or what was decided and not yet done:
        then the reason of that counts.
    came_back : the reed had left the box and is here again. Without it a reed that is gone stays gone; only
        how it left can be corrected.

    Returns
    -------
    A sentence for the person.

    Raises
    ------
    BookError : the decision goes against the advice and there is no reason; or the reed is gone.
    """
    returns = action not in GONE and book.is_gone(reed)
    if returns and not came_back:
        raise BookError("book-entry-wrong", f"reed {reed.number} has left the box; {IF_IT_CAME_BACK}")
    advised = advise(book.history(reed), settings.soaking, at.date())
    against, led = overrides(action, advised.action), advised.decided
    if against and not reason and led is not None and action in FOLLOWED_BY.get(led.action, frozenset()):
        reason = led.why  # what was decided is done: why was said then
    if against and not reason:
        raise BookError(
            "book-entry-wrong",
            f"for reed {reed.number} the advice is “{advised.action}”: {advised.what} {advised.why}"
            f" {SAY_WHY}",
        )
    book.add_decision(
        reed,
        at,
        action,
        reason or ("It came back." if returns else advised.why),
        by,
        advised=advised.action,
        rule=advised.rule,
        override_reason=reason if against else None,
    )
    if against:
        return f"Reed {reed.number}: {action}, against the advice “{advised.action}”."
    return f"Reed {reed.number}: {action}{', as advised' if action == advised.action else ''}."
