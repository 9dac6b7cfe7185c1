"""Where the card is in a photo, and so where every millimetre is."""
