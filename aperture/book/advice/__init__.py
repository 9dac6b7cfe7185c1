"""What is known of a reed, and what to do with it."""
