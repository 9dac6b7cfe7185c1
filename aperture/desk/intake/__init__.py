"""Photos that come through a page: received, and taken into the book in a process of their own."""
