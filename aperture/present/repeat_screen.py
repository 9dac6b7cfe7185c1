"""A study of repeats on a terminal: what it means in plain sentences, and a table of its parts."""

import math
from collections.abc import Iterator

from rich.console import Console
from rich.table import Table
from rich.text import Text

from aperture.card.instructions import CARE
from aperture.present.report import NAMES, UNITS, printable
from aperture.present.screen import bare_table, short_names
from aperture.studies.repeat_study import QuantityStudy, RepeatStudy, StateStudy
from aperture.studies.repeatability import LIMIT_FACTOR, PHOTO, Interval, repeatability_interval

# What each part of the spread is called, and what it is; in brackets the names that gauge studies use.
PARTS = {
    PHOTO: ("photo to photo (EV)", "one person, one session, the same reed taken again"),
    "session": ("sessions", "what a session (a day) adds to all reeds alike"),
    "reed with session": ("reeds by session", "what a session adds to single reeds; reeds change, too"),
    "person": ("people (AV)", "what a person adds to all reeds alike"),
    "reed with person": ("reeds by person", "what a person adds to single reeds"),
    "measuring": ("all measuring (GRR)", "all of the above together"),
    "reed": ("reeds (PV)", "how much the reeds themselves differ"),
}
PEOPLE, SESSIONS = {"person", "reed with person"}, {"session", "reed with session"}
# What would make the largest part smaller.
HELP = {
    PHOTO: "Rest the phone on something, 12 to 15 cm away, tap the tip to focus, and push the tip level with"
    " the card's face each time.",
    "session": "Compare reeds that were photographed in one session, with one print of the card.",
    "reed with session": "Reeds change from day to day: photograph them in one session, soaked the same way.",
    "person": "Let everybody watch how the others do it: card upright, tip level with its face, phone square"
    " to the card at the height of the reed.",
    "reed with person": "Let everybody watch how the others lay the reed in: tip level with the card's face,"
    " the reed not leaning.",
}
# An end more than this many times the estimate says nothing but that nothing is known.
NO_END = 10.0
# Ends this many times apart, or more: known roughly, or hardly.
ROUGHLY, HARDLY = 2.0, 5.0
# Rules of thumb for gauges in industry (AIAG MSA 4th ed.): kinds that can be told apart, and per cent.
ENOUGH_CATEGORIES = 5


def show_repeats(console: Console, study: RepeatStudy) -> None:
    """Print everything there is to say about some repeats."""
    for state in study.studies:
        console.print(Text(headline(state), style="bold"))
        for sentence in sentences(state):
            console.print(Text(f"- {sentence}"))
        console.print()
        console.print(spread_table(state))
        for explanation in explanations(state):
            console.print(Text(explanation, style="dim"))
        console.print()
    for remark in study.remarks:
        console.print(Text(remark))
    show_left_out(console, study)
    for caution in CARE[1:]:
        console.print(Text(caution, style="dim"))


def show_left_out(console: Console, study: RepeatStudy) -> None:
    """Print which photos do not count, each with its reason."""
    if not study.left_out:
        return
    console.print(Text(f"Left out: {len(study.left_out)} of {_number_of_photos(study)} photos", style="bold"))
    names = short_names([photo.measurement for photo in study.left_out])
    for name, photo in zip(names, study.left_out, strict=True):
        console.print(Text(f"- {name}: {printable(photo.why)} {photo.advice}".rstrip()))
    console.print()


def headline(state: StateStudy) -> str:
    """For example "Dry: 12 photos of 3 reeds, by 2 people (A, B), 4 sessions"."""
    people = sorted({photo.person for photo in state.photos if photo.person is not None})
    reeds = state.number_of("reed")
    words = f"{state.state.capitalize()}: {len(state.photos)} photos of {_count(reeds, 'reed')}"
    if len(people) > 1:
        words += f", by {len(people)} people ({', '.join(people)})"
    if all(photo.session is not None for photo in state.photos):
        words += f", {_count(state.number_of('person', 'session'), 'session')}"
    return words


def sentences(state: StateStudy) -> Iterator[str]:
    """What the study of a state means, in plain words, what matters most first."""
    height = state.quantities["height_mm"]
    spreads = height.spreads
    photo = spreads.components[PHOTO]
    if photo.estimate == 0.0:
        yield "All photos of a reed gave exactly the same number. Were they really taken again?"
    told = set(spreads.components)
    same, other = "", []
    if told & PEOPLE:
        same += " by the same person"
        other.append("people")
    if told & SESSIONS:
        same += " in the same session"
        other.append("sessions")
    yield (
        f"Two photos of the same reed{same} differ by up to {limit_words(photo, 'mm')} in height,"
        " 19 times in 20."
    )
    if other:
        yield f"With different {' or '.join(other)}, up to {limit_words(spreads.measuring, 'mm')}."
    yield from _how_well_known(state)
    yield from _telling_apart(height)
    yield _against_stated(state)
    yield from _odd_ones(state)
    yield from state.notes
    if photo.estimate > 0.0:
        yield _what_helps(height)
    if state.state == "soaked":
        yield "A soaked reed dries while you photograph it, which counts as scatter: be quick, or repeat dry."


def limit_words(spread: Interval, unit: str) -> str:
    """How far two readings lie apart 19 times in 20, for example "0.03 mm (between 0.02 and 0.06)"."""
    limit = spread.times(LIMIT_FACTOR)
    return f"{_digits(limit.estimate, limit.estimate)} {unit} ({_ends(limit)})"


def spread_table(state: StateStudy) -> Table:
    """The parts of the spread as standard deviations, with their 95 % intervals below them."""
    table = bare_table()
    table.add_column("spread (standard deviation)")
    for name, word in NAMES.items():
        table.add_column(f"{word}, {UNITS[name]}" if UNITS[name] else word)
    quantities = [state.quantities[name] for name in NAMES]
    for part, (label, _) in PARTS.items():
        cells = [_spread_of(quantity, part) for quantity in quantities]
        if any(cells):
            table.add_row(label, *(_cell(cell) if cell else "–" for cell in cells))
    if any(quantity.spreads.categories for quantity in quantities):
        table.add_row("total (TV)", *(_digits(q.spreads.total, q.spreads.total) for q in quantities))
        table.add_row("measuring, % of total", *(_percent(quantity) for quantity in quantities))
        table.add_row("kinds told apart (ndc)", *(_categories(quantity) for quantity in quantities))
    return table


def explanations(state: StateStudy) -> Iterator[str]:
    """A line for each row of the table, and how it was computed."""
    spreads = state.quantities["height_mm"].spreads
    shown = [part for part in PARTS if _spread_of(state.quantities["height_mm"], part)]
    yield "In brackets: where the true value lies, 19 times in 20. 0 is not seen, ? is not known."
    for part in shown:
        yield f"{PARTS[part][0]}: {PARTS[part][1]}"
    if spreads.categories is not None:
        yield (
            "total (TV): reeds and measuring together. % of total: below 10 is good, up to 30 may do. ndc: 5"
            " or more is good. (Rules of thumb for gauges in industry, made for other things than reeds.)"
        )
    pooled = sorted({name for quantity in state.quantities.values() for name in quantity.spreads.pooled})
    counted = f" Counted with the photos where not seen: {', '.join(pooled)}." if pooled else ""
    yield (
        "Analysis of variance with unequal numbers allowed (method of moments, Henderson III); intervals from"
        f" chi-square and by simulation.{counted}"
    )
    ranges = state.quantities["height_mm"].ranges
    if ranges is not None:
        yield (
            "By the average-and-range method, height: "
            f"EV {ranges.repeatability:.4f}, AV {ranges.people:.4f}, GRR {ranges.measuring:.4f},"
            f" PV {ranges.reeds:.4f}, TV {ranges.total:.4f} mm, ndc {_floor(ranges.categories)}."
        )
    sessions = state.quantities["height_mm"].sessions
    if sessions is not None:
        seen = "differ" if sessions.p < 0.05 else "show no difference"
        yield (
            f"Sessions of the same reed {seen} in height: s between {sessions.s_between:.4f}, within"
            f" {sessions.s_within:.4f} mm, F = {sessions.f:.2f}, p = {sessions.p:.3f}; the mean of a reed has"
            f" a standard uncertainty of {sessions.u_mean:.4f} mm (GUM H.5)."
        )


def _how_well_known(state: StateStudy) -> Iterator[str]:
    """How little the repeats say of the scatter, and how many more would say how much."""
    spreads = state.quantities["height_mm"].spreads
    photo, repeats = spreads.components[PHOTO], spreads.repeats
    apart = photo.high / photo.low if photo.low > 0.0 else 1.0
    if apart < ROUGHLY:
        return
    known = "very little" if apart >= HARDLY else "only roughly"
    reeds = state.number_of("reed")
    more = repeatability_interval(photo.estimate, repeats + 2 * reeds).times(LIMIT_FACTOR)
    yield (
        f"{_count(repeats, 'repeat')} only ({len(state.photos)} photos of {_count(reeds, 'reed')}), so this"
        f" is known {known}. With two more photos of each reed the true value would lie"
        f" {_ends(more)}, if they scatter alike."
    )


def _telling_apart(quantity: QuantityStudy) -> Iterator[str]:
    """Whether photos can tell the reeds apart by their height."""
    categories = quantity.spreads.categories
    if categories is None:
        yield "One reed only: whether photos tell reeds apart is not known. Photograph more, ten if you can."
        return
    if not math.isfinite(categories.estimate):
        return
    number = math.floor(categories.estimate)
    ends = f"between {_floor(categories.low)} and {_floor(categories.high)}"
    if number < 2:
        words = "One photo of each does not tell these reeds apart by height"
    else:
        words = f"One photo of each sorts these reeds into about {number} kinds of height"
    enough = "" if number >= ENOUGH_CATEGORIES else f"; {ENOUGH_CATEGORIES} or more would be good"
    yield f"{words} ({ends}{enough})."
    reeds = next(term.degrees_of_freedom + 1 for term in quantity.spreads.terms if term.name == "reed")
    if reeds < 5:
        yield f"How much reeds differ is hardly known from {reeds} of them: photograph more, ten if you can."


def _against_stated(state: StateStudy) -> str:
    """The scatter beside the ± that the photos themselves state."""
    larger, ratios = [], []
    for name, word in NAMES.items():
        quantity = state.quantities[name]
        photo = quantity.spreads.components[PHOTO]
        if photo.low > quantity.stated_u:
            larger.append(word)
        ratios.append(f"{word} {100 * photo.estimate / quantity.stated_u:.0f} %")
    listed = f"The photos scatter by this part of what their own ± allows for: {', '.join(ratios)}."
    if larger:
        return f"{listed} More than 100 % in {' and '.join(larger)}: ± is too small; trust the scatter more."
    return (
        f"{listed} No sign that ± is too small. But it may be: repeats cannot show what is wrong in all of"
        " them alike, such as the printed card or the program's idea of an edge."
    )


def _odd_ones(state: StateStudy) -> Iterator[str]:
    """Photos that scatter much more than the others, by name."""
    quantities: dict[tuple[str, ...], list[str]] = {}
    for name, word in NAMES.items():
        for photos in state.quantities[name].odd:
            names = tuple(short_names([photo.measurement for photo in photos]))
            quantities.setdefault(names, []).append(word)
    for names, words in quantities.items():
        yield (
            f"Look at {', '.join(names)}: they differ far more than other photos of one reed do"
            f" ({', '.join(words)}). Is it the same reed?"
        )


def _what_helps(quantity: QuantityStudy) -> str:
    """What would make the largest part of measuring smaller; a part that may be nothing does not count."""
    components = quantity.spreads.components.items()
    parts = {name: part for name, part in components if name == PHOTO or (name != "reed" and part.low > 0.0)}
    largest = max(parts, key=lambda name: parts[name].estimate)
    return f"What would help most: {HELP[largest]}"


def _spread_of(quantity: QuantityStudy, part: str) -> Interval | None:
    """A row of the table; "measuring" only where it is more than the photos."""
    spreads = quantity.spreads
    if part == "measuring":
        return spreads.measuring if set(spreads.components) - {"reed", PHOTO} else None
    return spreads.components.get(part)


def _cell(spread: Interval) -> str:
    if spread.estimate == 0.0:
        return f"0 (to {_digits(spread.high, spread.high)})"
    high = "?" if spread.high > NO_END * spread.estimate else _digits(spread.high, spread.estimate)
    return f"{_digits(spread.estimate, spread.estimate)} ({_digits(spread.low, spread.estimate)} to {high})"


def _ends(spread: Interval) -> str:
    """For example "between 0.02 and 0.06"; where the upper end says nothing, only the lower one."""
    low = _digits(spread.low, spread.estimate)
    if spread.high > NO_END * spread.estimate:
        return f"at least {low}; too little is known for an upper end"
    return f"between {low} and {_digits(spread.high, spread.estimate)}"


def _percent(quantity: QuantityStudy) -> str:
    spreads = quantity.spreads
    return f"{100 * spreads.measuring.estimate / spreads.total:.0f}" if spreads.total > 0.0 else "–"


def _categories(quantity: QuantityStudy) -> str:
    categories = quantity.spreads.categories
    if categories is None or math.isnan(categories.estimate):
        return "–"
    return f"{_floor(categories.estimate)} ({_floor(categories.low)} to {_floor(categories.high)})"


def _digits(value: float, like: float) -> str:
    """A value with as many decimals as show two figures of another one."""
    if like <= 0.0:
        return f"{value:.3g}"
    return f"{value:.{max(0, 1 - math.floor(math.log10(like)))}f}"


def _floor(number: float) -> str | int:
    """Whole kinds only, as AIAG MSA 4th ed. counts them."""
    return math.floor(number) if math.isfinite(number) else "any number"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _number_of_photos(study: RepeatStudy) -> int:
    return len(study.counted) + len(study.left_out)
