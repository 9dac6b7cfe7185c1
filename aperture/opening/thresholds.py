"""What decides whether an outline is an answer, wants a person to look, or is none: every threshold, in one
place.

Each has its unit, its reason, and the figure it moves. `python -m tests.accuracy` prints how many photos go
to review, and how wrong the others are, for a range of values of the first.
"""

from dataclasses import dataclass

from aperture.instrument import INSTRUMENT


@dataclass(frozen=True)
class Thresholds:
    """When an outline goes to review, or is refused, and how far it is trusted otherwise.

    height_u_mm : standard uncertainty of the height from its two edges alone, above which a person must look:
        a height that is known to no better than ± 0.06 mm, twice this, does not tell open from shut.
        `python -m tests.accuracy --risk` prints risk and coverage of other values. Moves "to review" and the
        tail of the height.
    corner_shift_mm : how far a corner of an opening that is not shut may move with where the second network
        began. Moves the tail of the width.
    residual_mm : rms distance between the edges seen and two blades (rms): what strays more is not a pair of
        blades. Moves "to review".
    between_networks_mm : how far the gaps that the two networks see may differ (mean over the columns). Moves
        "to review".
    least_border : mean contrast of what lies outside the outline to what lies inside, as a part of both,
        below which nothing says "opening" but the networks; not asked of a shut tip, which has no inside to
        be seen. Moves "silently wrong" on what is no reed.
    reed_probability : below this there is no reed. Moves "refused".
    second_tip_mm2 : so much that looks like a tip, above or below another, is a second reed.
    least_bore_share : how much of the inside must look like a bore to the first network; with less it is no
        opening. Moves "refused".
    calm_bore_share : with less than this a person must look: the two networks do not see the same thing.
        Moves "to review".
    ends_differ_mm : by so much the two cut ends may differ in how thick they look: both blades are of one
        cane, scraped alike (common practice, no published source), and of the careful photos of the truth
        set 98 % lie below half of it. More says that a lit inner wall was taken for a part of a cut end.
        Moves "silently wrong".
    edge_outwards_mm : by so much the second network sees an edge too far out, on average, and its answer is
        corrected for it. Fitted on all careful photos of the truth set. Moves the height's median.
    edge_u_blurs, edge_u_shift, edge_u_expected, edge_u_bow : standard uncertainty of an edge: shares of the
        blur, of its shift, and of what the second network expects, in quadrature; and how much of that both
        edges together may be bent. Fitted on the blocks shut, lit-wall, thick-ends and patterned of the truth
        set (the likeliest under a t distribution of 4 degrees of freedom), so that 95 % of their heights in
        the photographed plane lie within two of them; the other blocks check it. What the network expects is
        not fitted, but taken as it says (before all are scaled by 1.19): those blocks alone would have none
        of it, the others are as likely with it, and it is what warns of pictures unlike those learned from.
        A part in mm that all photos have, and one of the residual, came out as 0. The bow counts where a slit
        is more bent than open, for its height is then that of the bend. Move "truth within ±".
    corner_u_mm, corner_u_blurs, corner_u_thin_mm2, corner_u_shift : the same of a corner: a part in mm, of
        the blur, in mm² to be divided by the height, and of its shift. Fitted on the truth set's other
        blocks. Move "truth within ±" of the width.
    """

    height_u_mm: float = 0.03
    corner_shift_mm: float = 0.15
    residual_mm: float = 0.03
    ends_differ_mm: float = 0.08
    between_networks_mm: float = 0.12
    least_border: float = 0.02
    reed_probability: float = 0.5
    second_tip_mm2: float = 1.0
    least_bore_share: float = 0.6
    calm_bore_share: float = 0.95
    narrowest_mm: float = INSTRUMENT.narrowest_mm
    widest_mm: float = INSTRUMENT.widest_mm
    tallest_mm: float = INSTRUMENT.tallest_mm
    bright_share: float = 0.02
    darkest: float = 0.15
    edge_outwards_mm: float = 0.0005
    edge_u_blurs: float = 0.05
    edge_u_shift: float = 0.98
    edge_u_expected: float = 1.19
    edge_u_bow: float = 2.1
    corner_u_mm: float = 0.02
    corner_u_blurs: float = 0.2
    corner_u_thin_mm2: float = 0.006
    corner_u_shift: float = 0.6


THRESHOLDS = Thresholds()
