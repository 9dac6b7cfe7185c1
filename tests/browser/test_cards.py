"""The page of the printed card in a real browser: asked, answered, refused, and used by the next photo."""

from tests.browser.windows import DRY, clean, expect


def test_the_bar_is_asked_for_once_and_the_next_photo_says_so(laptop):
    page = laptop.page
    laptop.go("/help")
    page.get_by_role("link", name="What does the 50 mm bar").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Your printed card")
    expect(page.get_by_role("img", name="The printed bar with a ruler")).to_be_visible()
    expect(page.get_by_label("The tip stands before")).to_be_hidden()
    clean(laptop, "cards")

    page.get_by_label("The bar measures").fill("48,5")
    page.get_by_label("The bar measures").press("Enter")
    expect(page.get_by_role("status")).to_contain_text("kept.")
    expect(page.locator("#now")).to_contain_text("the 50 mm bar measures 48.5 mm (card A)")
    expect(page.locator("#answers li")).to_have_count(1)
    clean(laptop, "cards-kept")

    laptop.go("/import")
    page.wait_for_load_state()
    page.get_by_label("or photos").set_input_files([DRY])
    page.get_by_role("button", name="Import").click()
    expect(page.locator("#words")).to_contain_text("Done: 1 ", timeout=60_000)
    laptop.go("/reed/12")
    expect(page.locator("main")).to_contain_text("Printed scale: the 50 mm bar measures 48.5 mm (card A)")


def test_what_cannot_be_stands_beside_its_field_with_what_was_typed(desk, laptop):
    page = laptop.page
    laptop.go("/cards")
    page.get_by_label("The bar measures").fill("4.85")
    page.get_by_label("The card’s name").fill("my card")
    page.get_by_text("Where the tip stands").click()
    page.get_by_label("The tip stands before").fill("far")
    page.get_by_role("button", name="Keep it").click()
    for label, typed, said in (
        ("The bar measures", "4.85", "between 45 and 55 mm"),
        ("The card’s name", "my card", "cannot be a card’s name"),
        ("The tip stands before", "far", "is no number"),
    ):
        field = page.get_by_label(label)
        expect(field).to_have_value(typed)
        expect(field).to_be_visible()  # the folded part stays open
        beside = field.locator("xpath=following-sibling::p[1]")
        expect(beside).to_contain_text(said)
        assert field.get_attribute("aria-describedby").split()[0] == beside.get_attribute("id")
    clean(laptop, "cards-wrong")
    with desk.open_book() as book:
        assert book.cards() == []
