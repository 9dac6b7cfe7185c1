"""Who may come in to the desk, and what stands before every page."""
