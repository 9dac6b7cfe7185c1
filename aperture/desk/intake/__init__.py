"""Photos of a page, taken into the book in a process of their own."""
