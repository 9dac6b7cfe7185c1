"""The page that compares with another way of measuring in a real browser: pasted, drawn, refused, found."""

import pytest

from tests.browser.windows import clean, expect

HEIGHTS = [0.4 + 0.1 * place for place in range(12)]


@pytest.fixture
def readings(desk, enter):
    """Rows of twelve reeds of the book, dry and soaked by turns, read up to 0.08 mm higher."""
    with desk.open_book() as book:
        rows = ["reed,state,reading_mm,u_mm"]
        for place, height in enumerate(HEIGHTS):
            number, state = 20 + place, "dry" if place % 2 else "soaked"
            photo = enter(book, book.add_reed(number), state, height_mm=height)
            mine = book.entry(photo).reading.record["height_mm"]
            rows.append(f"{number},{state},{mine + 0.01 * (place * 5 % 9):.3f},0.05")
    return "\n".join(rows)


def test_a_table_is_pasted_and_the_answer_drawn(laptop, readings):
    page = laptop.page
    laptop.go("/gauge")
    page.get_by_role("link", name="Compare with another way of measuring").click()
    page.wait_for_url("**/compare")
    clean(laptop, "compare")

    page.get_by_label("or paste the table here").fill("reed,state,reading_mm\n20,wet,0.5")
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_label("or paste the table here")).to_be_focused()
    expect(page.locator("#pasted + .wrong")).to_contain_text("line 2: the state is dry or soaked, not “wet”")
    clean(laptop, "compare-wrong")

    page.get_by_label("or paste the table here").fill(readings)
    page.get_by_role("button", name="Compare").click()
    expect(page.get_by_role("status")).to_contain_text("higher than this program; for 19 of 20 reeds")
    drawings = page.locator(".agreement svg")
    expect(drawings).to_have_count(2)
    page.get_by_text("Each reed, the largest difference first").click()
    clean(laptop, "compared")
    # Marks are told from the ground in the light and in the dark (WCAG 2.2, 1.4.11: 3 to 1).
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        for mark in ("circle.soaked", "rect.dry", "line.limit", "text.ink"):
            assert contrast(page, mark) >= 3.0, (scheme, mark)


def contrast(page, mark):
    """WCAG 2.2's contrast ratio of the first such mark and the card that it is drawn on."""
    colours = page.evaluate(
        """mark => { const part = document.querySelector('.agreement ' + mark);
          const style = getComputedStyle(part);
          return [mark.startsWith('line') ? style.stroke : style.fill,
                  getComputedStyle(part.closest('.card')).backgroundColor]; }""",
        mark,
    )

    def luminance(colour):
        parts = [int(one) / 255 for one in colour.removeprefix("rgb(").rstrip(")").split(",")]
        linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    dark, bright = sorted(map(luminance, colours))
    return (bright + 0.05) / (dark + 0.05)


def test_a_file_with_classes_of_two_people(laptop, readings, tmp_path):
    rows = readings.splitlines()[1:]
    table = [
        "reed;state;class_1;class_2",
        *(";".join([*row.split(",")[:2], "round", "shut"]) for row in rows),
    ]
    path = tmp_path / "classes.csv"
    path.write_text("\n".join(table), encoding="utf-8")
    laptop.go("/compare")
    laptop.page.get_by_label("A file").set_input_files(path)
    laptop.page.get_by_role("button", name="Compare").click()
    expect(laptop.page.get_by_role("status")).to_contain_text("gave the same class to 0 of 12 reeds")
    clean(laptop, "compared-classes")
