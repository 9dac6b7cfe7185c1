"""The one list of flags: code, what it does to a result, a sentence for the user, what to do next.

The command line, annotated pictures, exports and documentation all read this list.
"""

from dataclasses import dataclass
from typing import Literal

Effect = Literal["refuse", "review", "note", "book"]


@dataclass(frozen=True)
class Flag:
    """One thing that can be said about a photo, or about the reed book.

    `effect` is "refuse" (there is no number), "review" (a person must look before the number is used),
    "note" (worth knowing; nothing to do) or "book" (the reed book cannot do what was asked). Who looks at a
    page has no command line: where `sentence` or `advice` speaks of one, the page says `page_sentence` or
    `page_advice`.
    """

    code: str
    effect: Effect
    sentence: str
    advice: str
    page_sentence: str | None = None
    page_advice: str | None = None


_LIST = [
    # The file
    Flag("file-missing", "refuse", "There is no such file.", "Check the path."),
    Flag("file-unreadable", "refuse", "The file cannot be opened.", "Check that you may read it."),
    Flag("file-empty", "refuse", "The file is empty.", "Copy it from the phone again."),
    Flag(
        "not-a-photo",
        "refuse",
        "This is not a photo that can be read, whatever its name says.",
        "Use a JPEG, PNG, HEIC, AVIF, TIFF or WebP picture.",
    ),
    Flag(
        "photo-damaged",
        "refuse",
        "The photo is damaged or incomplete.",
        "Copy it from the phone again, or take it again.",
    ),
    Flag(
        "photo-too-large",
        "refuse",
        "The photo has more than 200 million pixels.",
        "Take it with the phone's normal photo size.",
    ),
    Flag(
        "photo-too-small",
        "refuse",
        "The photo has too few pixels.",
        "Send the original photo, not a preview or a thumbnail.",
    ),
    # The card
    Flag(
        "no-card",
        "refuse",
        "The scale card was not found.",
        "Put the whole card in the picture, well lit, nothing lying over it.",
    ),
    Flag(
        "too-few-markers",
        "refuse",
        "Too few of the card's markers can be read.",
        "Show all six markers: nothing lying over them, no shadow edge, no glare.",
    ),
    Flag(
        "card-cut-off",
        "refuse",
        "The card is cut off at the edge of the picture.",
        "Move back or aim so that the whole card is in the picture.",
    ),
    Flag(
        "two-faces",
        "refuse",
        "Markers of both faces (DRY and SOAKED) are in the picture.",
        "Show only the face that matches the reed's state.",
    ),
    Flag(
        "too-steep",
        "refuse",
        "The photo was taken too much from the side, from above or from below.",
        "Hold the phone square to the card, its lens at the height of the reed.",
    ),
    Flag(
        "steep",
        "review",
        "The photo was taken rather from the side, from above or from below.",
        "Hold the phone square to the card, its lens at the height of the reed.",
    ),
    Flag(
        "too-far",
        "refuse",
        "The card is too small in the picture.",
        "Move the phone to about 12 to 15 cm from the card; no digital zoom.",
    ),
    Flag(
        "too-blurred",
        "refuse",
        "The photo is too blurred.",
        "Rest the phone on something, tap the reed's tip to focus, and take it again.",
    ),
    Flag(
        "blurred",
        "review",
        "The photo is somewhat blurred.",
        "Rest the phone on something, tap the reed's tip to focus, and take it again.",
    ),
    Flag(
        "too-dark",
        "refuse",
        "The photo is too dark.",
        "Take it near a window or under a lamp.",
    ),
    Flag(
        "overexposed",
        "refuse",
        "The card is washed out: white and black cannot be told apart reliably.",
        "Turn off the flash, avoid direct sun, and take it again.",
    ),
    Flag(
        "card-bent",
        "review",
        "The card is not flat, or its markers do not lie where they were printed.",
        "Flatten the card (glue it to stiff cardboard) and take the photo again.",
    ),
    Flag(
        "card-bent-badly",
        "refuse",
        "The card is bent so much that its millimetres cannot be trusted.",
        "Flatten the card (glue it to stiff cardboard) and take the photo again.",
    ),
    Flag(
        "printed-scale-impossible",
        "refuse",
        "The length given for the printed 50 mm bar cannot be right.",
        "Measure the bar on the card again; it should lie between 45 and 55 mm.",
    ),
    Flag(
        "marker-missing",
        "note",
        "Not all six markers could be used.",
        "Keep fingers, shadows and glare off the markers.",
    ),
    Flag(
        "photo-changed",
        "note",
        "The photo was cropped or shrunk on its way, or lost its camera data.",
        "Copy the original from the phone; a messenger shrinks photos.",
    ),
    # The opening
    Flag(
        "no-reed",
        "refuse",
        "There is no reed in the notch.",
        "Lay the reed through the notch, its tip level with the card's face.",
    ),
    Flag(
        "opening-not-found",
        "refuse",
        "The reed's opening could not be outlined.",
        "Even light, plain background, the tip in the middle of the notch; take it again. If you see no"
        " opening either, the reed is shut.",
    ),
    Flag(
        "more-than-one-reed",
        "refuse",
        "There seems to be more than one reed in the notch.",
        "Photograph one reed at a time.",
    ),
    Flag(
        "glare",
        "note",
        "Glare, a hair or a film of water lies within the opening; its edge can be seen all the same.",
        "Shake the water off, turn the lamp or the flash away, and take it again if the picture looks wrong.",
    ),
    Flag(
        "edge-weak",
        "review",
        "Part of the opening's edge is hard to see.",
        "Even light, plain background behind the reed; take it again.",
    ),
    Flag(
        "inner-wall-lit",
        "review",
        "The inside of a blade is lit and hard to tell from its rim.",
        "Hold the phone square to the card, its lens at the height of the reed.",
    ),
    Flag(
        "thin-slit",
        "note",
        "The opening is thinner than the blur of the photo; its height is known only roughly.",
        "Move the phone closer (12 cm) if you need a better number.",
    ),
    # The check on the printed ellipses
    Flag(
        "self-check-off",
        "review",
        "The printed ellipses on the card do not measure what they should.",
        "Clean and flatten the card, focus on it, and take the photo again.",
    ),
    Flag(
        "self-check-missing",
        "note",
        "Not all of the printed ellipses on the card could be measured.",
        "Keep the middle of the card free.",
    ),
    # The verdict
    Flag(
        "borderline",
        "review",
        "The uncertainty reaches over a limit between two classes.",
        "Look at the picture and decide, or take a sharper photo from 12 cm.",
    ),
    Flag(
        "wide",
        "note",
        "The opening is rather wide.",
        "Soak it and look again; squeeze it only when soaked, never dry.",
    ),
    # The gauge of paper
    Flag(
        "gauge-failed",
        "review",
        "On the day of this photo the gauge of paper did not measure as high as it is.",
        "Look at `aperture gauge` or the desk's page Gauge: what explains it, and whether this photo must be"
        " taken again.",
        page_advice="Look at the page Gauge: what explains it, and whether this photo must be taken again.",
    ),
    Flag(
        "gauge-sheets",
        "refuse",
        "A gauge cannot have so many sheets.",
        "Count the sheets on one side of the slit, 3 to 30; 5, 10 and 20 are good.",
    ),
    Flag(
        "gauge-ream",
        "refuse",
        "A ream of 500 sheets cannot be so high.",
        "Measure a full, unopened ream of 500 sheets with a ruler, in millimetres: about 50 for usual paper.",
    ),
    Flag(
        "gauge-no-slit",
        "refuse",
        "There is no slit of a gauge in the notch.",
        "Lay the gauge through the notch, its front level with the card's face: a slit 7 mm wide, dark"
        " inside, paper at both sides, tape over the far end.",
    ),
    Flag(
        "gauge-curved",
        "refuse",
        "What lies in the notch has curved edges, as a reed has; a gauge's are straight.",
        "Put the gauge there; `aperture measure` is for reeds. If it is the gauge: press its strips flat.",
        page_advice="Put the gauge there; a reed's photo goes in under Import. If it is the gauge: press its"
        " strips flat.",
    ),
    Flag(
        "gauge-not-parallel",
        "refuse",
        "The edges of the slit are not parallel.",
        "Count the sheets on both sides, press everything flat, fluff and burrs away, and take it again.",
    ),
    Flag(
        "gauge-oblique",
        "refuse",
        "The lens did not stand level with the slit.",
        "Bring the phone down, or up, until it looks straight into the slit, and take it again.",
    ),
    Flag(
        "gauge-lit",
        "refuse",
        "Light falls into the slit: its walls cannot be told from its edges.",
        "Blacken the strips' inner sides with a felt pen, tape over the far end, turn lamps away, and take it"
        " again.",
    ),
    # Which reed, which state
    Flag(
        "reed-contradiction",
        "review",
        "The reed tag in the picture and the file name or option name different reeds.",
        "Check which reed this is and rename the photo, or use --reed.",
        page_sentence="The reed tag in the picture and the name of the photo or its folder say different"
        " reeds.",
        page_advice="Check which reed this is and say it under Review.",
    ),
    Flag(
        "state-contradiction",
        "review",
        "The card's face and the file name or option name different states (dry, soaked).",
        "Check the state of the reed in this photo and rename it, or use --state.",
        page_sentence="The card's face and the name of the photo or its folder say different states (dry,"
        " soaked).",
        page_advice="Check the state of the reed in this photo and say it under Review.",
    ),
    Flag(
        "two-reed-tags",
        "review",
        "There is more than one reed tag in the picture.",
        "Show only the tag of the reed in the notch.",
    ),
    # The program
    Flag(
        "settings-invalid",
        "refuse",
        "The settings cannot be used.",
        "Correct the value named, or delete the settings file to return to the defaults.",
    ),
    Flag(
        "cluster-unusable",
        "refuse",
        "The cluster cannot be used.",
        "Check the scheduler's address, and that it and all workers have the same version of this program.",
    ),
    Flag(
        "model-unusable",
        "refuse",
        "The program's own file that says what a reed looks like cannot be used.",
        "Install the program again.",
    ),
    Flag(
        "internal-error",
        "refuse",
        "The program failed on this photo; the fault is the program's.",
        "Keep the photo and report it.",
    ),
    Flag(
        "height-corrected",
        "note",
        "A correction was added to the height.",
        "Somebody asked for it after a comparison; delete [correction] in the settings file to take it back.",
    ),
    # The reed book
    Flag(
        "book-missing",
        "book",
        "There is no reed book there.",
        "`aperture intake` begins one; or name the file with --book.",
        page_advice="If it was moved, bring it back there. Else close the desk and open it again: that begins"
        " one.",
    ),
    Flag(
        "book-entry-wrong",
        "book",
        "This cannot be entered.",
        "Correct what is named and enter it again; nothing was written.",
    ),
    Flag(
        "book-unknown",
        "book",
        "The reed book does not have that.",
        "`aperture reeds` and `aperture lots` list what it has. A new lot is entered first:"
        " `aperture enter lot CODE --source CODE`.",
        page_advice="The pages Reeds and Lots show what it has.",
    ),
    Flag(
        "book-unwritable",
        "book",
        "The reed book, or a picture of it, cannot be read or written.",
        "Check that the disk has room and that you may write there, then run it again; nothing was lost.",
        page_advice="Check that the disk has room and that you may write there, then try again; nothing was"
        " lost.",
    ),
    Flag(
        "folder-gone",
        "book",
        "The folder that is to be watched is not there.",
        "Connect its drive or look for its new place, then watch it again; nothing was lost.",
    ),
    Flag("file-exists", "book", "There is a file of that name.", "Choose another name."),
    Flag("backup-missing", "book", "There is no such backup.", "Check the path."),
    Flag(
        "backup-damaged",
        "book",
        "The backup is damaged, or is no backup of a reed book.",
        "Use another backup; the book was left as it is.",
    ),
    Flag(
        "book-busy",
        "book",
        "Another program is writing to the reed book.",
        "Wait for it or close it, then run this again; nothing was lost.",
        page_advice="The book is being written to: wait a moment, then try again. Nothing was lost.",
    ),
    Flag(
        "book-newer",
        "book",
        "A newer version of this program wrote the reed book.",
        "Install that version; the book was left as it is.",
    ),
    Flag(
        "book-damaged",
        "book",
        "The file is damaged, or is no reed book.",
        "`aperture verify` says more; `aperture restore` brings a backup back.",
        page_advice="Close the desk and bring a backup back; the page Help, under “The reed book”, says how.",
    ),
    # The date of a photo
    Flag(
        "date-impossible",
        "note",
        "The camera's date of the photo cannot be right, so it counts as a photo without a date.",
        "Set the phone's clock. Where the order of photos matters, say so: `aperture enter squeeze` has"
        " --before and --after.",
        page_advice="Set the phone's clock.",
    ),
    Flag(
        "book-gone",
        "book",
        "The reed book's file is gone, but its pictures are there.",
        "Put the file back where it was, or bring a backup back with `aperture restore`. To begin another"
        " book, name another file with --book.",
        page_advice="Close the desk. Put the file back where it was, or bring a backup back; the page Help"
        " says how, under “The reed book”.",
    ),
]

FLAGS: dict[str, Flag] = {flag.code: flag for flag in _LIST}
# With these the number is as good as any, but nobody can be sure which reed, or which state of it, it is of.
WHICH_REED = frozenset({"reed-contradiction", "state-contradiction", "two-reed-tags"})


def needs_review(codes: list[str]) -> bool:
    """Whether any of these flags wants a person to look."""
    return any(FLAGS[code].effect == "review" for code in codes)
