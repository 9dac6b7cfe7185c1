"""What the phone says after a photo, in a real browser: how long it was soaked, what helps, how far it is."""

# The fixtures are those of the phone's page; without a browser it skips, and this with it.
# ruff: noqa: F811

from tests.browser.test_phone import choose, desk, keep, page, results, shot  # noqa: F401 (fixtures)
from tests.browser.test_story import Axe, chromium, expect  # noqa: F401 (a fixture)

# --- the soak ------------------------------------------------------------------------------------------


def test_the_timer_says_whose_seconds_they_were_and_the_result_takes_a_correction(desk, page):
    """Two soaked photos in a row, of two reeds: the seconds are the first one's."""
    page.get_by_label("Seconds").fill("1")
    page.get_by_role("button", name="Start").click()
    timer = page.get_by_role("timer")
    expect(timer).to_contain_text("counts as soaked for 1 s")
    choose(page, shot(reed=7, state="soaked"))
    expect(results(page).first).to_contain_text("Soaked 1 s (by the timer).")
    expect(timer).to_have_text("Soaked for 1 s: kept with reed 7. For another reed, start again.")
    choose(page, shot(reed=8, state="soaked"))
    expect(results(page).first).to_contain_text("Reed 8, soaked")
    expect(results(page).first).to_contain_text("Soaked 30 s (the usual time).")
    results(page).first.get_by_text("Was it another time?").click()
    results(page).first.get_by_label("Soaked for, in seconds").fill("45")
    keep(page, "soaked-result")
    assert Axe().run(page).violations_count == 0
    results(page).first.get_by_role("button", name="Correct it").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("What the photo gave")
    expect(page.locator("main")).to_contain_text("Soaked 45 s (as said on the phone).")
    with desk.open_book() as book:
        said = {
            number: book.history(book.reed(number)).latest("soaked").filing.soaking.seconds
            for number in (7, 8)
        }
    assert said == {7: 1.0, 8: 45.0}
