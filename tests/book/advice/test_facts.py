"""What is known about a reed, against the trade's rules on soaking and squeezing, and the GUM.

Facts of the trade are common practice, no published source.
"""

import math
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from aperture.book.advice.comparing import (
    LIKE_FACTOR,
    is_old_on,
    like,
    soak_change,
    soak_pair,
    squeeze_change,
)
from aperture.book.advice.facts import PITCH_LIMIT_CENTS, facts
from aperture.book.advice.looking import photo_that_counts
from aperture.book.advice.soak_habit import compared, soak_times
from aperture.book.store.records import FAULTS, Soaking
from tests.book.advice.histories import (
    ELLIPTICAL,
    HABIT,
    LOOKED_AT,
    MONDAY,
    NEW,
    OLD,
    ROUND,
    SHUT,
    SOUND,
    U_RATIO,
    WIDE,
    WIDTH_MM,
    Story,
    measured,
)


def known(story):
    return facts(story.history, HABIT, story.today)


def test_nothing_is_known_of_a_new_reed():
    empty = known(Story(lot=False))
    assert empty.dry is empty.soaked is empty.look is empty.soaking is empty.squeeze is empty.decided is None
    yes_or_no = ("gone", "is_old", "worn", "closed_on_soaking", "hands_checked", "played_checked")
    assert not any(getattr(empty, name) for name in yes_or_no)
    assert empty.returnable is None
    assert all(getattr(empty, fault) is None for fault in FAULTS)


# --- photos ------------------------------------------------------------------------------------------------


def test_the_latest_measured_photo_of_each_state_is_told():
    story = Story().dry(ROUND).dry(SHUT).soaked(ELLIPTICAL).soaked(WIDE).refused("soaked").refused("dry")
    assert (known(story).dry, known(story).soaked) == ("shut", "wide")


def test_a_person_who_corrects_the_outline_has_the_last_word():
    story = Story().dry(ELLIPTICAL, flags=("edge-weak",))
    assert (known(story).dry, known(story).look) == ("elliptical", "review")
    story = story.corrected(ROUND, flags=("edge-weak",))
    assert (known(story).dry, known(story).look) == ("round", None)


@pytest.mark.parametrize(
    ("story", "look"),
    [
        (Story().dry(ROUND), None),
        (Story().dry(ROUND, flags=("marker-missing", "photo-changed")), None),  # worth knowing, no doubt
        (Story().dry(ROUND, flags=("steep",)), "review"),
        (Story().soaked(0.2495), "borderline"),
        (Story().soaked(0.2495, flags=("blurred",)), "review"),
        (Story().soaked(0.021), "borderline"),
        # Dry, it is soaked next whether it is shut or elliptical, but not if it may be round.
        (Story().dry(0.021), None),
        (Story().dry(0.2495), "borderline"),
        (Story().dry(0.17, u_ratio=0.05), "borderline"),
        (Story().refused("soaked", "glare"), "refused"),
        (Story().dry(ROUND).refused("soaked"), "refused"),
        (Story().soaked(ROUND).later(1).refused("soaked"), "refused"),
        # One of a burst that went wrong is no loss.
        (Story().soaked(ROUND).refused("soaked"), None),
        (Story().soaked(ROUND).squeezed().refused("soaked"), "refused"),
        # Contradictions are not filed until a person has settled them.
        (Story().photo(measured(ROUND), None), "which state"),
        (Story().photo(measured(ROUND, flags=("state-contradiction",)), None), "which state"),
        (Story().photo(measured(ROUND, flags=("state-contradiction",)), None).filed("soaked"), None),
        (Story().photo(measured(ROUND, flags=("reed-contradiction", "steep")), "dry"), "review"),
        (Story().dry(ROUND).measured_again(ROUND, flags=("two-reed-tags",)), "which reed"),
        (Story().dry(ROUND).measured_again(ROUND, flags=("two-reed-tags",)).filed("dry", by="mk"), None),
        (Story().soaked(ROUND).photo(measured(ROUND), None), "which state"),
        (Story().photo(measured(ROUND), None).soaked(ROUND), None),
        # Who decided after the photo has looked.
        (Story().dry(ROUND, flags=("steep",)).decided("keep"), None),
        (Story().refused("dry").decided("keep"), None),
        (Story().decided("keep").dry(ROUND, flags=("steep",)), "review"),
        # The advice rests on the soaked photo.
        (Story().dry(ROUND, flags=("steep",)).soaked(ROUND), None),
        (Story().soaked(ROUND, flags=("steep",)).dry(ROUND), "review"),
    ],
)
def test_what_a_person_must_look_at(story, look):
    assert known(story).look == look


def test_a_flag_of_another_version_does_no_harm():
    story = Story().dry(ROUND)
    record = {**story.entries[-1].reading.record, "flags": ["of-another-version", "steep"]}
    entry = story.entries[-1]
    story.entries[-1] = replace(entry, readings=(replace(entry.reading, record=record),))
    assert known(story).look == "review"


def test_the_photo_that_counts():
    story = Story().dry(SHUT)
    assert photo_that_counts(Story().history) is None
    assert photo_that_counts(story.history) is story.entries[0]
    story = story.soaked(ROUND).dry(SHUT)
    assert photo_that_counts(story.history) is story.entries[1]


# --- soaking -----------------------------------------------------------------------------------------------

SOAKINGS = st.builds(
    Soaking,
    seconds=st.none() | st.floats(0.0, 600.0),
    water=st.sampled_from([None, "cold", "room", "warm"]),
    wetted=st.sampled_from([None, "water", "mouth"]),
    age=st.sampled_from([None, "new", "old"]),
)


@settings(deadline=None)
@given(SOAKINGS, SOAKINGS)
def test_likeness_is_mutual_and_everything_is_like_itself(one, other):
    assert like(one, one)
    assert like(one, other) == like(other, one)


def test_only_like_is_compared_with_like():
    assert like(NEW, replace(NEW, seconds=30.0 * LIKE_FACTOR))
    for other in (
        replace(NEW, seconds=30.0 * LIKE_FACTOR + 1.0),
        replace(NEW, seconds=0.0),
        replace(NEW, water="cold"),
        replace(NEW, wetted="mouth"),
        replace(NEW, age="old"),
        replace(NEW, seconds=None),
        Soaking(),
    ):
        assert not like(NEW, other)


@pytest.mark.parametrize(
    ("change", "is_old", "expected"),
    [
        ({}, False, "usual"),
        ({"seconds": 120.0}, True, "usual"),
        ({"seconds": 120.0}, False, "more"),
        ({}, True, "less"),
        # Longer, or in cold water, or in the mouth, opens it more.
        ({"seconds": 60.0}, False, "more"),
        ({"water": "cold"}, False, "more"),
        ({"wetted": "mouth"}, False, "more"),
        ({"seconds": 300.0, "water": "cold", "wetted": "mouth"}, False, "more"),
        ({"seconds": 10.0}, False, "less"),
        # Nobody says which opens it more.
        ({"water": "warm"}, False, "other"),
        ({"seconds": 10.0, "wetted": "mouth"}, False, "other"),
        ({"seconds": None}, False, "unknown"),
        ({"water": None}, False, "unknown"),
        ({"seconds": None, "wetted": "mouth"}, False, "other"),
    ],
)
def test_a_soak_compared_with_the_habit(change, is_old, expected):
    assert compared(replace(NEW, **change), HABIT, is_old) == expected


def test_less_than_a_habit_of_the_mouth_and_cold_water():
    habit = replace(HABIT, water="cold", wetted="mouth")
    assert compared(NEW, habit, False) == "less"
    assert compared(replace(NEW, water="cold", wetted="mouth"), habit, False) == "usual"


def test_a_soak_is_compared_with_the_habit_for_the_reeds_age():
    assert known(Story().soaked(ROUND, OLD)).soaking == "usual"
    kept = Story().soaked(ELLIPTICAL).decided("keep").later(1)
    assert known(kept.soaked(ELLIPTICAL, replace(OLD, age=None))).soaking == "usual"
    assert known(Story().soaked(ROUND, replace(OLD, age="new"))).soaking == "more"


# --- age and return ----------------------------------------------------------------------------------------


def test_a_reed_is_old_once_it_was_filed_so_or_kept_on_an_earlier_day():
    assert known(Story().soaked(ROUND, OLD)).is_old
    assert known(Story().soaked(ROUND, OLD).later(1).soaked(ROUND, NEW)).is_old  # it gets no younger
    kept = Story().soaked(ELLIPTICAL).decided("keep")
    assert not known(kept).is_old
    assert known(kept.later(1)).is_old
    assert not known(Story().soaked(ROUND).decided("squeeze").later(9)).is_old
    assert not is_old_on(Story().soaked(ROUND, OLD).history, MONDAY.date() - timedelta(days=1))


@pytest.mark.parametrize(("days", "expected"), [(0, True), (7, True), (8, False)])
def test_a_reed_may_go_back_until_and_on_the_last_day(days, expected):
    story = Story(return_by=date(2026, 10, 12)).dry(ROUND).later(days)
    assert known(story).returnable is expected


def test_what_was_played_does_not_go_back():
    assert known(Story(return_by=date(2026, 12, 24)).soaked(ROUND, OLD)).returnable is False
    assert known(Story(lot=False).soaked(ROUND, OLD)).returnable is False
    assert known(Story(lot=False)).returnable is None
    assert known(Story()).returnable is None


# --- dry to soaked -----------------------------------------------------------------------------------------


def test_the_change_on_soaking_agrees_with_error_propagation():
    # The `uncertainties` library: the printed millimetre is one variable in both photos, all else is not.
    story = Story().dry(ELLIPTICAL, shared=0.005).soaked(WIDE, shared=0.005, u_ratio=0.003)
    change = soak_change(story.history)
    millimetre = ufloat(1.0, 0.005)

    def height(ratio, u_ratio):
        whole, common = WIDTH_MM * u_ratio, WIDTH_MM * ratio * 0.005
        return millimetre * ufloat(WIDTH_MM * ratio, (whole**2 - common**2) ** 0.5)

    expected = height(WIDE, 0.003) - height(ELLIPTICAL, U_RATIO)
    assert change.height_mm.difference == pytest.approx(expected.nominal_value, rel=1e-3)
    assert change.height_mm.expanded_uncertainty == pytest.approx(2.0 * expected.std_dev, rel=1e-3)
    # The area's is 5 mm times that of the height, in `histories`; it has the millimetre twice in it.
    own = [5.0 * WIDTH_MM * u for u in (U_RATIO, 0.003)]
    common = [2.0 * 0.005 * math.pi / 4.0 * WIDTH_MM**2 * ratio for ratio in (ELLIPTICAL, WIDE)]
    variance = sum(u**2 for u in own) - 2.0 * math.prod(common)
    assert change.area_mm2.expanded_uncertainty == pytest.approx(2.0 * math.sqrt(variance), rel=1e-3)
    ratio = ufloat(WIDE, 0.003) - ufloat(ELLIPTICAL, U_RATIO)
    assert change.ellipse_ratio.expanded_uncertainty == pytest.approx(2.0 * ratio.std_dev, rel=1e-3)
    assert change.ellipse_ratio.word == "rounder"


def test_what_only_one_photo_knows_of_the_card_is_not_shared():
    both = soak_change(Story().dry(ELLIPTICAL, shared=0.004).soaked(WIDE, shared=0.004).history)
    one = soak_change(Story().dry(ELLIPTICAL, shared=0.0).soaked(WIDE, shared=0.004).history)
    assert one.height_mm.expanded_uncertainty > both.height_mm.expanded_uncertainty


def test_uncertainties_keep_the_factor_they_were_expanded_with():
    story = Story().dry(ELLIPTICAL).soaked(WIDE)
    before = soak_change(story.history).height_mm.expanded_uncertainty
    for place, entry in enumerate(story.entries):
        reading = entry.reading
        wider = {name: 1.5 * value for name, value in reading.record["u"].items()}
        again = replace(reading, coverage_factor=3.0, record={**reading.record, "u": wider})
        story.entries[place] = replace(entry, readings=(again,))
    assert soak_change(story.history).height_mm.expanded_uncertainty == pytest.approx(1.5 * before)


@pytest.mark.parametrize(
    ("story", "pair"),
    [
        (Story().dry(SHUT), None),
        (Story().soaked(ROUND), None),
        (Story().dry(SHUT).refused("soaked"), None),
        (Story().dry(SHUT).dry(SHUT).soaked(WIDE).soaked(ROUND), (1, 3)),
        (Story().soaked(WIDE).later(1).dry(SHUT), (1, 0)),
        (Story().dry(SHUT).later(5).soaked(WIDE), (0, 1)),  # a new reed lies in its box
        (Story().dry(SHUT).soaked(ROUND).squeezed().soaked(ELLIPTICAL), (0, 1)),  # the squeeze did the rest
        (Story().dry(SHUT).squeezed().soaked(ELLIPTICAL), None),
        (Story().dry(SHUT).soaked(WIDE).decided("keep").later(30).soaked(ROUND), (0, 1)),  # played since
        (Story().dry(SHUT).decided("keep").later(30).soaked(ROUND), None),
        (Story().dry(SHUT).later(1).soaked(ROUND, OLD), None),
        (Story().dry(SHUT).soaked(ROUND, OLD), (0, 1)),
        # Soaked once more on another day: what that soak did, the dry photo before the first one cannot tell.
        (Story().dry(SHUT).soaked(WIDE).later(3).soaked(ROUND), (0, 1)),
        (Story().dry(SHUT).later(1).refused("soaked").later(1).soaked(ROUND), None),
        (Story().dry(SHUT).soaked(WIDE).later(3).dry(SHUT).soaked(ROUND), (2, 3)),
        (Story().soaked(WIDE).later(1).soaked(ROUND).later(1).dry(SHUT), (2, 1)),
    ],
)
def test_dry_and_soaked_are_compared_if_only_soaking_came_between(story, pair):
    found = soak_pair(story.history)
    expected = pair and tuple(story.entries[place] for place in pair)
    assert found == expected
    assert (soak_change(story.history) is None) == (pair is None)


@pytest.mark.parametrize(
    ("story", "closed"),
    [
        (Story().dry(ELLIPTICAL).soaked(SHUT), True),
        (Story().dry(ROUND).later(3).soaked(SHUT), True),
        (Story().dry(SHUT).soaked(SHUT), False),
        (Story().dry(ELLIPTICAL).soaked(ELLIPTICAL), False),
        (Story().dry(ELLIPTICAL).soaked(SHUT).decided("replace"), False),  # somebody looked
        (Story().dry(ELLIPTICAL).soaked(WIDE).squeezed().soaked(SHUT), False),  # the squeeze did it
        (Story().dry(ELLIPTICAL).decided("keep").later(40).soaked(SHUT, OLD), False),  # wear did it
    ],
)
def test_an_open_reed_does_not_close_in_water(story, closed):
    assert known(story).closed_on_soaking is closed


# --- the soak that a reed needs ----------------------------------------------------------------------------


def ageing(*seconds):
    story = Story()
    for soak in seconds:
        story = story.soaked(ELLIPTICAL, replace(OLD, seconds=float(soak))).later(1)
    return story


def test_the_soaks_that_opened_it():
    story = Story().soaked(SHUT, replace(OLD, seconds=60.0)).soaked(ELLIPTICAL, replace(OLD, seconds=180.0))
    story = story.refused("soaked").soaked(WIDE, replace(OLD, seconds=120.0)).later(2).soaked(ROUND, OLD)
    monday, wednesday = MONDAY.date(), date(2026, 10, 7)
    assert soak_times(story.history) == ((monday, 180.0), (monday, 120.0), (wednesday, 120.0))


def test_only_like_soaks_of_a_played_reed_tell_what_it_needs():
    story = Story().soaked(ELLIPTICAL, NEW).later(1).soaked(ELLIPTICAL, replace(OLD, water="cold")).later(1)
    story = story.soaked(ELLIPTICAL, replace(OLD, wetted="mouth")).later(1)
    story = story.soaked(ELLIPTICAL, replace(OLD, seconds=None)).later(1).soaked(ELLIPTICAL, OLD)
    assert soak_times(story.history) == ((date(2026, 10, 9), 120.0),)
    assert soak_times(Story().history) == ()


def test_a_reed_that_needs_ever_longer_is_worn():
    assert known(ageing(60, 90, 120, 180, 240, 300, 360)).worn
    assert not known(ageing(*[120] * 7)).worn
    # Being soaked longer once it is old is a habit, not wear.
    story = Story()
    for _ in range(4):
        story = story.soaked(ELLIPTICAL, NEW).later(1)
    for _ in range(4):
        story = story.soaked(ELLIPTICAL, OLD).later(1)
    assert not known(story).worn


# --- squeezes ----------------------------------------------------------------------------------------------

SQUEEZED = [
    (Story().soaked(ROUND), None, False),
    (Story().squeezed(), "waiting for a photo", False),
    (Story().soaked(ROUND).squeezed(), "waiting for a photo", False),
    (Story().soaked(ROUND).squeezed().dry(SHUT), "waiting for a photo", False),
    (Story().soaked(ROUND).squeezed().refused("soaked"), "waiting for a photo", False),
    (Story().soaked(ROUND).squeezed().soaked(ELLIPTICAL), "came down", True),
    (Story().soaked(WIDE).squeezed().soaked(ELLIPTICAL), "came down", True),
    # Judged as it stands: even if it fell by less than the uncertainty.
    (Story().soaked(0.181).squeezed().soaked(0.179), "came down", True),
    (Story().soaked(ROUND).squeezed().soaked(WIDE), "came down a little", False),
    (Story().soaked(0.40).squeezed().soaked(ROUND), "came down a little", False),
    (Story().soaked(ROUND).squeezed().soaked(ROUND), "did not come down", False),
    # 2 √(0.002² + 0.002²) = 0.0057.
    (Story().soaked(0.300).squeezed().soaked(0.2955), "did not come down", False),
    (Story().soaked(0.300).squeezed().soaked(0.293), "came down a little", False),
    (Story().soaked(WIDE).squeezed().soaked(ROUND), "did not come down", False),
    # Compared only with like: nobody knows what the squeeze did.
    (Story().soaked(ROUND).squeezed().soaked(WIDE, OLD), "did not come down", False),
    (Story().squeezed().soaked(ROUND), "did not come down", False),
    (Story().soaked(ROUND).squeezed().soaked(SHUT), "squeezed shut", False),
    (Story().soaked(ROUND).squeezed().soaked(SHUT).later(1).soaked(ROUND), "came down", True),
    # A photo of the next day is of the next soak, and tells nothing of the squeeze; unless somebody says so.
    (Story().soaked(ROUND).squeezed().later(1).soaked(ROUND), "not photographed", False),
    (Story().soaked(ROUND).squeezed(after=2).later(1).soaked(ELLIPTICAL), "came down", True),
    (Story().soaked(ROUND).squeezed(after=2).refused("soaked"), "waiting for a photo", False),
    # The latest squeeze counts, and that it came down once is remembered.
    (
        Story().soaked(ROUND).squeezed().soaked(ELLIPTICAL).later(1).soaked(ROUND).squeezed().soaked(ROUND),
        "did not come down",
        True,
    ),
    (Story().soaked(ROUND).squeezed().soaked(ROUND).squeezed().soaked(ELLIPTICAL), "came down", True),
]


@pytest.mark.parametrize(("story", "squeeze", "each_time"), SQUEEZED)
def test_what_a_squeeze_did(story, squeeze, each_time):
    assert (known(story).squeeze, known(story).squeeze_each_time) == (squeeze, each_time)


def test_the_change_by_a_squeeze_needs_two_photos_soaked_alike():
    story = Story().dry(SHUT).soaked(ROUND).squeezed().soaked(ELLIPTICAL)
    change = squeeze_change(story.history, story.squeezes[0])
    assert change.ellipse_ratio.difference == pytest.approx(ELLIPTICAL - ROUND, abs=1e-4)
    assert change.ellipse_ratio.word == "flatter"
    assert change.height_mm.word == "closed"
    for other in (Story().soaked(ROUND).squeezed().soaked(ELLIPTICAL, OLD), Story().soaked(ROUND).squeezed()):
        assert squeeze_change(other.history, other.squeezes[0]) is None
    # A dry photo that was named by mistake is none.
    named = Story().dry(ROUND).soaked(ROUND).squeezed(before=1).soaked(ELLIPTICAL)
    assert squeeze_change(named.history, named.squeezes[0]) is None


def test_photos_of_two_soaks_do_not_tell_what_a_squeeze_did():
    """A reed opens again at the next soak (common practice, no published source)."""
    story = Story().soaked(ROUND).later(3).squeezed().soaked(WIDE)
    assert squeeze_change(story.history, story.squeezes[0]) is None
    named = Story().soaked(ROUND).later(3).squeezed(before=1).soaked(WIDE)
    assert squeeze_change(named.history, named.squeezes[0]).ellipse_ratio.word == "flatter"
    # What is advised rests on the earlier soak like it, as before: it came down a little.
    assert known(story).squeeze == "came down a little"


# --- checks and decisions ----------------------------------------------------------------------------------


def test_the_latest_answer_to_each_question_counts():
    story = Story().checked(leak=True, wire=False).checked(chip=True).checked("slow", 5.0, leak=False)
    now = known(story)
    assert (now.leak, now.wire, now.chip, now.crack) == (False, False, True, None)
    assert (now.response, now.pitch) == ("slow", "in tune")


def test_pitch_against_a_tuner():
    for cents, pitch in ((0.0, "in tune"), (-PITCH_LIMIT_CENTS, "in tune"), (-21.0, "flat"), (30.0, "sharp")):
        assert known(Story().checked(cents=cents)).pitch == pitch


def test_what_can_be_checked_without_playing():
    story = Story().checked(**LOOKED_AT)
    assert (known(story).hands_checked, known(story).played_checked) == (True, False)
    story = story.checked("good", 3.0, air_noise=False)
    assert (known(story).hands_checked, known(story).played_checked) == (True, True)
    for missing in LOOKED_AT:
        answers = {name: False for name in LOOKED_AT if name != missing}
        assert not known(Story().checked(**answers)).hands_checked


def test_a_squeeze_can_crack_a_reed_so_it_is_checked_again():
    story = Story().soaked(ROUND).checked("good", 0.0, **SOUND).squeezed()
    assert not known(story).hands_checked
    assert not known(story.checked(leak=False)).hands_checked
    assert known(story.checked(crack=False)).hands_checked


def test_a_decision_counts_until_something_new_comes():
    story = Story().dry(ROUND).decided("send back")
    assert known(story).decided == "send back"
    assert known(story.later(30)).decided == "send back"
    for new in (
        Story().dry(ROUND).decided("send back").dry(ROUND),
        Story().dry(ROUND).decided("send back").checked(leak=True),
        Story().dry(ROUND).decided("send back").squeezed(),
    ):
        assert known(new).decided is None
    assert known(Story().decided("replace").decided("keep")).decided == "keep"


def test_a_reed_is_gone_once_it_was_sent_back_or_thrown_away():
    for action, gone in (
        ("sent back", True),
        ("thrown away", True),
        ("send back", False),
        ("replace", False),
    ):
        assert known(Story().dry(ROUND).decided(action)).gone is gone
