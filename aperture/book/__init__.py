"""The reed book: every reed from the post to the bin, in one database file with the pictures beside it."""
