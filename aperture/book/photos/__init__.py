"""Photos on their way into the book, without what is private."""
