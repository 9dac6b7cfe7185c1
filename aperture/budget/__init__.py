"""How uncertain a measured opening is, and what would make it less so."""
