"""How lots turned out, and how many reeds to order next."""
